"""The bound by sums of squares: above every plan, equal to the optimum where that is known."""

from itertools import combinations, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.ideal.relaxation import Part, limit
from doe.search.exchange import Criterion


def quadratic(U):
    d = U.shape[1]
    pairs = [U[:, i] * U[:, j] for i in range(d) for j in range(i, d)]
    return np.column_stack([np.ones(len(U)), U, *pairs])[None]


def part(G, h, support, shares, rows=quadratic, degree=2, seed=0):
    rng = np.random.default_rng(seed)
    trial = rng.uniform(-1, 1, size=(60_000, G.shape[1]))
    inside = trial[(trial @ G.T <= h).all(axis=1)][:900]
    points = np.concatenate([inside, support])
    weights = np.concatenate([np.full(len(inside), 0.4 / len(inside)), 0.6 * np.asarray(shares)])
    return Part(G, h, degree, rows, points, weights, support, np.asarray(shares))


def cube(d):
    return np.vstack([np.eye(d), -np.eye(d)]), np.ones(2 * d)


def logdet(rows, U, shares):
    F = rows(U)[0]
    return np.linalg.slogdet(F.T @ (np.asarray(shares)[:, None] * F))[1] / F.shape[1]


def test_the_square():
    # Farrell, Kiefer & Walbran (1967), from memory: the determinant of the best quadratic design is 0.01142700.
    points = np.array(list(product((-1.0, 0.0, 1.0), repeat=2)))
    shares = np.array([0.096193028, 0.080160849, 0.145790894])[np.abs(points).sum(axis=1).astype(int)]
    shares = shares / shares.sum()
    criterion = Criterion("D", np.eye(6), np.zeros((6, 6)))
    value, Q = limit(criterion, criterion.prior, [part(*cube(2), points, shares)])
    known = np.log(0.01142700) / 6
    assert known - 1e-6 <= value <= known + 1e-3
    # The Q that proves it: nowhere above the number of terms by more than the gap.
    U = np.random.default_rng(1).uniform(-1, 1, size=(5000, 2))
    d = np.einsum("np,pq,nq->n", quadratic(U)[0], Q, quadratic(U)[0])
    assert d.max() <= 6 * np.exp(value - known) * 1.01


@pytest.mark.parametrize("q", [3, 4, 5, 6])
def test_scheffe_quadratic_on_the_simplex(q):
    # Kiefer (1961), from memory: equal weights on corners and edge middles. In x = (1 + u) / 2 of the first q - 1.
    d = q - 1
    G = np.vstack([-np.eye(d), np.ones((1, d)) / np.sqrt(d)])
    h = np.append(np.ones(d), (2 - d) / np.sqrt(d))
    eye = np.eye(q)
    X = np.array([*eye, *((eye[i] + eye[j]) / 2 for i, j in combinations(range(q), 2))])
    U, shares = 2 * X[:, :d] - 1, np.full(len(X), 1 / len(X))
    p = len(X)
    rng = np.random.default_rng(2)
    inside = 2 * rng.dirichlet(np.ones(q), 1500)[:, :d] - 1
    points = np.concatenate([inside, U])
    weights = np.concatenate([np.full(1500, 0.4 / 1500), 0.6 * shares])
    criterion = Criterion("D", np.eye(p), np.zeros((p, p)))
    value, _ = limit(criterion, criterion.prior, [Part(G, h, 2, quadratic, points, weights, U, shares)])
    known = logdet(quadratic, U, shares)
    assert known - 1e-9 <= value <= known + 1.5e-3


@settings(deadline=None, max_examples=15)
@given(st.integers(0, 10_000), st.integers(1, 3), st.sampled_from("DL"), st.booleans())
def test_no_plan_passes_the_limit(seed, d, kind, prior):
    rng = np.random.default_rng(seed)
    G, h = cube(d)
    cut = rng.normal(size=(1, d))
    G, h = np.vstack([G, cut / np.linalg.norm(cut)]), np.append(h, rng.uniform(0.1, 0.8))
    trial = rng.uniform(-1, 1, size=(4000, d))
    U = trial[(trial @ G.T <= h).all(axis=1)][:400]
    p = quadratic(U).shape[2]
    root = rng.normal(size=(p, p))
    R = np.diag(rng.uniform(0, 0.1, p)) if prior else np.zeros((p, p))
    criterion = Criterion(kind, root @ root.T + np.eye(p), R)
    value, Q = limit(criterion, R, [part(G, h, U[:30], np.full(30, 1 / 30), seed=seed)])
    assert np.isfinite(value)
    assert Q.any()
    F = quadratic(U)[0]
    w = np.full(len(U), 1 / len(U))
    for _ in range(60):
        # Multiplicative steps towards the best weights on these points (Titterington 1976).
        V = np.linalg.inv(F.T @ (w[:, None] * F) + R)
        own = np.log(np.linalg.det(V)) / -p if kind == "D" else np.trace(V @ criterion.weight)
        assert own <= value + 1e-9 if kind == "D" else own >= value * (1 - 1e-9)
        S = V if kind == "D" else V @ criterion.weight @ V
        d_ = np.einsum("np,pq,nq->n", F, S, F)
        w = w * (d_ if kind == "D" else np.sqrt(d_))
        w /= w.sum()
