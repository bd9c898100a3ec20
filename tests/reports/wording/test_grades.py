"""Grades by name. A score lies in the grade whose two thresholds, half way to its neighbours, hold it."""

from doe.definition.parts import Response
from reports.facts import Strip
from reports.gathering.formula import spec_of
from reports.pictures.strip import strip, strip_words
from reports.wording import formula as wording
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


def test_what_was_read_is_told_with_its_bounds():
    viscosity = Response("Viscosity", unit="mPa.s")
    assert wording_grades.read_from_to(viscosity, [13000.0], 4) == "one number, 13\u202f000; 4 bounds"
    assert wording_grades.read_from_to(viscosity, [13000.0, 13000.0]) == "all 13\u202f000"
    assert wording_grades.read_from_to(viscosity, [13000.0, 15000.0], 1) == "13\u202f000 to 15\u202f000; 1 bound"
    assert wording_grades.read_from_to(viscosity, [], 2) == "no number; 2 bounds"
    assert wording_grades.read_from_to(viscosity, []) == "no number"


def test_any_grade_is_called_so_and_shares_of_passes_are_told_apart():
    assert wording_grades.span(FEEL, 0.9, 3.2) == "any grade, poor to good"
    said = wording_grades.legend([FEEL, Response("Stable", kind="pass", aim="above")])
    assert "one new batch" in said
    assert "Stable" in said
    assert "Feel" in said
    assert wording_grades.legend([MARKS]) == ""
    # exp of a symmetric law's middle is its median; the mean lies above it.
    skewed = [
        Response("Viscosity", scale="log"),
        Response("Share", scale="logit"),
        Response("Cost", source="cost_per_kg"),
    ]
    assert wording_grades.legend(skewed) == (
        "Predicted of Viscosity and Share is the median: half of all batches come out above it."
    )


def test_contours_of_grades_are_the_thresholds_between_them():
    spec = spec_of(FEEL)
    assert wording_grades.steps(spec) == (1.5, 2.5)
    assert wording_grades.step_words(spec, 1.5) == "poor | fair"
    assert wording_grades.edges(spec) == (1.5, None)
    assert wording_grades.from_to(spec, 1.2, 2.9) == "poor to good"
    assert wording_grades.edges(spec_of(MARKS)) == (2.0, None)
    stable = spec_of(Response("Stable", kind="pass", aim="above"))
    assert wording_grades.from_to(stable, 0.1, 0.9) == "10\u202f% to 90\u202f% pass"
    assert wording_grades.step_words(stable, 0.4) == "40\u202f%"


def test_passes_are_counted():
    assert wording_grades.read_from_to(Response("Stable", kind="pass"), [1.0, 0.0, 1.0]) == "2 of 3 passed"


def shown(response, predicted, ends, axis, state="meets"):
    return Strip(spec_of(response), predicted, 0.3, ends, ends, ends, 0.93, state, axis)


def test_specs_on_page_and_card_name_their_grades():
    found = shown(FEEL, 2.8, (1.7, 3.2), (0.8, 3.2))
    assert wording.asked(found.spec) == "at least fair"
    assert wording.predicted(found) == "good"
    assert strip_words(found) == "Feel: at least fair; predicted good; meets"
    assert ">fair</text>" in strip(found)
    assert ">2</text>" not in strip(found)


def test_a_pass_is_a_share_of_batches_from_none_to_all():
    stable = Response("Stable", kind="pass", aim="above")
    found = shown(stable, 0.934, (0.7, 0.99), (0.0, 1.0))
    assert wording.asked(found.spec) == "pass"
    assert wording.state_of(0.934, found.spec) == "meets"
    assert wording.predicted(found) == "93\u202f% pass"
    assert wording_grades.span(stable, 0.7, 0.99) == "70\u202f% to 99\u202f%"
    assert "none passes" in strip(found)
    assert strip_words(found) == "Stable: pass; predicted 93\u202f% pass; meets"
