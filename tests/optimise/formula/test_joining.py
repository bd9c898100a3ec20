"""A straight way to a top that only goes up, within limits, is on its hill; worked out by hand on two hills."""

import numpy as np

from optimise.formula.ascent import Company, Stop, ascend
from optimise.formula.bends import by_differences, one_after_another
from optimise.formula.joining import on_one_hill
from optimise.formula.rounds import Ascent


def hills(U):
    """-(x² - 1)² - y² / 2, with tops at x = -1 and x = 1, and its slopes."""
    x, y = U.T
    value = -((x**2 - 1) ** 2) - y**2 / 2
    return value[:, None], np.stack([-4 * x * (x**2 - 1), -y], axis=1)[:, None]


def ring(U):
    """What is left outside of the circle of radius 0.2 about (0.7, 0), and its slopes."""
    off = U - np.array([0.7, 0.0])
    return ((off * off).sum(axis=1) - 0.04)[:, None], 2 * off[:, None]


def on(bent, U, tops, aims=1):
    return on_one_hill(U, bent(U), tops, bent(tops), lambda values: values[:, 0], aims)


def test_a_place_is_on_the_hill_that_it_can_walk_up():
    tops = np.array([[-1.0, 0.0], [1.0, 0.0]])
    places = np.array([[0.5, 0.0], [-0.5, 0.3], [0.6, -0.3]])
    assert on(by_differences(hills), places, tops).tolist() == [[False, True], [True, False], [False, True]]


def test_a_way_beyond_a_limit_is_none_and_long_ways_say_nothing():
    both = one_after_another([by_differences(hills), by_differences(ring)])
    top = np.array([[1.0, 0.0]])
    assert on(both, np.array([[0.45, 0.0], [0.9, 0.3], [1.0, 2.0]]), top).tolist() == [[False], [True], [False]]


def test_runs_on_the_hill_of_a_known_top_end_there_and_others_go_on():
    box = np.vstack([np.eye(2), -np.eye(2)])
    ascent = Ascent(by_differences(hills), np.array([0]), np.ones(1), False, box, np.full(4, 3.0))
    starts = np.array([[0.6, 0.2], [-0.6, 0.2]])
    ends = ascend(ascent, starts, company=Company(0.1, np.array([[1.0, 0.0]])))
    assert ends.own.tolist() == [False, True]
    assert np.abs(ends.U[1] - [-1.0, 0.0]).max() < 1e-3


def test_a_last_step_that_is_not_looked_at_is_made():
    box = np.vstack([np.eye(2), -np.eye(2)])
    ascent = Ascent(by_differences(hills), np.array([0]), np.ones(1), False, box, np.full(4, 3.0))
    start = np.array([[0.97, 0.01]])
    looked, unseen = (ascend(ascent, start, Stop(least=0.1, unseen=flag)) for flag in (False, True))
    assert (start == looked.U).all()
    assert (unseen.seen == start).all()
    assert np.abs(unseen.U - [1.0, 0.0]).max() < 2e-3
