"""Lines above a desirability: what is mixed from two lies above as well, and says no less than either alone."""

import numpy as np
import pytest

from optimise.proof.rampfield import mixed


def highest(level, rise, slopes, w):
    """The highest sum of lines over a box, at one of its corners: level + sum |slope| w."""
    return level.sum(axis=1) + (np.abs((rise[:, :, None] * slopes).sum(axis=1)) * w).sum(axis=1)


@pytest.mark.parametrize("seed", range(5))
def test_a_mixture_lies_between_its_lines_and_is_never_higher_than_the_first(seed):
    rng = np.random.default_rng(seed)
    n, r, d = 40, 5, 4
    lines, slopes, w = rng.normal(size=(n, r, 3, 2)), rng.normal(size=(n, r, d)), rng.uniform(0.1, 1, (n, d))
    level, rise, kappa = mixed(lines, slopes, w)
    share = (level - lines[:, :, 0, 0]) / (lines[:, :, 0, 1] - lines[:, :, 0, 0])
    assert (np.abs(share - 0.5) <= 0.5 + 1e-12).all()
    for k, got in enumerate((level, rise, kappa)):
        assert np.allclose(got, lines[:, :, k, 0] + share * (lines[:, :, k, 1] - lines[:, :, k, 0]))
    assert (highest(level, rise, slopes, w) <= highest(lines[:, :, 0, 0], lines[:, :, 1, 0], slopes, w) + 1e-9).all()


def test_at_a_kink_the_mixture_is_flat():
    # min(x, -x) on |x| <= 1: either side alone says 1 somewhere, half of each says 0 everywhere.
    level, rise, _ = mixed(np.array([[[[0.0, 0.0], [1.0, -1.0], [0.0, 0.0]]]]), np.ones((1, 1, 1)), np.ones((1, 1)))
    assert level == pytest.approx(0)
    assert rise == pytest.approx(0)
