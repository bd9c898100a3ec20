"""All runs of a plan moved at once, against optima in closed form."""

import numpy as np
import pytest

from doe.search.exchange import Criterion, Runs, Space
from doe.search.polish import polished


def on_the_line(criterion, weight, start, held=0):
    """The quadratic on -1..1, polished from `start`; and its plan."""
    A, b = np.array([[1.0], [-1.0]]), np.ones(2)
    model = lambda X, C: np.column_stack([np.ones(len(X)), X[:, 0], X[:, 0] ** 2])  # noqa: E731
    space = Space(A, b, np.eye(1), np.zeros((0, 1)), None, (), model)
    runs = Runs(np.array(start)[None, :, None], np.zeros((1, len(start), 0), dtype=np.intp))
    made = polished(space, Criterion(criterion, weight, np.zeros((3, 3))), runs, held, np.ones(len(start)), steps=200)
    return made.X[0, :, 0]


def test_three_runs_of_a_quadratic_end_at_both_ends_and_the_middle():
    """D on -1..1: thirds at -1, 0, 1 (de la Garza 1954, Ann. Math. Stat. 25; from memory)."""
    assert on_the_line("D", np.eye(3), [-0.7, 0.3, 0.8]) == pytest.approx([-1, 0, 1], abs=1e-4)


def test_four_runs_put_two_in_the_middle_for_the_mean_variance():
    """I on -1..1: a half of the weight at 0, a quarter at each end (from memory; by calculus on symmetric plans)."""
    moment = np.array([[1, 0, 1 / 3], [0, 1 / 3, 0], [1 / 3, 0, 1 / 5]])
    assert on_the_line("L", moment, [-0.8, -0.2, 0.3, 0.9]) == pytest.approx([-1, 0, 0, 1], abs=1e-3)


def test_held_runs_stay():
    assert on_the_line("D", np.eye(3), [-0.5, 0.3, 0.8], held=1)[0] == -0.5
