"""The share of the box that the limits leave, against closed forms."""

from math import factorial

import numpy as np
import pytest

from doe import Region
from doe.problems import Unavailable
from doe.region.share import share_of_box


def factors(k, rows=()):
    names = tuple(f"f{i}" for i in range(k))
    return Region.build(names, (), None, None, np.zeros(k), np.ones(k), rows)


@pytest.mark.parametrize("k", [1, 2, 3, 4, 5, 6, 9])
def test_a_box_is_all_there(k):
    assert share_of_box(factors(k)) == pytest.approx(1.0)


@pytest.mark.parametrize("k", [2, 3, 4, 5, 6])
def test_a_corner_cut_off_a_cube(k):
    # The simplex sum x <= 1 is 1 / k! of the cube.
    region = factors(k, [(dict.fromkeys((f"f{i}" for i in range(k)), 1.0), None, 1.0, "sum")])
    assert share_of_box(region) == pytest.approx(1 / factorial(k))


def test_what_cannot_be_reached_counts_as_outside():
    # x <= 0.25 by a limit on one factor, in a box 0..1 of two.
    assert share_of_box(factors(2, [({"f0": 1.0}, None, 0.25, "f0 <= 0.25")])) == pytest.approx(0.25)


def test_parts_that_nothing_couples_multiply():
    rows = [({"f0": 1.0, "f1": 1.0}, None, 1.0, "a"), ({"f2": 1.0, "f3": 1.0}, None, 1.0, "b")]
    assert share_of_box(factors(4, rows)) == pytest.approx(0.25)


def test_many_dimensions_are_told_by_drawing():
    # Half of a cube lies on either side of a plane through its middle.
    names = [f"f{i}" for i in range(11)]
    rows = [(dict.fromkeys(names, 1.0), None, 5.5, "half")]
    assert share_of_box(factors(11, rows)) == pytest.approx(0.5, abs=0.01)


def test_a_share_that_cannot_be_told_says_so():
    names = [f"f{i}" for i in range(14)]
    tiny = share_of_box(factors(14, [(dict.fromkeys(names, 1.0), None, 1.0, "corner")]))
    assert isinstance(tiny, Unavailable)
    flat = share_of_box(factors(2, [({"f0": 1.0, "f1": 1.0}, None, 0.0, "f0 + f1 <= 0")]))
    assert isinstance(flat, Unavailable)
