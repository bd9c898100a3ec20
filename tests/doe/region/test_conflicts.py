"""Smallest conflicts against trying every set of limits; nothing here rests on the search it checks."""

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from doe.region.conflicts import conflicts
from doe.region.feasible import Rows


def rows_of(A, b, E=None, e=None):
    A, b = np.array(A, dtype=float), np.array(b, dtype=float)
    E = np.zeros((0, A.shape[1])) if E is None else np.array(E, dtype=float)
    e = np.zeros(0) if e is None else np.array(e, dtype=float)
    return Rows(A, b, ("",) * len(b), E, e, ("",) * len(e))


def can_be_met(rows, chosen):
    upper, equal = [i for e, i in chosen if not e], [i for e, i in chosen if e]
    k = rows.A.shape[1]
    found = linprog(
        np.zeros(k),
        A_ub=rows.A[upper] if upper else None,
        b_ub=rows.b[upper] if upper else None,
        A_eq=rows.E[equal] if equal else None,
        b_eq=rows.e[equal] if equal else None,
        bounds=(None, None),
    )
    return found.status == 0


def smallest_by_trying(rows, law):
    every = [(False, i) for i in range(len(rows.b))] + [(True, i) for i in range(len(rows.e))]
    free = [row for row in every if row not in law]
    return next(n for n in range(len(free) + 1) if any(not can_be_met(rows, [*law, *c]) for c in combinations(free, n)))


@settings(deadline=None, max_examples=12)
@given(st.integers(0, 100_000), st.integers(1, 3), st.integers(3, 6), st.integers(0, 2), st.integers(0, 2))
def test_no_smaller_set_conflicts_than_the_one_that_is_called_smallest(seed, k, m, n, laws):
    # Whole numbers, so that nothing is met or missed by a hair.
    rng = np.random.default_rng(seed)
    rows = rows_of(
        rng.integers(-2, 3, (m, k)), rng.integers(-4, 1, m), rng.integers(-2, 3, (n, k)), rng.integers(-3, 4, n)
    )
    law = [(False, i) for i in range(laws)]
    everything = [(False, i) for i in range(m)] + [(True, i) for i in range(n)]
    found = conflicts(rows, law)
    if can_be_met(rows, everything):
        assert found == ()
        return
    assert found[0].smallest
    assert len(found[0].rows) == smallest_by_trying(rows, law)
    for one in found:
        assert not can_be_met(rows, [*law, *one.rows])
        for left in one.rows:
            assert can_be_met(rows, [*law, *(row for row in one.rows if row != left)])
    members = [row for one in found for row in one.rows]
    assert len(members) == len(set(members))
    # What is left after all conflicts are taken out can be met (unless there are more than are looked for).
    if len(found) < 4 and found[0].rows:
        assert can_be_met(rows, [row for row in everything if row not in members])


def test_a_pair_is_found_behind_a_larger_conflict_that_stands_first():
    # x + y + z >= 10 against three upper bounds of 3 (four limits), and z <= 0 against z >= 1 (two).
    A = [[-1, -1, -1], [1, 0, 0], [0, 1, 0], [0, 0, 1], [0, 0, -1]]
    (found, *_) = conflicts(rows_of(A, [-10, 3, 3, 0, -1]))
    assert found.rows == ((False, 3), (False, 4))
    assert found.smallest


def test_conflicts_that_share_nothing_are_all_found():
    A = [[1, 0], [-1, 0], [0, 1], [0, -1]]
    found = conflicts(rows_of(A, [0, -1, 0, -1]))
    assert [c.rows for c in found] == [((False, 0), (False, 1)), ((False, 2), (False, 3))]


def test_what_nobody_chose_is_no_member():
    # x >= 3 and y >= 3 where x + y = 5 is given; the two alone are named.
    found = conflicts(rows_of([[-1, 0], [0, -1]], [-3, -3], [[1, 1]], [5]), law=[(True, 0)])
    assert found[0].rows == ((False, 0), (False, 1))
    # x, y >= 0 and x + y = -1 cannot be met by anybody.
    assert conflicts(rows_of(-np.eye(2), [0, 0], [[1, 1]], [-1]), [(False, 0), (False, 1), (True, 0)])[0].rows == ()


def test_of_two_pairs_the_one_that_conflicts_whatever_the_total_is_named():
    # x1 >= 0.9 conflicts with x1 <= 0.85 in any case, and with x2 >= 0.3 only as all adds up to 1.
    A = [[-1, 0, 0], [0, -1, 0], [1, 0, 0], *(-np.eye(3)).tolist()]
    law = [(False, 3), (False, 4), (False, 5), (True, 0)]
    found = conflicts(rows_of(A, [-0.9, -0.3, 0.85, 0, 0, 0], [[1, 1, 1]], [1]), law)
    assert found[0].rows == ((False, 0), (False, 2))


@pytest.mark.parametrize("miss", [1e-3, 1e-6, 1e-8])
def test_a_narrow_miss_is_a_conflict_all_the_same(miss):
    found = conflicts(rows_of([[1.0], [-1.0]], [0.5 - miss, -0.5]))
    assert found[0].rows == ((False, 0), (False, 1))
