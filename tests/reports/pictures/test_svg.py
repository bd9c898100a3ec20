"""What all pictures share: whatever a user typed is text, ticks are round and few, names are cut by their width."""

from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st
from markupsafe import Markup

from reports.pictures.svg import Axis, alone, element, mark, picture, round_steps, shortened, words

SVG = "{http://www.w3.org/2000/svg}"
NASTY = "<script>alert(1)</script>\"'&]]>"


def test_text_and_attributes_are_escaped():
    drawn = picture(100, 50, NASTY, [words(1, 2, NASTY, most=8), element("g", cls=NASTY), mark(3, 4)])
    tree = ElementTree.fromstring(drawn)
    assert list(tree.iter(f"{SVG}script")) == []
    assert tree.get("aria-label") == NASTY
    text = tree.find(f"{SVG}text")
    assert text.find(f"{SVG}title").text == NASTY
    assert text.text == "<script…"
    assert tree.find(f"{SVG}g").get("class") == NASTY


def test_a_picture_alone_carries_its_style():
    tree = ElementTree.fromstring(alone(picture(10, 10, "t", [Markup("<g/>")])))
    assert "--accent" in tree.find(f"{SVG}style").text


@pytest.mark.parametrize(
    ("low", "high", "most", "log", "steps"),
    [
        (0, 10, 5, False, [0, 2, 4, 6, 8, 10]),
        (0.3, 0.8, 5, False, [0.3, 0.4, 0.5, 0.6, 0.7, 0.8]),
        (-1, 1, 4, False, [-1, -0.5, 0, 0.5, 1]),
        (2000, 200000, 8, True, [2000, 5000, 10000, 20000, 50000, 100000, 200000]),
        (1, 1, 5, False, [1]),
    ],
)
def test_ticks_are_round(low, high, most, log, steps):
    assert round_steps(low, high, most, log=log) == pytest.approx(steps)


@given(st.floats(-1e6, 1e6), st.floats(1e-3, 1e6), st.integers(2, 10))
def test_ticks_stay_inside_and_few(low, span, most):
    got = round_steps(low, low + span, most)
    slack = 1e-6 * (abs(low) + span)
    assert all(low - slack <= t <= low + span + slack for t in got)
    assert len(got) <= most + 1


def test_axis_maps_ends_to_ends():
    assert Axis(2, 8, 10, 110)(5) == 60
    assert Axis(100, 10000, 0, 200, log=True)(1000) == pytest.approx(100)
    assert Axis(2, 8, 10, 110)(1e9) == 160
    assert Axis(3, 3, 0, 100)(3) == 50


def test_long_names_are_cut_and_wide_letters_count_double():
    assert shortened("Sodium Coco-Glucoside", 10) == "Sodium Co…"
    assert shortened("黄原胶黄原胶", 8) == "黄原胶…"
    assert shortened("Gum", 10) == "Gum"
