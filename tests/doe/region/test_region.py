"""The region against published counts, closed forms, and itself under random limits."""

import time
from math import comb, factorial, prod

import numpy as np
import pytest
from hypothesis import given, settings
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


# Cornell (1990), How to Run Mixture Experiments for Product Quality, ASQC vol. 5: the nine blends of the vinyl example
# are 4 vertices, 4 edge middles and the centroid; the bounds of the three plasticisers as its design file has them.
VINYL = [(0.409, 0.849), (0.0, 0.252), (0.151, 0.274)]


def test_vinyl_has_the_published_counts():
    region = blend(VINYL)
    assert (len(region.vertex_array), len(region.edges())) == (4, 4)
    # Two sides of the triangle's bounds do not show: x1 never comes down to its 0.409.
    assert region.reach["x1"] == pytest.approx((0.474, 0.849))
    assert "x1 at least 0.409" in region.redundant


def test_flare_centroids_are_the_published_blends():
    # McLean & Anderson (1966), the seven centroids of their 15 blends, from memory.
    faces = [
        (0.5, 0.1, 0.345, 0.055),
        (0.5, 0.345, 0.1, 0.055),
        (0.4, 0.2725, 0.2725, 0.055),
        (0.6, 0.1725, 0.1725, 0.055),
        (0.5, 0.235, 0.235, 0.03),
        (0.5, 0.21, 0.21, 0.08),
    ]
    region = blend(FLARE)
    # Face centroids come in lexicographic order.
    assert region.face_centroids(2) == pytest.approx(np.array(sorted(faces)))
    assert list(region.centroid.values()) == pytest.approx((0.5, 0.2225, 0.2225, 0.055))


def test_what_cannot_be_listed_is_said_and_all_else_is_there():
    # Half the cube of 24 dimensions cut through its middle: millions of corners.
    region = blend([(0, 0.1)] * 24)
    assert not region.has_corners
    for ask in (lambda: region.vertex_count, region.vertices, region.edges, lambda: region.face_centroids(2)):
        with pytest.raises(StudyError, match="corners"):
            ask()
    assert region.reach["x7"] == pytest.approx((0, 0.1))
    assert region.contains(region.sample(200, seed=1), 1e-8).all()
    middle = np.array(list(region.centroid.values()))
    # By symmetry the centre of mass is the same share of each; drawn points tell it to a few per cent.
    assert middle == pytest.approx(np.full(24, 1 / 24), rel=0.03)
    assert middle.sum() == pytest.approx(1, abs=1e-12)


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
    assert 'change "x1 >= 0.7" to "x1 >= 0.5"' in problem.do
    assert 'change "x2 >= 0.5" to "x2 >= 0.3"' in problem.do


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


@settings(deadline=None, max_examples=40)
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


@settings(deadline=None, max_examples=40)
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


def test_a_box_of_many_factors_costs_nothing():
    names = tuple(f"f{i}" for i in range(20))
    region = Region.build(names, (), None, None, -np.ones(20), np.ones(20))
    assert region.vertex_count == 2**20
    assert region.centroid["f7"] == 0
    with pytest.raises(StudyError, match="corners"):
        region.vertices()


def test_no_corner_stands_twice():
    # Bounds with few digits make corners in which more limits meet than are needed.
    rows = [({"x1": 1, "x2": 1}, None, 0.5, "x1 + x2 <= 0.5"), ({"x1": 1, "x3": -1}, None, 0.0, "x1 <= x3")]
    region = blend([(0, 0.5), (0, 0.5), (0, 0.5), (0, 0.5)], rows=rows)
    V = region.vertex_array
    assert len(np.unique(np.round(V, 8), axis=0)) == len(V)
    assert (np.lexsort(V.T[::-1]) == np.arange(len(V))).all()


def test_levels_carry_no_dust():
    region = blend([(0.3, 0.8), (2, 6), (0.5, 3), (0, np.inf)], total=100.0, fill="x4")
    V = region.vertex_array
    assert set(V[:, 0]) == {0.3, 0.8}
    assert np.abs(V.sum(axis=1) - 100).max() <= 1e-12
    assert 90.2 in V[:, 3]


def test_what_would_open_an_empty_region_is_named():
    with pytest.raises(StudyError) as caught:
        blend([(30, 50), (40, 50), (40, 50)], total=100)
    (problem,) = caught.value.problems
    assert problem.code == "empty-region"
    for words in ("x1 at least 30", "x2 at least 40", "x3 at least 40", "all that varies adds up to 100"):
        assert words in problem.got
    assert "let x1 go down to 20" in problem.do
    assert "add up to" not in problem.do
    opened = blend([(20, 50), (40, 50), (40, 50)], total=100)
    assert opened.vertices().to_numpy().tolist() == [[20, 40, 40]]


