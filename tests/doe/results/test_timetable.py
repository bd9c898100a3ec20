"""What is made and read on which day, counted by hand. Data invented."""

from types import SimpleNamespace

import pandas as pd
import pytest

from doe import Study
from doe.results.timetable import days, due, jars, untimed, weekends

STUDY = Study.from_dict(
    {
        "study": {"name": "Invented", "batches_per_day": 2},
        "ingredient": [{"name": "Water", "qs": True}, {"name": "Gum", "low": 0.2, "high": 1}],
        "response": [
            {"name": "pH", "method": "meter", "after_h": 4, "sample_g": 30},
            {"name": "Viscosity", "method": "spindle", "after_h": 24, "sample_g": 200},
            {"name": "Settled", "method": "jar", "after_h": 168, "store": "40 C", "sample_g": 100},
            {"name": "Look", "method": "eye"},
            {"name": "Cost", "from": "cost_per_kg"},
        ],
        "make": {"retain_g": 60},
    }
)
PLAN = SimpleNamespace(runs=pd.DataFrame({"order": [3, 1, 2]}, index=["T01", "T02", "T03"]))


def test_days_of_making_and_reading():
    table = {day.number: day for day in days(STUDY, PLAN)}
    assert {n: day.make for n, day in table.items()} == {
        1: ("T02", "T03"), 2: ("T01",), 3: (), 8: (), 9: (),
    }  # fmt: skip
    read = {n: [(one.response, one.trials) for one in day.read] for n, day in table.items()}
    assert read == {
        1: [("pH", ("T02", "T03"))],
        2: [("pH", ("T01",)), ("Viscosity", ("T02", "T03"))],
        3: [("Viscosity", ("T01",))],
        8: [("Settled", ("T02", "T03"))],
        9: [("Settled", ("T01",))],
    }
    assert table[8].read[0].store == "40 C"
    assert untimed(STUDY) == ("Look",)


def test_a_jar_for_each_condition_and_the_kept_sample():
    bench, warm, kept = jars(STUDY)
    assert ([r.name for r in bench.responses], bench.grams) == (["pH", "Viscosity", "Look"], 230.0)
    assert ([r.name for r in warm.responses], warm.store, warm.grams) == (["Settled"], "40 C", 100.0)
    assert (kept.kept, kept.grams) == (True, 60.0)


@pytest.mark.parametrize("made, viscosity, settled", [
    ("2031-05-14 10:30", "2031-05-15T10:30", "2031-05-21T10:30"), ("2031-05-14", "2031-05-15", "2031-05-21"),
])  # fmt: skip
def test_what_is_still_to_be_read_falls_due_counted_from_making(made, viscosity, settled):
    frame = pd.DataFrame(
        {"trial": ["A", "B"], "Gum": [0.3, 0.5], "made_at": [made, None], "pH": [5.5, 5.6], "Viscosity": [None, None],
         "Settled": [None, None], "Look": [1, 2]}
    )  # fmt: skip
    found = due(STUDY, STUDY.results(frame))
    assert found == {("T01-1", "Viscosity"): viscosity, ("T01-1", "Settled"): settled}


def test_what_falls_on_a_weekend_against_the_calendar():
    """Five days of two batches from each weekday of a real week: 24 h after a Friday is a Saturday."""
    plan = SimpleNamespace(runs=pd.DataFrame({"order": range(1, 11)}, index=[f"T{n:02d}" for n in range(1, 11)]))
    for one, first in zip(weekends(STUDY, plan), pd.bdate_range("2031-05-12", periods=5), strict=True):
        assert one.start == first.day_name()
        made = pd.bdate_range(first, periods=5).repeat(2)  # Monday to Friday only
        late = [f"T{n:02d}" for n, day in enumerate(made, 1) if (day + pd.Timedelta("24h")).day_of_week >= 5]
        assert [(r.response, list(r.trials)) for r in one.readings] == [("Viscosity", late)]
