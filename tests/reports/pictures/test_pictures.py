"""Pictures: drawn where the numbers say, whole in area, readable without sight."""

import math
import re
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest

from doe import Unavailable
from reports.facts import Effect, EffectRow, Event, FrontAim, Slice, Spec, Strip, TriedRange
from reports.pictures import chart as svg_chart
from reports.pictures import effect as svg_effect
from reports.pictures import slice as svg_slice
from reports.pictures import strip as svg_strip

SVG = "{http://www.w3.org/2000/svg}"
NONE = Unavailable("a", "b")
FRONT_OF = FrontAim("chance", share=True), FrontAim("cost", "EUR/kg")


def tree(drawn):
    return ElementTree.fromstring(str(drawn))


def polygons(element):
    for piece in re.findall(r"M([^MZ]*)Z", element.get("d")):
        yield np.array([[float(v) for v in pair.split()] for pair in piece.split("L")])


def area(corners):
    x, y = corners.T
    return 0.5 * abs(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1)))


@pytest.fixture
def slope():
    xs = tuple(np.linspace(0, 10, 12))
    ys = tuple(np.linspace(0, 5, 12))
    values = tuple(tuple(x + 2 * y + 0.1 * x * y for x in xs) for y in ys)
    inside = tuple(tuple(x < 5 for x in xs) for _ in ys)
    square = ((0.0, 0.0), (10.0, 0.0), (10.0, 5.0), (0.0, 5.0))
    trials = (("T01", 1.0, 1.0, 1.0), ("T02", 9.0, 4.0, 0.1), ("T03", 1.0, 1.0, 1.0))
    return Slice("t", "u", "a", "b", "%", "%", xs, ys, values, inside, (4.0, 8.0, 12.0, 16.0), (9.0,), square, trials,
                 (5.0, 2.5), "held", "reading")  # fmt: skip


def test_steps_cover_the_slice_once(slope):
    drawn = tree(svg_slice.contours(slope, "k"))
    steps = [p for p in drawn.iter(f"{SVG}path") if re.fullmatch(r"s\d", p.get("class") or "")]
    assert len({p.get("class") for p in steps}) == 5
    outline = next(p for p in drawn.iter(f"{SVG}path") if p.get("class") == "axis" and "Z" in p.get("d"))
    whole = sum(area(corners) for corners in polygons(outline))
    covered = sum(area(corners) for step in steps for corners in polygons(step))
    assert covered == pytest.approx(whole, rel=0.01)


def test_steps_split_at_their_levels():
    # A plane rising along x: the step between two levels is a band whose share of the area is known.
    xs, ys = tuple(np.linspace(0, 1, 7)), tuple(np.linspace(0, 1, 7))
    plane = tuple(tuple(x for x in xs) for _ in ys)
    square = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))
    facts = Slice("t", "", "a", "b", "", "", xs, ys, plane, tuple((True,) * 7 for _ in ys), (0.25, 0.4), (), square, (),
                  (0.5, 0.5), "", "")  # fmt: skip
    drawn = tree(svg_slice.contours(facts, "k"))
    areas = [
        sum(area(c) for c in polygons(p))
        for p in drawn.iter(f"{SVG}path")
        if re.fullmatch(r"s\d", p.get("class") or "")
    ]
    assert np.array(areas) / sum(areas) == pytest.approx([0.25, 0.15, 0.6], abs=0.01)


def test_trials_are_numbered_rings_once_each(slope):
    drawn = tree(svg_slice.contours(slope, "k"))
    rings = {
        c.findtext(f"{SVG}title"): float(c.get("r")) for c in drawn.iter(f"{SVG}circle") if c.get("class") == "ring"
    }
    # A second ring around the first tells that two trials stand at one place.
    assert rings["T01, T03"] < rings[None]
    assert set(rings) == {"T01, T03", "T02", None}
    assert [t.text for t in drawn.iter(f"{SVG}text") if t.get("class") == "number"] == ["1"]


def test_a_trial_far_off_is_not_hidden_by_a_numbered_ring(slope):
    facts = replace(slope, trials=(("T01", 2.0, 1.0, 1.0), ("T05", 2.1, 1.02, 0.1), ("T06", 8.0, 4.0, 0.1)))
    drawn = tree(svg_slice.contours(facts, "k"))
    rings = [c.findtext(f"{SVG}title") for c in drawn.iter(f"{SVG}circle") if c.get("class") == "ring"]
    assert set(rings) == {None, "T01, T05", "T06"}


def test_untried_is_hatched_only_there(slope):
    drawn = tree(svg_slice.contours(slope, "k"))
    assert any(p.get("fill") == "url(#hatch-k)" for p in drawn.iter(f"{SVG}path"))
    everything = tuple((True,) * 12 for _ in range(12))
    tried = tree(svg_slice.contours(replace(slope, inside=everything), "k"))
    assert not any(p.get("fill") == "url(#hatch-k)" for p in tried.iter(f"{SVG}path"))


SPEC = Spec("Viscosity", "mPa.s", "m", "within", True, False, 10.0, None, 20.0)


def strip(spec=SPEC, **more):
    values = np.linspace(0, 30, 61)
    shape = tuple((float(v), float(math.exp(-(((v - 18) / 4) ** 2)))) for v in values)
    given = {"axis": (0.0, 30.0), "shape": shape, "marks": (), **more}
    return Strip(spec, 18.0, 2.8, (17.0, 19.0), (12.0, 24.0), (10.0, 26.0), 0.8, "close", **given)


