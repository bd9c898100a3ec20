"""The third derivative of a sum of curves by a table: no sum leaves its bounds, and what cancels is not added up."""

import numpy as np
import pytest

from optimise.proof.clouds import curves
from optimise.proof.steepest import Steepest
from optimise.statistics.kernels import bell

RNG = np.random.default_rng(5)
KNOWN = RNG.uniform(-1, 1, (3, 12))
LOW, HIGH = np.full(3, -1.2), np.full(3, 1.3)


def derivatives(x, weights):
    """Value, slopes and bends of the sum (12 batches, a mean over 3 axes) at places x (3, n), by its closed form."""
    offset = x[:, :, None] - KNOWN[:, None, :]
    a = np.sqrt(5) * np.abs(offset)
    down = np.exp(-a)
    slope, bend = -5 / 3 * (1 + a) * down * offset, 5 / 3 * (a * a - a - 1) * down
    return (bell(np.abs(offset)) @ weights).mean(axis=0), slope @ weights / 3, bend @ weights / 3


@pytest.mark.parametrize("size", [1e-3, 0.1, 0.6])
def test_no_sum_leaves_its_bounds(size):
    weights = RNG.normal(size=12) * RNG.choice([0.1, 1, 10], 12)
    table = Steepest.of(weights, KNOWN, LOW, HIGH)
    x, radius = RNG.uniform(-0.6, 0.7, (3, 80)), RNG.uniform(0.1, 1, (3, 80)) * size
    x[:, :12] = np.clip(KNOWN, -0.6, 0.7)
    bound = table.beyond(x, radius)
    assert np.isfinite(bound).all()
    value, slope, bend = derivatives(x, weights)
    for turn in range(60):
        t = radius * (RNG.choice([-1.0, 1.0], x.shape) if turn % 2 else RNG.uniform(-1, 1, x.shape))
        seen = derivatives(x + t, weights)[0] - value - (slope * t).sum(axis=0) - (bend * t * t).sum(axis=0) / 2
        assert (np.abs(seen) <= bound * (1 + 1e-9) + 1e-12).all()


def test_a_box_beyond_the_table_has_no_bound():
    table = Steepest.of(np.ones(12), KNOWN, LOW, HIGH)
    assert np.isinf(table.beyond(np.full((3, 1), 1.2), np.full((3, 1), 0.2))).all()
    # Less than a cell beyond is beyond.
    assert np.isinf(table.beyond(np.full((3, 1), 1.2), np.full((3, 1), 0.1001))).all()
    assert np.isfinite(table.beyond((LOW + HIGH)[:, None] / 2, (HIGH - LOW)[:, None] / 2)).all()


def test_what_cancels_is_not_added_up():
    """Weights that all but cancel between near batches: over a wide box far less than the sum of all their bounds."""
    known = np.repeat(RNG.uniform(-1, 1, (3, 6)), 2, axis=1) + np.tile([0.0, 0.02], 6)
    weights = np.tile([1.0, -1.0], 6) * 10
    wide = np.full((1, 3), 0.5)
    added = curves(np.zeros((1, 3)), known.T, np.eye(3), np.eye(3), wide).sums(weights[None])[2][0, 0]
    assert Steepest.of(weights, known, LOW, HIGH).beyond(np.zeros((3, 1)), wide.T)[0] < 0.3 * added
