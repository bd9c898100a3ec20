"""Kernels against Bessel functions, their slopes against differences."""

import numpy as np
import pytest
from scipy import special

from optimise.statistics.kernels import Around, bell, bell_and_pull, kernels, kernels_with_slopes

RNG = np.random.default_rng(3)
PLACES, KNOWN = RNG.uniform(-1, 1, (5, 3)), RNG.uniform(-1, 1, (7, 3))
AXES = np.array([[1.0, 0.0, 0.0], [0.0, 0.6, 0.8]])


def test_the_bell_is_the_matern_kernel_of_order_five_halves():
    """Rasmussen & Williams (2006), Gaussian Processes for Machine Learning, eq. 4.14, at length 1."""
    r = np.geomspace(1e-3, 8, 40)
    a = np.sqrt(5) * r
    assert bell(r) == pytest.approx(2**-1.5 / special.gamma(2.5) * a**2.5 * special.kv(2.5, a), rel=1e-8)
    value, pull = bell_and_pull(r)
    assert value == pytest.approx(bell(r), rel=1e-14)
    assert pull * r == pytest.approx((bell(r + 1e-6) - bell(r - 1e-6)) / 2e-6, abs=1e-8)
    assert [part.tolist() for part in bell_and_pull(np.zeros(1))] == [[1.0], [-5 / 3]]


def test_curves_are_the_mean_of_bells_along_the_axes():
    near = kernels(PLACES, KNOWN, AXES)
    offset = PLACES[:, None] - KNOWN
    along = [bell(np.abs(offset @ axis)) for axis in AXES]
    assert near.curves == pytest.approx(np.mean(along, axis=0))
    assert near.bells == pytest.approx(bell(np.linalg.norm(offset, axis=2)))
    whole = 0.25 * near.dots + 0.09 * near.dots**2 + 4 * near.bells + 9 * near.curves
    assert near.mixed(np.array([[0.25, 0.09, 4.0, 9.0]]))[0] == pytest.approx(whole)


def test_slopes_of_sums_are_those_of_their_values():
    places = np.vstack([PLACES, KNOWN[:1]])  # one of them a known place
    weights = RNG.normal(size=(3, 2, 1, 7)) * np.ones((3, 2, 6, 7))
    near, steep = kernels_with_slopes(places, KNOWN, AXES)
    assert near.bells == pytest.approx(kernels(places, KNOWN, AXES).bells)

    def total(z):
        found = kernels(z, KNOWN, AXES)
        kinds = (found.dots, found.bells, found.curves)
        return sum(kind @ weight[:, 0].T for weight, kind in zip(weights, kinds, strict=True))

    slope = steep.of(*weights)
    for j, step in enumerate(1e-6 * np.eye(3)):
        assert slope[:, :, j] == pytest.approx((total(places + step) - total(places - step)) / 2e-6, abs=1e-8)


def test_bends_are_those_of_the_values():
    start, turn = KNOWN[0], RNG.normal(size=(3, 2))
    U = np.vstack([np.zeros(2), RNG.normal(size=(5, 2))])
    places, weights = start + U @ turn.T, RNG.normal(size=(2, 4, 7))
    around = Around.of(KNOWN, AXES, start, turn)
    bells, curves, change = around.with_bends(U)
    again = kernels(places, KNOWN, AXES)
    assert around.inner(U) == pytest.approx(again.dots)
    assert bells == pytest.approx(again.bells)
    assert curves == pytest.approx(again.curves)
    for mine, other in zip(around.kernels(U), (bells, curves), strict=True):
        assert mine == pytest.approx(other)

    def slopes(z):
        every = [np.broadcast_to(part[:, None], (4, len(z), 7)) for part in (np.zeros((4, 7)), *weights)]
        return kernels_with_slopes(z, KNOWN, AXES)[1].of(*every) @ turn

    assert change.slopes(*weights) == pytest.approx(slopes(places))
    bends = change.bends(*weights)
    for j, step in enumerate(1e-6 * turn.T):
        assert bends[..., j] == pytest.approx((slopes(places + step) - slopes(places - step)) / 2e-6, abs=1e-7)
