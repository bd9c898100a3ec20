"""Batches off their plan: what is a finding, and how grave, worked by hand. Data invented."""

import pytest

from doe import Study
from doe.bench.levels import range_findings
from doe.recipes.deviations import deviation_findings, off_plan, off_target

STUDY = Study.from_dict(
    {
        "study": {"name": "Invented", "batch_g": 100},
        "balance": [{"name": "bench", "step_g": 0.01, "repeat_g": 0.01}],
        "ingredient": [
            {"name": "Water", "qs": True},
            {"name": "Wax", "low": 30, "high": 50},
            {"name": "Dye", "level": 0.5},
            {"name": "Lye", "level": 1.0, "adjusts": "pH"},
        ],
        "response": [{"name": "pH", "method": "meter"}],
        "make": {"weigh_tolerance": "1 %"},
    }
)
PLAN = {"Water": 48.5, "Wax": 50.0, "Dye": 0.5, "Lye": 1.0}


@pytest.mark.parametrize(
    "name, grams, tolerances",
    [
        ("Wax", 50.04, None),  # within the printed 49.50 to 50.50
        ("Wax", 50.5, None),
        ("Wax", 51.0, 2.0),
        ("Wax", 48.0, 4.0),
        ("Dye", 0.50, None),  # 1 % of it is half a step of the balance: it is weighed as it shows
        ("Dye", 0.52, 4.0),
        ("Lye", 1.6, None),  # as needed
    ],
)
def test_only_what_was_weighed_outside_its_printed_tolerance_is_off(name, grams, tolerances):
    found = off_target(STUDY, "T01", PLAN, PLAN | {name: grams})
    assert [one.tolerances for one in found] == ([] if tolerances is None else [pytest.approx(tolerances)])


def test_a_high_level_over_weighed_within_tolerance_is_no_finding():
    made = {"T01-1": {"Water": 48.46, "Wax": 50.04, "Dye": 0.5, "Lye": 1.0}}
    assert range_findings(STUDY, made) == []
    made["T02-1"] = {"Water": 47.9, "Wax": 50.6, "Dye": 0.5, "Lye": 1.0}
    (found,) = range_findings(STUDY, made)
    assert (found.code, "T02-1" in found.got, "T01-1" in found.got) == ("outside-range", True, False)


def test_water_lost_and_not_made_up_moves_all_the_rest():
    # 100 g put in, 94 g left: all but water is 100 / 94 = 1.0638 of its share.
    (found,) = off_plan(STUDY, "T03", 100.0, 94.0)
    assert found.words == "T03 all but Water +6.4 %"
    assert found.tolerances == pytest.approx(6.38297872, abs=1e-8)
    assert off_plan(STUDY, "T03", 100.0, 99.5) == []


def test_a_table_has_one_finding_of_a_kind_with_the_worst_first():
    weighed = [
        *off_target(STUDY, "T01", PLAN, PLAN | {"Wax": 51.0}),
        *off_target(STUDY, "T02", PLAN, PLAN | {"Wax": 48.0, "Dye": 0.51}),
    ]
    (found,) = deviation_findings(STUDY, "Weigh", weighed, [])
    assert found.got.index("T02 Wax 48 g instead of 50 g") < found.got.index("T01 Wax 51 g instead of 50 g")
    assert "Dye" not in found.got
    assert found.level == "warn"
    (mild,) = deviation_findings(STUDY, "Weigh", weighed[:1], [])
    assert mild.level == "inform"  # two tolerances: told, not to be looked at
    assert deviation_findings(STUDY, "Weigh", [], []) == []
