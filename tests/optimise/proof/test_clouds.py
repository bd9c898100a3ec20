"""Bells and curves near a place: values and derivatives by differences, and no value beyond the bounds of its box."""

import numpy as np
import pytest

from optimise.proof.clouds import _fourth_along, _third, _third_along, bells, curves
from optimise.statistics.kernels import kernels

RNG = np.random.default_rng(12)
TURN, ORIGIN = RNG.normal(size=(4, 3)) / 2, RNG.uniform(-0.3, 0.3, 4)
MADE = RNG.uniform(-1, 1, (9, 3))
KNOWN = ORIGIN + MADE @ TURN.T
AXES = np.vstack([np.eye(4)[:3], np.full((1, 4), 0.5)])
KINDS = {"bells": lambda z, w: bells(z, KNOWN, TURN, w), "curves": lambda z, w: curves(z, KNOWN, AXES, TURN, w)}


def values(kind, t, a):
    """The kernel from the places at coordinates a + t to the known ones, (n, m)."""
    return getattr(kernels(ORIGIN + (a + t) @ TURN.T, KNOWN, AXES), kind)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("width", [0.02, 0.2, 1.0])
def test_no_sum_leaves_its_bounds(kind, width):
    a, w = RNG.uniform(-1, 1, (60, 3)), RNG.uniform(0.1, 1, (60, 3)) * width
    # Some places lie on a batch, where a kernel's third derivative turns its sign.
    a[:9] = MADE
    near = KINDS[kind](ORIGIN + a @ TURN.T, w)
    assert near.value == pytest.approx(values(kind, 0, a), abs=1e-12)
    weights = RNG.normal(size=(5, 9)) * RNG.choice([0.1, 1, 10], (5, 9))
    slope, bend, beyond = near.sums(weights)
    for turn in range(80):
        t = w * (RNG.choice([-1.0, 1.0], w.shape) if turn % 2 else RNG.uniform(-1, 1, w.shape))
        now = values(kind, t, a)
        seen = (now - values(kind, 0, a)) @ weights.T - np.einsum("ncd,nd->nc", slope, t)
        assert (np.abs(seen - 0.5 * np.einsum("nd,ncde,ne->nc", t, bend, t)) <= beyond + 1e-10).all()
        # From its own top a kernel falls no more than `fall`, and that no more than its bend there allows.
        top = kernels((t @ TURN.T), np.zeros((1, 4)), AXES)
        fell = 1 - getattr(top, kind)[:, 0]
        assert (fell <= near.fall + 1e-12).all()
    assert (near.fall <= near.dip + 1e-12).all()


def test_curves_are_bounded_the_closer_the_smaller_the_box():
    """Beyond the bend a sum is all but cubic: in a box of half the size an eighth of the bound is left."""
    a = RNG.uniform(-1, 1, (40, 3))
    weights = RNG.normal(size=(1, 9))
    whole, half = (KINDS["curves"](ORIGIN + a @ TURN.T, np.full((40, 3), w)).sums(weights)[2] for w in (0.02, 0.01))
    assert half == pytest.approx(whole / 8, rel=0.2)


@pytest.mark.parametrize(
    ("bound", "of"),
    [
        (_third, lambda a: a * np.exp(-a) * np.abs(3 * np.linspace(0, 1, 400) - a * np.linspace(0, 1, 400) ** 3).max()),
        (_third_along, lambda a: a * abs(3 - a) * np.exp(-a)),
        (_fourth_along, lambda a: abs(3 - 5 * a + a * a) * np.exp(-a)),
    ],
)
def test_bounds_are_the_greatest_from_there_on(bound, of):
    grid = np.linspace(0, 14, 2801)
    sizes = np.array([of(a) for a in grid])
    most = np.maximum.accumulate(sizes[::-1])[::-1]
    assert bound(grid) == pytest.approx(most, abs=2e-3)
    assert (bound(grid) >= most - 1e-15).all()