def test_no_ingredient_is_let_below_nothing():
    # Only a level of x3 below 0 would open this by a change of x3; the others are offered.
    with pytest.raises(StudyError) as caught:
        blend([(0.5, 1), (0.4, 1), (0.15, 1)])
    (problem,) = caught.value.problems
    offers = "let x1 go down to 0.45; or let x2 go down to 0.35; or let x3 go down to 0.1"
    assert problem.do.startswith(f"change one: {offers}")
    with pytest.raises(StudyError) as caught:
        blend([(0.7, 1), (0.6, 1), (0.15, 1)])
    (problem,) = caught.value.problems
    assert "x3 at least" not in problem.do


def test_conflicts_that_share_nothing_are_each_told():
    rows = [({"x1": 1}, 0.9, None, "x1 >= 0.9"), ({"x2": 1}, 0.3, None, "x2 >= 0.3")]
    with pytest.raises(StudyError) as caught:
        blend([(0, 0.85), (0, 0.2), (0, 1)], rows=rows)
    first, second = caught.value.problems
    assert "x1 at most 0.85; x1 >= 0.9" in first.got
    assert "x2 at most 0.2; x2 >= 0.3" in second.got
    assert "let x1 go up to 0.9" in first.do


def test_bad_bounds_are_all_named():
    with pytest.raises(StudyError) as caught:
        blend([(0.5, 0.2), (0, 1), (0, 1)], rows=[({"x9": 1}, None, 1, "x9 <= 1")])
    assert {p.code for p in caught.value.problems} == {"bad-bounds", "unknown-name"}


def test_twelve_ingredients_with_several_limits_stay_interactive():
    rng = np.random.default_rng(1)
    names = [f"x{i + 1}" for i in range(12)]
    rows = [
        (dict.fromkeys(rng.choice(names, 4, replace=False), 1.0), None, 0.4 + 0.05 * i, f"limit {i}") for i in range(5)
    ]
    start = time.process_time()
    region = blend([(0.02, 0.14 + 0.01 * i) for i in range(12)], rows=rows)
    assert region.vertex_count > 5000
    assert region.contains(region.vertex_array).all()
    # Measured 0.15 s; the bound leaves room for a slow machine.
    assert time.process_time() - start < 5


def dirichlet_moment(powers):
    """E of prod x_i^a_i for uniform points of the simplex: Gamma(q) prod a_i! / Gamma(q + sum a)."""
    return factorial(len(powers) - 1) * prod(factorial(a) for a in powers) / factorial(len(powers) - 1 + sum(powers))


@pytest.mark.parametrize("q", [3, 5, 9])
def test_uniform_points_have_the_moments_of_the_simplex(q):
    # q = 9 is too thin a part of its box to be hit by chance, and takes the walk.
    region = blend([(0, 1)] * q)
    X = region.sample(20_000, seed=5)
    assert region.contains(X).all()
    assert (region.sample(20_000, seed=5) == X).all()
    for powers in ([1], [2], [3], [1, 1]):
        full = powers + [0] * (q - len(powers))
        got = np.prod(X[:, : len(powers)] ** powers, axis=1)
        # Four standard errors; the walk's points are nearly independent.
        assert abs(got.mean() - dirichlet_moment(full)) < 4 * got.std() / np.sqrt(len(X)) * 1.5


def test_whitened_products_do_not_depend_on_the_fill():
    one, other = blend(FLARE, fill="x2"), blend(FLARE, fill="x4")
    X = one.sample(10, seed=1)
    a, b = one.whitened(X), other.whitened(X)
    assert a @ a.T == pytest.approx(b @ b.T, abs=1e-9)


def test_a_direction_that_leaves_the_total_leads_nowhere():
    region = blend(FLARE)
    assert region.line_range(region.interior, np.array([1.0, 0, 0, 0])) == (0, 0)


def test_a_fixed_ratio_is_an_equality():
    region = blend([(0, 1), (0, 1), (0, 1)], rows=[({"x1": 1, "x2": -4}, 0.0, 0.0, "x1 = 4 x2")])
    assert region.dimension == 1
    assert region.vertices().to_numpy() == pytest.approx(np.array([[0, 0, 1], [0.8, 0.2, 0]]))


def test_nothing_to_vary_is_one_point():
    region = blend([(0.2, 0.2), (0.8, 0.8)])
    assert (region.dimension, region.vertex_count) == (0, 1)
    assert region.sample(3, seed=1).tolist() == [[0.2, 0.8]] * 3
    assert region.decoded(np.zeros((2, 0))).tolist() == [[0.2, 0.8]] * 2