def test_a_strip_parts_what_passes_from_what_misses():
    drawn = tree(svg_strip.strip(strip()))
    shapes = {p.get("class"): p for p in drawn.iter(f"{SVG}path") if p.get("class") in ("pass", "fail")}
    assert set(shapes) == {"pass", "fail"}
    edges = [float(v) for v in re.findall(r"[ML]([\d.]+) ", shapes["pass"].get("d"))]
    # 360 wide with 10 px at both ends: 10 and 20 of 0..30 stand at 123.3 and 236.7.
    assert (min(edges), max(edges)) == pytest.approx((123.3, 236.7), abs=0.1)


def test_a_reference_beyond_the_strip_stays_in_the_picture():
    drawn = tree(svg_strip.strip(strip(marks=(("Old", 500.0),))))
    lozenge = next(p for p in drawn.iter(f"{SVG}path") if p.get("class") == "ring")
    assert float(re.match(r"M([\d.]+) ", lozenge.get("d"))[1]) <= 358
    assert lozenge.find(f"{SVG}title").text == "Old: 500 mPa.s"


def test_words_stand_in_for_every_picture(slope):
    fit_free = [
        svg_strip.strip(strip()),
        svg_strip.jars(0.82, (0.6, 0.9)),
        svg_strip.reach_bar((0.0, 1.0), (0.2, 0.8), 0.5),
        svg_strip.tried_dots(TriedRange("Gum", "%", (0.0, 1.0), (("T01", 0.5),), None)),
        svg_slice.contours(slope, "k"),
        svg_chart.fraction_of_space([(0.0, 0.3), (0.5, 0.5), (1.0, 0.9)]),
        svg_chart.front([(1.0, 0.2, False), (1.2, 0.9, True)], *FRONT_OF, 1.3),
        svg_chart.time_line([Event("2026-01-02T10:00:00+00:00", "a", "plan", "plan")]),
    ]
    for drawn in fit_free:
        root = tree(drawn)
        assert root.get("role") == "img"
        assert len(root.get("aria-label")) > 8
        assert not list(root.iter(f"{SVG}script"))
        assert not [e for e in root.iter() if e.get("style")]


@pytest.mark.parametrize(("chance", "filled"), [(0.0, 0), (0.82, 9), (1.0, 10)])
def test_jars_fill_as_far_as_the_chance_goes(chance, filled):
    drawn = tree(svg_strip.jars(chance))
    assert sum(p.get("class") == "filled" for p in drawn.iter(f"{SVG}path")) == filled


def test_cost_stands_on_the_cost_axis():
    drawn = tree(svg_chart.front([(1.0, 0.2, False), (1.2, 0.9, True)], *FRONT_OF, None))
    ring = next(c for c in drawn.iter(f"{SVG}circle"))
    assert ring.find(f"{SVG}title").text.startswith("20")
    mark = next(p for p in drawn.iter(f"{SVG}path") if p.get("class") == "mark")
    x, y = (float(v) for v in re.match(r"M([\d.]+) ([\d.]+)", mark.get("d")).groups())
    assert x > float(ring.get("cx"))
    assert y < float(ring.get("cy"))


def test_a_time_line_of_one_day_keeps_its_order():
    events = [Event(f"2026-01-02T1{i}:00:00+00:00", "a", f"c{i}", "x") for i in range(4)]
    drawn = tree(svg_chart.time_line(events))
    places = [float(c.get("cx")) for c in drawn.iter(f"{SVG}circle")]
    assert places == sorted(places)
    assert len(set(places)) == 4


def test_an_effect_is_heavy_where_the_response_is_met_and_thin_where_it_is_missed():
    # A straight line from 0 to 30 over 0 to 3, wanted from 10 to 20: met from 1 to 2.
    points = tuple((float(x), 10.0 * x, 10.0 * x - 2, 10.0 * x + 2) for x in np.linspace(0, 3, 8))
    one = Effect("Gum up, Water down", "%", points, 1.5, 30.0)
    drawn = tree(svg_effect.effect(EffectRow(SPEC, (-5.0, 35.0), (one,), ""), one, first=True))
    parts = [p for p in drawn.iter(f"{SVG}path") if p.get("class") in ("line", "clayline")]
    ends = [[float(v.split()[0]) for v in re.findall(r"[ML]([\d. ]+)", p.get("d"))] for p in parts]
    left, right = ends[0][0], ends[-1][-1]
    assert [p.get("class") for p in parts] == ["clayline", "line", "clayline"]
    shares = [(ends[1][0] - left) / (right - left), (ends[1][-1] - left) / (right - left)]
    assert shares == pytest.approx([1 / 3, 2 / 3], abs=0.002)
    assert {t.text for t in drawn.iter(f"{SVG}text")} >= {"30.0", "10", "20", "Gum up", "Water down"}


def test_a_line_without_limits_is_one_piece():
    points = [(0.0, 1.0), (1.0, 5.0), (2.0, 1.0)]
    assert svg_effect.runs(points, None, None) == [(points, True)]
    assert [met for _, met in svg_effect.runs(points, None, 3.0)] == [True, False, True]
