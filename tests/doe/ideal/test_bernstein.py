"""The bound over the whole region: never below any point, exact where the answer is known."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import Delaunay

from doe.ideal.bernstein import search


def polynomial(degree):
    def model(X):
        n, d = X.shape
        columns = [np.ones(n)]
        for k in range(1, degree + 1):
            columns += [np.prod(X[:, list(c)], axis=1) for c in itertools.combinations_with_replacement(range(d), k)]
        return np.column_stack(columns)

    return model


def pieces(vertices):
    return vertices[Delaunay(vertices).simplices] if vertices.shape[1] > 1 else np.sort(vertices, axis=0)[None, [0, -1]]


def values(model, q, X):
    rows = model(X)
    return np.einsum("np,pq,nq->n", rows, q, rows)


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 10_000), st.integers(1, 4), st.integers(1, 3), st.floats(0.5, 1.5))
def test_no_point_exceeds_a_proven_level_and_a_refused_one_is_exceeded(seed, dimension, degree, share):
    rng = np.random.default_rng(seed)
    vertices = rng.normal(size=(dimension + 4, dimension))
    model = polynomial(degree)
    p = model(vertices).shape[1]
    root = rng.normal(size=(p, p))
    q = root @ root.T
    inside = rng.dirichlet(np.ones(len(vertices)) * 0.3, 3000) @ vertices
    level = share * values(model, q, inside).max()
    done = search(pieces(vertices), model, q, degree=degree, level=level, most_work=1e8)
    if done.closed:
        assert values(model, q, inside).max() <= done.upper
        assert level <= done.upper <= 1.0005 * level
    elif done.seen > level:
        assert values(model, q, done.place[None])[0] == pytest.approx(done.seen, rel=1e-3)
        hull = Delaunay(vertices) if dimension > 1 else None
        assert hull is None or hull.find_simplex(done.place, tol=1e-5) >= 0
    else:
        assert done.work > 1e8


@pytest.mark.parametrize("ends,most", [((-1.0, 2.0), 9.0), ((-1.0, 1.0), 1.0)])
def test_known_maximum_of_a_quartic(ends, most):
    # (1 - x^2)^2 on [-1, 2] is greatest at x = 2, with the value 9; on [-1, 1] at 0, with the value 1.
    q = np.outer([1.0, 0, -1.0], [1.0, 0, -1.0])
    line = np.array([[[ends[0]], [ends[1]]]])
    over = search(line, polynomial(2), q, degree=2, level=most * (1 + 1e-6), most_work=1e7)
    assert over.closed
    assert over.upper == pytest.approx(most, rel=1e-4)
    under = search(line, polynomial(2), q, degree=2, level=most * (1 - 1e-3), most_work=1e7)
    assert not under.closed
    assert under.seen > most * (1 - 1e-3)


def test_equivalence_theorem_on_the_square():
    # Kiefer & Wolfowitz (1960): at a D-optimal approximate design the greatest variance is the number of terms.
    # Weights of the nine-point optimum for the quadratic on the square: Farrell, Kiefer & Walbran (1967), from memory.
    points = np.array(list(itertools.product((-1.0, 0.0, 1.0), repeat=2)))
    kind = (points != 0).sum(axis=1)
    weights = np.select([kind == 2, kind == 1], [0.145790894, 0.080160849], 0.096193028)
    rows = polynomial(2)(points)
    q = np.linalg.inv(rows.T @ ((weights / weights.sum())[:, None] * rows))
    square = pieces(points[kind == 2])
    assert search(square, polynomial(2), q, degree=2, level=6 * (1 + 1e-5), most_work=1e8).closed
    assert not search(square, polynomial(2), q, degree=2, level=6 * (1 - 1e-5), most_work=1e8).closed


def test_a_search_cut_short_proves_nothing():
    q = np.outer([1.0, 0, -1.0], [1.0, 0, -1.0])
    line = np.array([[[-1.0], [1.5]]])
    done = search(line, polynomial(2), q, degree=2, level=1.57, most_work=1.0)
    assert not done.closed
    assert done.upper == np.inf
    assert search(line, polynomial(2), q, degree=2, level=1.57, most_work=1e6).closed


def test_a_linear_model_is_decided_without_splitting():
    # The square of a linear function is convex, so that its coefficients are greatest at corners.
    rng = np.random.default_rng(6)
    vertices = rng.normal(size=(12, 4))
    root = rng.normal(size=(5, 5))
    q = root @ root.T
    most = values(polynomial(1), q, vertices).max()
    done = search(pieces(vertices), polynomial(1), q, degree=1, level=most * (1 + 1e-9), most_work=1e9)
    assert done.closed
    assert done.upper == pytest.approx(most, rel=1e-8)
