"""Corners, edges, faces and the fan of simplices against closed forms and a reference library."""

from itertools import combinations, product
from math import comb, factorial

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import ConvexHull

from doe.region.polytope import TooManyError, centroids, corners, faces, fan


def unit(G, h):
    G, h = np.array(G, dtype=float), np.array(h, dtype=float)
    length = np.linalg.norm(G, axis=1)
    return G / length[:, None], h / length


def cube(d):
    return np.vstack([np.eye(d), -np.eye(d)]), np.ones(2 * d)


def counts(found):
    return [len(faces(found, k)) for k in range(found.points.shape[1])]


@pytest.mark.parametrize("d", [1, 2, 3, 4, 5])
def test_cube(d):
    # Faces of the d-cube: C(d, k) 2^(d-k) of dimension k (Coxeter, Regular Polytopes, from memory).
    found = corners(*cube(d))
    assert counts(found) == [comb(d, k) * 2 ** (d - k) for k in range(d)]
    assert len(fan(found, 10_000)) == factorial(d)


@pytest.mark.parametrize("d", [2, 3, 4, 5])
def test_cross_polytope_where_many_rows_meet_in_each_corner(d):
    # Faces of the cross-polytope: C(d, k+1) 2^(k+1) of dimension k; each corner lies on 2^(d-1) rows.
    found = corners(*unit(list(product((-1, 1), repeat=d)), np.ones(2**d)))
    assert counts(found) == [comb(d, k + 1) * 2 ** (k + 1) for k in range(d)]


@pytest.mark.parametrize(("q", "k"), [(4, 2), (5, 2), (6, 3)])
def test_hypersimplex(q, k):
    # 0 <= x <= 1 with sum k: C(q, k) corners, each joined to k (q - k) others, which differ in one exchange.
    d = q - 1
    total = np.ones((1, d))
    G = np.vstack([np.eye(d), -np.eye(d), total, -total])
    # u = 2 x - 1 in the first q - 1; the last is k - sum x, between 0 and 1.
    h = np.concatenate([np.ones(2 * d), [2 * k - d], [-(2 * (k - 1) - d)]])
    found = corners(*unit(G, h))
    assert len(found.points) == comb(q, k)
    assert len(found.edges) == comb(q, k) * k * (q - k) // 2


def random_polytope(seed, d, m):
    rng = np.random.default_rng(seed)
    G, h = cube(d)
    cuts = rng.normal(size=(m, d))
    cuts /= np.linalg.norm(cuts, axis=1, keepdims=True)
    return np.vstack([G, cuts]), np.concatenate([h, rng.uniform(0.2, 1.2, m)])


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 100_000), st.integers(2, 5), st.integers(0, 5))
def test_random_polytopes_obey_euler_and_agree_with_qhull(seed, d, m):
    G, h = random_polytope(seed, d, m)
    found = corners(G, h)
    assert (found.points @ G.T <= h + 1e-9).all()
    ranks = [np.linalg.matrix_rank(G[np.abs(G @ u - h) < 1e-8], tol=1e-8) for u in found.points]
    assert set(ranks) == {d}
    # Euler's relation: the alternating sum of face counts, the polytope itself included, is 1.
    assert sum((-1) ** k * n for k, n in enumerate([*counts(found), 1])) == 1
    cells = found.points[fan(found, 100_000)]
    volume = np.abs(np.linalg.det(cells[:, 1:] - cells[:, :1])).sum() / factorial(d)
    hull = ConvexHull(found.points)
    assert volume == pytest.approx(hull.volume, rel=1e-9)
    assert len(hull.vertices) == len(found.points)


def test_edges_are_those_along_which_all_but_one_row_stay():
    G, h = random_polytope(3, 4, 4)
    found = corners(G, h)
    joined = {tuple(edge) for edge in found.edges.tolist()}
    for i, j in combinations(range(len(found.points)), 2):
        shared = found.tight[i] & found.tight[j]
        assert ((i, j) in joined) == (np.linalg.matrix_rank(G[shared], tol=1e-8) == 3 if shared.any() else False)


def test_centroids_are_means_of_corners():
    found = corners(*cube(3))
    middle = centroids(found, 2)
    assert sorted(map(tuple, middle.tolist())) == sorted(
        tuple(s * (j == i) + 0.0 for i in range(3)) for j in range(3) for s in (-1.0, 1.0)
    )
    assert centroids(found, 4).shape == (0, 3)


def test_a_fan_that_would_be_too_large_is_refused():
    assert fan(corners(*cube(4)), 23) is None


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 100_000), st.integers(1, 4), st.integers(0, 5))
def test_cutting_finds_what_trying_every_choice_of_rows_finds(seed, d, m):
    G, h = random_polytope(seed, d, m)
    tried = []
    for rows in map(list, combinations(range(len(h)), d)):
        if abs(np.linalg.det(G[rows])) > 1e-9:
            u = np.linalg.solve(G[rows], h[rows])
            if (G @ u <= h + 1e-9).all():
                tried.append(u)
    want = np.unique(np.round(tried, 7) + 0.0, axis=0)
    assert np.round(corners(G, h).points, 7) + 0.0 == pytest.approx(want)


@pytest.mark.parametrize("d", [13, 16, 24])
def test_a_simplex_of_many_dimensions(d):
    # u >= -1 and sum u <= 2 - d: d + 1 corners, each joined to all others. A box to start from would have 2^24 corners.
    G = np.vstack([-np.eye(d), np.ones((1, d))])
    found = corners(*unit(G, np.concatenate([np.ones(d), [2.0 - d]])))
    assert len(found.points) == d + 1
    assert len(found.edges) == d * (d + 1) // 2


def test_a_cube_of_thirteen_dimensions_cut_from_a_simplex():
    found = corners(*cube(13))
    assert (len(found.points), len(found.edges)) == (2**13, 13 * 2**12)


def test_too_many_corners_are_refused_and_not_waited_for():
    with pytest.raises(TooManyError):
        corners(*cube(20))
