"""The bound over the whole region: never below any point, exact where the answer is known."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe.bernstein import triangulate, upper_bound


def polynomial(degree):
    def model(X):
        n, d = X.shape
        columns = [np.ones(n)]
        for k in range(1, degree + 1):
            columns += [np.prod(X[:, list(c)], axis=1) for c in itertools.combinations_with_replacement(range(d), k)]
        return np.column_stack(columns)

    return model


@given(st.integers(0, 10_000), st.integers(1, 4), st.integers(1, 3))
def test_no_point_exceeds_the_bound(seed, dimension, degree):
    rng = np.random.default_rng(seed)
    vertices = rng.normal(size=(dimension + 4, dimension))
    model = polynomial(degree)
    p = model(vertices).shape[1]
    root = rng.normal(size=(p, p))
    q = (root + root.T) / 2 if degree == 1 else root @ root.T
    bound = upper_bound(vertices, model, q, degree=degree, tolerance=0.01, most_cells=400)
    inside = rng.dirichlet(np.ones(len(vertices)) * 0.3, 500) @ vertices
    rows = model(inside)
    values = np.einsum("np,pq,nq->n", rows, q, rows)
    slack = 1e-9 * max(1.0, abs(bound.upper))
    assert values.max() <= bound.upper + slack
    assert bound.seen <= bound.upper + slack


def test_known_maximum_of_a_quartic():
    # (1 - x^2)^2 on [-1, 2] is greatest at x = 2, with the value 9; on [-1, 1] at 0, with the value 1.
    q = np.outer([1.0, 0, -1.0], [1.0, 0, -1.0])
    model = polynomial(2)
    far = upper_bound(np.array([[-1.0], [2.0]]), model, q, degree=2, tolerance=1e-6)
    near = upper_bound(np.array([[-1.0], [1.0]]), model, q, degree=2, tolerance=1e-6)
    assert far.upper == pytest.approx(9, rel=2e-6)
    assert near.upper == pytest.approx(1, rel=2e-6)


def test_equivalence_theorem_on_the_square():
    # Kiefer & Wolfowitz (1960): at a D-optimal approximate design the greatest variance is the number of terms.
    # Weights of the nine-point optimum for the quadratic on the square: Farrell, Kiefer & Walbran (1967), from memory.
    points = np.array(list(itertools.product((-1.0, 0.0, 1.0), repeat=2)))
    kind = (points != 0).sum(axis=1)
    weights = np.select([kind == 2, kind == 1], [0.1458, 0.0802], 0.0962)
    rows = polynomial(2)(points)
    q = np.linalg.inv(rows.T @ ((weights / weights.sum())[:, None] * rows))
    bound = upper_bound(points[kind == 2], polynomial(2), q, degree=2, tolerance=0.001)
    assert 6.0 <= bound.upper <= 6.0 * 1.003


def test_simplices_fill_the_cube():
    cube = np.array(list(itertools.product((0.0, 1.0), repeat=4)))
    pieces = triangulate(cube)
    volume = np.abs(np.linalg.det(pieces[:, 1:] - pieces[:, :1])).sum() / 24
    assert volume == pytest.approx(1.0, abs=1e-12)
