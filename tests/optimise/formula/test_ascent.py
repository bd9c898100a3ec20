"""Runs uphill end where published problems have their tops."""

from dataclasses import replace

import numpy as np
import pytest

from optimise.formula.ascent import Company, ascend
from optimise.formula.bends import by_differences, one_after_another
from optimise.formula.rounds import Ascent


def rises(*functions, step=1e-6):
    """Values and slopes (by central differences) of functions of the coordinates."""

    def at(U):
        n, d = U.shape
        values = np.stack([f(*U.T) for f in functions], axis=1)
        around = [[(f(*(U + e).T) - f(*(U - e).T)) / (2 * step) for e in step * np.eye(d)] for f in functions]
        return values, np.array(around).reshape(len(functions), d, n).transpose(2, 0, 1)

    return at


def ascent(aims, limits=None, d=2, capped=False, group=None, weights=None, far=10.0):
    """Up the least of the aims, within limits and a box."""
    box = np.vstack([np.eye(d), -np.eye(d)])
    group = np.zeros(len(aims), dtype=int) if group is None else np.array(group)
    weights = np.ones(1) if weights is None else np.array(weights)
    every = one_after_another([by_differences(rises(*some)) for some in (aims, limits) if some])
    return Ascent(every, group, weights, capped, box, np.full(2 * d, far))


def test_a_top_between_bent_limits():
    # Rosen & Suzuki 1965, Commun. ACM 8, 113; Hock & Schittkowski 1981, problem 43, from memory: -44 at (0, 1, 2, -1).
    def cost(a, b, c, d):
        return a**2 + b**2 + 2 * c**2 + d**2 - 5 * a - 5 * b - 21 * c + 7 * d

    limits = (
        lambda a, b, c, d: 8 - a**2 - b**2 - c**2 - d**2 - a + b - c + d,
        lambda a, b, c, d: 10 - a**2 - 2 * b**2 - c**2 - 2 * d**2 + a + d,
        lambda a, b, c, d: 5 - 2 * a**2 - b**2 - c**2 - 2 * a + b + d,
    )
    starts = np.array([[0.0, 0, 0, 0], [1, 1, 1, 1], [-2, 2, -2, 3]])
    ends = ascend(ascent([lambda *u: -cost(*u)], limits, d=4), starts)
    assert pytest.approx(np.tile([0.0, 1, 2, -1], (3, 1)), abs=1e-3) == ends.U
    assert ends.height == pytest.approx(np.full(3, 44.0), abs=1e-5)


def test_a_ridge_where_the_least_of_several_is_highest():
    # Charalambous & Conn 1978, SIAM J. Numer. Anal. 15, 162-187, problems CB3 and CB2 there, from memory.
    first = [lambda x, y: -(x**4 + y**2), lambda x, y: -((2 - x) ** 2 + (2 - y) ** 2), lambda x, y: -2 * np.exp(y - x)]
    second = [lambda x, y: -(x**2 + y**4), first[1], first[2]]
    starts = np.array([[1.0, -0.1], [2, 2], [-3, 3]])
    assert ascend(ascent(second), starts).height == pytest.approx(np.full(3, -1.9522245), abs=1e-6)
    ends = ascend(ascent(first), starts)
    assert ends.height == pytest.approx(np.full(3, -2.0), abs=1e-6)
    assert pytest.approx(np.ones((3, 2)), abs=1e-3) == ends.U


def test_a_narrow_bent_valley():
    # Rosenbrock 1960, Comput. J. 3, 175-184.
    ends = ascend(ascent([lambda x, y: -(100 * (y - x**2) ** 2 + (1 - x) ** 2)]), np.array([[-1.2, 1.0], [2.0, -1.0]]))
    assert pytest.approx(np.ones((2, 2)), abs=1e-3) == ends.U


def test_a_start_beyond_limits_is_brought_within():
    limits = [lambda x, y: 1 - x**2 - y**2]
    ends = ascend(ascent([lambda x, y: x + y], limits), np.array([[3.0, -2.0], [0.0, 0.0]]))
    assert pytest.approx(np.full((2, 2), np.sqrt(0.5)), abs=1e-4) == ends.U


def test_a_limit_with_one_slope_everywhere():
    # Rosenbrock's valley (1960) within x + y <= 1; the place on that line by Newton's method.
    def straight(U):
        return (1 - U.sum(axis=1))[:, None], np.broadcast_to(-np.ones(2), (len(U), 1, 2))

    valley = ascent([lambda x, y: -(100 * (y - x**2) ** 2 + (1 - x) ** 2)])
    both = one_after_another([valley.rises, by_differences(straight)])
    ends = ascend(replace(valley, rises=both), np.array([[-1.2, 1.0], [2.0, -1.0], [0.0, 0.5]]))
    x = 0.618
    for _ in range(20):
        x -= (200 * (1 - x - x**2) * (-1 - 2 * x) - 2 * (1 - x)) / (200 * ((1 + 2 * x) ** 2 - 2 * (1 - x - x**2)) + 2)
    assert pytest.approx(np.tile([x, 1 - x], (3, 1)), abs=1e-3) == ends.U


def test_weighted_groups_count_up_to_their_cap():
    # By hand: the first group is met within |x| <= 1, the second goes up with y; x costs nothing there.
    aims = [lambda x, y: 1 - x, lambda x, y: 1 + x, lambda x, y: y - 3 - (x - 0.5) ** 2]
    ends = ascend(ascent(aims, capped=True, group=[0, 0, 1], weights=[0.25, 0.75], far=2.5), np.array([[-2.0, 0.0]]))
    assert ends.U[0] == pytest.approx([0.5, 2.5], abs=1e-4)
    assert ends.height[0] == pytest.approx(-0.75 * 0.5, abs=1e-6)


def test_runs_that_come_together_end_as_one_and_known_places_end_runs():
    hill = ascent([lambda x, y: -(x**2) - y**2 + 0.1 * np.cos(3 * x)])
    starts = np.array([[2.0, 1.0], [-1.0, 2.0], [3.0, -3.0]])
    ends = ascend(hill, starts, company=Company(0.1))
    assert ends.own.sum() == 1
    assert ends.U[ends.own] == pytest.approx(np.zeros((1, 2)), abs=1e-4)
    again = ascend(hill, starts, company=Company(0.1, np.zeros((1, 2))))
    assert (np.linalg.norm(again.U[again.own], axis=1) <= 0.1).all()


def test_frozen_coordinates_stay():
    hill = ascent([lambda x, y: -((x - 1) ** 2) - (y - x) ** 2])
    ends = ascend(replace(hill, frozen=np.array([False, True])), np.array([[0.0, 3.0], [5.0, -1.0]]))
    assert pytest.approx(np.array([[2.0, 3.0], [0.0, -1.0]]), abs=3e-4) == ends.U
