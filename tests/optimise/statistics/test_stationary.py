"""Canonical analysis against closed forms."""

import numpy as np
import pytest

from doe.problems import Unavailable
from optimise.statistics.stationary import canonical, quadratic_of


def surface(c, g, H):
    return lambda u: c + u @ g + 0.5 * np.einsum("ni,ij,nj->n", u, H, u)


@pytest.mark.parametrize(
    "eigenvalues, kind",
    [((-1, -2, -3), "maximum"), ((1, 2, 3), "minimum"), ((1, -2, -3), "saddle"), ((-0.01, -2, -3), "ridge")],
)
def test_kind_place_and_eigenvalues(eigenvalues, kind):
    rng = np.random.default_rng(1)
    turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    half, place = turn @ np.diag(eigenvalues) @ turn.T, np.array([0.3, -0.5, 0.2])
    found = canonical(*quadratic_of(surface(7.0 + place @ half @ place, -2 * half @ place, 2 * half), 3))
    assert found.kind == kind
    assert found.place == pytest.approx(place, abs=1e-10)
    assert found.value == pytest.approx(7.0)
    assert found.eigenvalues == pytest.approx(sorted(eigenvalues, reverse=True))


def test_a_plane_has_none_and_says_why():
    found = canonical(*quadratic_of(surface(1.0, np.array([1.0, 2]), np.zeros((2, 2))), 2))
    assert isinstance(found, Unavailable)
    assert "no curvature" in found.reason


def test_a_surface_straight_along_one_way_has_no_single_point():
    found = canonical(1.0, np.array([1.0, 1.0]), np.diag([-2.0, 0.0]))
    assert isinstance(found, Unavailable)
    assert "straight along one direction" in found.reason


def test_a_cubic_is_not_taken_for_a_quadratic():
    assert quadratic_of(lambda u: u[:, 0] ** 3 - u[:, 0] + u[:, 1], 2) is None
