"""The region against exact rational arithmetic: every choice of limits solved as fractions, no tolerance anywhere."""

from fractions import Fraction
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe import Region, StudyError


def reduced(rows, k):
    """Gauss-Jordan in fractions: the independent rows (with their right-hand side), reduced, and their pivots."""
    work, pivots = [list(r) for r in rows], []
    for c in range(k):
        at = len(pivots)
        row = next((i for i in range(at, len(work)) if work[i][c]), None)
        if row is None:
            continue
        work[at], work[row] = work[row], work[at]
        work[at] = [v / work[at][c] for v in work[at]]
        for i, other in enumerate(work):
            if i != at and other[c]:
                factor = other[c]
                work[i] = [a - factor * b for a, b in zip(other, work[at], strict=True)]
        pivots.append(c)
    return work[: len(pivots)], pivots


def exact_vertices(upper, equal, k):
    """Every point where k independent rows are met and none is broken; rows are (weights..., side)."""
    _, own = reduced(equal, k)
    found = set()
    for chosen in combinations(upper, k - len(own)):
        solved, pivots = reduced([*equal, *chosen], k)
        if len(pivots) < k:
            continue
        x = tuple(row[k] for row in solved)
        if all(sum(a * v for a, v in zip(row, x, strict=False)) <= row[k] for row in upper) and all(
            sum(a * v for a, v in zip(row, x, strict=False)) == row[k] for row in equal
        ):
            found.add(x)
    return found


def fractions_of(rng, q, total, scales):
    """Bounds on coarse grids, so that limits meet exactly, in corners where more of them pass than are needed."""
    low, high = [], []
    for i in range(q):
        grid = int(rng.choice([4, 10]))
        a, b = sorted(rng.integers(0, grid + 1, 2).tolist())
        low.append(Fraction(a, 2 * grid) * scales[i])
        high.append(max(Fraction(b, grid) * scales[i], low[-1]))
    rows = []
    for _ in range(int(rng.integers(0, 4))):
        weights = [Fraction(int(v)) for v in rng.integers(-2, 3, q)]
        middle = sum((w * (a + b) / 2 for w, a, b in zip(weights, low, high, strict=True)), Fraction(0))
        side = middle if rng.random() < 0.5 else Fraction(round(4 * middle / total), 4) * total
        kind = rng.choice(["at most", "at least", "equal"], p=[0.45, 0.4, 0.15])
        if any(weights):
            rows.append((weights, side, str(kind)))
    return low, high, rows


def compared(low, high, rows, total, fill):
    q = len(low)
    names = tuple(f"x{i + 1}" for i in range(q))
    unit = [[Fraction(int(i == j)) for j in range(q)] for i in range(q)]
    upper = [[*unit[i], high[i]] for i in range(q)] + [[*(-v for v in unit[i]), -low[i]] for i in range(q)]
    equal = [[*[Fraction(1)] * q, Fraction(total)]]
    limits = []
    for weights, side, kind in rows:
        turned = -1 if kind == "at least" else 1
        (equal if kind == "equal" else upper).append([*(turned * w for w in weights), turned * side])
        ends = {"at most": (None, float(side)), "at least": (float(side), None), "equal": (float(side), float(side))}
        limits.append(({n: float(w) for n, w in zip(names, weights, strict=True) if w}, *ends[kind], "limit"))
    want = exact_vertices(upper, equal, q)
    ends = [[float(v) for v in side] for side in (low, high)]
    try:
        region = Region.build(names, names, float(total), names[-1] if fill else None, *ends, limits)
    except StudyError:
        assert not want
        return
    exact = np.array(sorted([float(v) for v in x] for x in want))
    got = region.vertex_array
    assert got.shape == exact.shape
    size = np.abs(exact).max(axis=0) + 1e-300
    nearest = [np.abs((exact - v) / size).max(axis=1).min() for v in got]
    assert max(nearest) < 1e-9
    for j, name in enumerate(names):
        assert region.reach[name] == pytest.approx((exact[:, j].min(), exact[:, j].max()), rel=1e-9, abs=1e-9 * size[j])
    assert np.abs(got.sum(axis=1) - float(total)).max() <= 4e-15 * float(total)


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 1_000_000), st.integers(2, 5), st.sampled_from([1, 100, 10**6, Fraction(1, 10**6)]))
def test_corners_and_reach_are_exact_in_units_large_and_tiny(seed, q, total):
    rng = np.random.default_rng(seed)
    total = Fraction(total)
    compared(*fractions_of(rng, q, total, [total] * q), total, fill=bool(rng.integers(2)))


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 1_000_000))
def test_corners_are_exact_from_a_ten_thousandth_of_a_per_cent_to_ninety_nine(seed):
    rng = np.random.default_rng(seed)
    scales = [Fraction(1, 10_000), Fraction(1, 100), Fraction(1), Fraction(20), Fraction(100)]
    low, high, rows = fractions_of(rng, 5, Fraction(100), scales)
    low[4], high[4] = Fraction(0), Fraction(100)
    compared(low, high, rows, Fraction(100), fill=True)


def test_limits_that_leave_one_recipe_to_the_last_digit():
    # 0.3 + 0.35 + 0.35 is 1 in fractions and a little more in doubles.
    low, high = [Fraction(3, 10), Fraction(7, 20), Fraction(0), Fraction(7, 20)], [Fraction(7, 10)] * 4
    compared(low, high, [], Fraction(1), fill=False)


@pytest.mark.parametrize("angle", [1e-3, 1e-5, 1e-7, 1e-9, 1e-11, 1e-13])
def test_nearly_parallel_limits_make_no_false_corner(angle):
    # x2 <= 0.5 and x2 <= 0.5 + angle (0.25 - x1) cross at x1 = 0.25: a corner while it can be told, then none.
    rows = [
        ({"x2": 1.0}, None, 0.5, "level"),
        ({"x2": 1.0, "x1": angle}, None, 0.5 + angle * 0.25, "turned"),
    ]
    region = Region.build(("x1", "x2", "x3"), ("x1", "x2", "x3"), 1.0, "x3", [0, 0, 0], [0.5, 1, 1], rows)
    V = region.vertex_array
    assert region.contains(V).all()
    assert len(V) in ((5,) if angle >= 1e-7 else (4, 5))
    assert region.reach["x2"] == pytest.approx((0, 0.5), abs=1e-9)
    # Corners stand apart.
    apart = np.abs(V[:, None] - V[None]).max(axis=2) + np.eye(len(V))
    assert apart.min() > 1e-9
