"""The grid of spreads and its prior, against the laws that it is documented to follow."""

import numpy as np
import pytest
from scipy import stats

from optimise.statistics.hyperprior import grid_of, heaviest, heaviest_of_each
from optimise.statistics.marginal import ALONE, Groups


def test_the_grid_is_the_documented_one():
    grid = grid_of(ALONE)
    assert grid.shape == (324, 7)
    # One sixth of the prior mass at each tL, a fifth of it without discrepancy.
    mass = np.exp(grid[:, 0])
    assert [mass[grid[:, 1] == t].sum() for t in (0.3, 0.6, 1.2, 2.4, 4.8, 9.6)] == pytest.approx(np.ones(6))
    smooth, curves = grid[:, 3] > 0, grid[:, 4] > 0
    assert mass[~smooth & ~curves].sum() / mass.sum() == pytest.approx(0.2)
    # Elsewhere it is as often one surface as a sum of curves, never both.
    assert mass[smooth].sum() == pytest.approx(mass[curves].sum())
    assert not (smooth & curves).any()
    # Its ratio to tL is half-Cauchy of scale 1, per unit of its log: r / (1 + r²).
    ratio = (grid[:, 3] + grid[:, 4]) / grid[:, 1]
    shares = np.array([mass[np.isclose(ratio, r)].sum() for r in (1 / 9, 1 / 3, 1, 3)]) / mass.sum()
    law = stats.halfcauchy.pdf([1 / 9, 1 / 3, 1, 3]) * [1 / 9, 1 / 3, 1, 3]
    assert shares == pytest.approx(0.8 * law / law.sum())


@pytest.mark.parametrize(("few", "law"), [(False, stats.t(3, scale=1)), (True, stats.halfcauchy(scale=5))])
def test_the_spread_between_groups_is_half_t_or_with_few_groups_half_cauchy(few, law):
    """Per unit of its log, r times the density; a fifth of the mass is on none."""
    grid = grid_of(Groups(plots=[0, 1], few=few))
    mass = np.exp(grid[:, 0])
    ratios = np.unique(grid[grid[:, 5] > 0, 5])
    shares = np.array([mass[grid[:, 5] == r].sum() for r in ratios]) / mass.sum()
    expected = ratios * law.pdf(ratios)
    assert shares == pytest.approx(0.8 * expected / expected.sum())


def test_the_points_kept_are_the_heaviest_up_to_the_mass_or_the_number_asked_for():
    # Weights 90, 9, 0.9 and 0.1 %: the first three hold 99.9 %, the first two 99 %, short of 99.5 %.
    logs = np.log([0.001, 0.09, 0.9, 0.009])
    assert heaviest(logs, 10).tolist() == [2, 1, 3]
    assert heaviest(logs, 1).tolist() == [2]


def test_each_spread_between_groups_keeps_its_own_share_of_the_mass():
    ratios = np.array([0.0, 0.0, 1.0, 1.0])
    weights, rows = heaviest_of_each(ratios, np.log([0.5, 0.1, 0.3, 0.1]), 2)
    # One point stands for each spread, with the mass of both.
    assert dict(zip(rows.tolist(), weights, strict=True)) == pytest.approx({0: 0.6, 2: 0.4})
