"""The triangle of three ingredients: places by hand, the region whole, trials within, and no sliver drawn."""

import numpy as np
import pandas as pd
import pytest

from doe import Study, plan
from optimise import find, fit
from reports.facts import Frame
from reports.gathering.blends import frame_of
from reports.gathering.gather import gather
from reports.page.page import render
from reports.page.rows import in_polygon
from reports.pictures import slice as svg_slice
from reports.pictures import triangle as svg_triangle

TOML = """
[study]
name = "Three (invented)"
[[ingredient]]
name = "Wax"
low = 10
high = 50
[[ingredient]]
name = "Oil"
low = 20
high = 70
[[ingredient]]
name = "Butter"
low = 5
high = 45
[[limit]]
rule = "Wax + Butter <= 70"
[[response]]
name = "Firm"
aim = "within"
low = 4
high = 6
sd = 0.2
[plan]
model = "quadratic"
runs = 12
replicate_batches = 2
"""


@pytest.fixture(scope="module")
def three():
    study = Study.from_toml(TOML)
    design = plan(study)
    wax, oil, butter = (design.table[n].to_numpy() / 100 for n in ("Wax", "Oil", "Butter"))
    scatter = np.array([0.1 * ((7 * i) % 5 - 2) for i in range(len(wax))])
    frame = pd.DataFrame(
        {"Firm": 14 * wax + 2 * oil + 5 * butter + 6 * wax * butter + scatter}, index=design.table.index
    )
    models = fit(study, study.results(frame, design=design))
    return study, design, models, find(study, models)


def test_places_by_hand():
    frame = Frame(("a", "b", "c"), "%", (10.0, 20.0, 30.0), 40.0)
    place = svg_triangle.placed(frame)
    top, left, right = place(50, 20), place(10, 60), place(10, 20)
    # Sides of one length, the first ingredient on top, the second at the left.
    sides = [np.hypot(p[0] - q[0], p[1] - q[1]) for p, q in ((top, left), (left, right), (right, top))]
    assert sides == pytest.approx([sides[0]] * 3)
    assert top[1] < left[1] == right[1]
    assert left[0] < top[0] < right[0]
    assert place(10 + 40 / 3, 20 + 40 / 3) == pytest.approx(tuple(np.mean([top, left, right], axis=0)))
    # The same blend, given by any two of its three levels.
    for first, second in ((0, 2), (1, 2), (2, 1), (1, 0)):
        levels = (22.0, 31.0, 47.0)
        assert svg_triangle.placed(frame, first, second)(levels[first], levels[second]) == pytest.approx(place(22, 31))


def test_the_region_is_whole_and_holds_the_trials(three):
    study, design, _, _ = three
    blends = gather(study, design=design).blends
    # Lowest levels within the limits, by hand: Wax 10, Oil 30 (Wax and Butter take 70 at most), Butter 5.
    assert blends.frame.low == (10, 30, 5)
    assert blends.frame.room == pytest.approx(55)
    corners = study.region.vertex_array
    assert len(blends.polygon) == len(corners)
    for _, a, b, _ in blends.trials:
        assert in_polygon(blends.polygon, a, b)
    x, y = np.array(blends.polygon).T
    area = abs(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1))) / 2
    # Wax 10 to 50 and Oil 30 to 70, less the corner of Butter under 5 (legs of 25) and that of Butter over 45 (of 15).
    assert area == pytest.approx(1600 - 25**2 / 2 - 15**2 / 2)


def test_slices_of_a_blend_of_three_stand_in_the_triangle(three):
    study, design, models, best = three
    facts = gather(study, design=design, results=models.results, models=models, best=best)
    assert facts.slices
    for one in facts.slices:
        assert one.frame == frame_of(study)
        # With no factor every trial lies in the slice.
        assert {near for *_, near in one.trials} == {1.0}
        picture = str(svg_slice.contours(one, "k"))
        assert "in the triangle of Wax, Oil, Butter" in picture
    text = render(facts)
    assert "in the triangle of the three ingredients" in text


def test_a_sliver_and_other_blends_are_not_drawn(job, three):
    narrow = three[0].to_dict()
    narrow["ingredient"][0] |= {"low": 10, "high": 14}
    assert frame_of(Study.from_dict(narrow)) is None
    assert gather(job.study).blends is None
    four = three[0].to_dict()
    four["ingredient"].append({"name": "Clay", "low": 0, "high": 20})
    assert frame_of(Study.from_dict(four)) is None
