"""The region against published counts, closed forms, and itself under random limits."""

from math import comb

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe import Region, StudyError


def blend(bounds, total=1.0, rows=(), fill=None):
    names = tuple(f"x{i + 1}" for i in range(len(bounds)))
    low, high = np.array(bounds, dtype=float).T
    return Region.build(names, names, total, fill, low, high, rows)


# McLean & Anderson (1966), Technometrics 8, 447-454, from memory: 8 vertices, 12 edges, 6 faces.
FLARE = [(0.40, 0.60), (0.10, 0.50), (0.10, 0.50), (0.03, 0.08)]


def test_flare_has_the_published_counts():
    region = blend(FLARE)
    assert (len(region.vertex_array), len(region.edges()), len(region.face_centroids(2))) == (8, 12, 6)
    assert region.dimension == 3
    assert region.reach["x2"] == pytest.approx((0.10, 0.47))


def test_vinyl_has_the_published_counts():
    # Cornell (1990): 4 vertices and 4 edges for the three bounded plasticisers; bounds read off the published blends.
    region = blend([(0.474, 0.849), (0.0, 0.252), (0.151, 0.274)])
    assert (len(region.vertex_array), len(region.edges())) == (4, 4)


@pytest.mark.parametrize("q", [2, 3, 4, 5, 6])
def test_the_whole_simplex(q):
    region = blend([(0, 1)] * q)
    assert len(region.vertex_array) == q
    for k in range(q - 1):
        assert len(region.face_centroids(k)) == comb(q, k + 1)
    # Moments of the uniform law on a simplex (Dirichlet(1, ..., 1)): mean 1/q, variance (q - 1)/(q^2 (q + 1)).
    X = region.sample(4000, seed=3)
    assert np.allclose(X.mean(axis=0), 1 / q, atol=0.02)
    z = region.whitened(X)
    assert np.allclose(np.cov(z.T), np.eye(q - 1) / 3, atol=0.04)


def test_factors_alone_are_a_cube():
    names = ("a", "b", "c")
    region = Region.build(names, (), None, None, -np.ones(3), np.ones(3))
    assert (len(region.vertex_array), len(region.edges()), len(region.face_centroids(2))) == (8, 12, 6)
    assert region.whitened(np.eye(3)) == pytest.approx(np.eye(3))


def test_flat_directions_are_taken_out():
    region = blend([(0.2, 0.2), (0, 1), (0, 1), (0, 0)])
    assert region.dimension == 1
    assert region.vertices().to_numpy() == pytest.approx(np.array([[0.2, 0, 0.8, 0], [0.2, 0.8, 0, 0]]))


def test_limits_that_force_an_equality_are_seen():
    rows = [({"x1": 1, "x2": 1}, None, 0.4, "x1 + x2 <= 0.4"), ({"x3": 1}, None, 0.6, "x3 <= 0.6")]
    region = blend([(0, 1), (0, 1), (0, 1)], rows=rows)
    assert region.dimension == 1
    assert region.reach["x3"] == pytest.approx((0.6, 0.6))


def test_an_empty_region_names_a_smallest_conflict():
    rows = [({"x1": 1}, 0.7, None, "x1 >= 0.7"), ({"x2": 1}, 0.5, None, "x2 >= 0.5")]
    with pytest.raises(StudyError) as caught:
        blend([(0, 1), (0, 1), (0, 1)], rows=rows)
    (problem,) = caught.value.problems
    assert "x1 >= 0.7" in problem.got
    assert "x2 >= 0.5" in problem.got
    assert "x1 at most" not in problem.got
    assert "0.2" in problem.do


def test_redundant_limits_are_named():
    region = blend([(0, 1), (0, 1), (0, 1)], rows=[({"x1": 1, "x2": 1}, None, 1.5, "x1 + x2 <= 1.5")])
    assert "x1 + x2 <= 1.5" in region.redundant


def random_region(seed, q):
    rng = np.random.default_rng(seed)
    inner = rng.dirichlet(np.ones(q))
    low = inner * rng.uniform(0, 0.9, q)
    high = inner + (1 - inner) * rng.uniform(0.05, 1, q)
    weights = rng.normal(size=q)
    rows = [({f"x{i + 1}": float(w) for i, w in enumerate(weights)}, None, float(weights @ inner) + 0.02, "mixed")]
    return blend(list(zip(low, high, strict=True)), rows=rows), inner


@given(st.integers(0, 10_000), st.integers(2, 6))
def test_vertices_are_vertices_and_reach_is_theirs(seed, q):
    region, inner = random_region(seed, q)
    V = region.vertex_array
    assert region.contains(inner[None])[0]
    assert region.contains(V, 1e-9).all()
    assert np.allclose(V.sum(axis=1), 1, atol=1e-12)
    for j, name in enumerate(region.names):
        assert region.reach[name] == pytest.approx((V[:, j].min(), V[:, j].max()), abs=1e-8)
    # A vertex lies on as many independent rows as there are columns.
    for v in V:
        tight = np.abs(region.A @ v - region.b) < 1e-8
        assert np.linalg.matrix_rank(np.vstack([region.A[tight], np.ones(q)]), tol=1e-7) == q
    assert region.contains(region.sample(50, seed=1), 1e-8).all()


@given(st.integers(0, 10_000), st.permutations(range(4)))
def test_order_of_ingredients_does_not_matter(seed, order):
    region, _ = random_region(seed, 4)
    low = [region.low[i] for i in order]
    high = [region.high[i] for i in order]
    weights = {f"x{k + 1}": float(region.A[-1][i]) for k, i in enumerate(order)}
    other = blend(list(zip(low, high, strict=True)), rows=[(weights, None, float(region.b[-1]), "mixed")])
    ours = {tuple(np.round(v[list(order)], 8) + 0.0) for v in region.vertex_array}
    assert ours == {tuple(np.round(v, 8) + 0.0) for v in other.vertex_array}


def test_coded_and_decoded_are_inverse():
    region = blend(FLARE, fill="x2")
    X = region.sample(20, seed=4)
    assert region.free == ("x1", "x3", "x4")
    assert region.decoded(region.coded(X)) == pytest.approx(X, abs=1e-12)
    down, up = region.line_range(X, np.tile([1.0, -1.0, 0, 0], (20, 1)))
    ends = X + up[:, None] * np.array([1.0, -1.0, 0, 0])
    assert (down <= 0).all()
    assert region.contains(ends).all()
    assert not region.contains(X + (up + 1e-6)[:, None] * np.array([1.0, -1.0, 0, 0])).any()
