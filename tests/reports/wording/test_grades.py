"""Grades by name. A score lies in the grade whose two thresholds, half way to its neighbours, hold it."""

from doe.definition.parts import Response
from reports.wording import grades as wording_grades

FEEL = Response("Feel", kind="grade", grades=("poor", "fair", "good"), aim="above", low=2.0)
MARKS = Response("Mark", kind="grade", grades=("1", "2", "3"), aim="above", low=2.0)


def test_grades_that_are_words_are_named():
    assert wording_grades.asked_for(FEEL) == "at least fair"
    assert wording_grades.one(FEEL, 3.0, 0.34) == "good"
    assert wording_grades.span(FEEL, 1.64, 3.0) == "fair to good"
    assert wording_grades.span(FEEL, 1.2, 1.4) == "poor"
    assert wording_grades.read_from_to(FEEL, [1.0, 3.0, 2.0]) == "poor to good"


def test_grades_that_are_numbers_and_measured_values_stay_numbers():
    assert wording_grades.asked_for(MARKS) == "at least 2"
    assert wording_grades.span(MARKS, 1.64, 3.0) == "1.64 to 3.00"
    viscosity = Response("Viscosity", unit="mPa.s", aim="within", low=8000.0, high=9000.0)
    assert wording_grades.asked_for(viscosity) == "8000 to 9000"


def test_passes_are_counted():
    assert wording_grades.read_from_to(Response("Stable", kind="pass"), [1.0, 0.0, 1.0]) == "2 of 3 passed"
