"""What a proof says: rounded so that it stays true, and never more than is proven."""

import pytest

from doe import Study
from doe.problems import Unavailable
from reports.wording import proof as wording_proof

CHANCE = {"objective": "chance", "value": 0.7804, "upper_bound": 0.78112, "proved": True, "target": 0.001}
STUDY = Study.from_dict(
    {
        "study": {"name": "words"},
        "factor": [{"name": "Speed", "low": 0, "high": 10}],
        "response": [{"name": "Thick", "unit": "Pa s", "method": "m", "aim": "above", "low": 12}],
    }
)
SAID = {"proved": True, "minimal": True, "fenced": True}
THICK = {"response": "Thick", "side": "low", "limit": 12.0, "reached": 11.2, **SAID}


def test_a_bound_is_rounded_up():
    said = wording_proof.bound(CHANCE)
    assert "no recipe in the tried region passes more often than 78.2" in said
    assert "none is better than this one by more than 0.1 points" in said
    assert said.startswith("Proved")


def test_a_bound_that_leaves_a_gap_says_so():
    said = wording_proof.bound({**CHANCE, "upper_bound": 0.81, "proved": False, "fenced": False})
    assert "no recipe within the limits passes more often than 81.0" in said
    assert "3 points below that" in said
    assert "is open" in said


def test_what_no_longer_look_can_narrow_is_not_called_open():
    said = wording_proof.bound({**CHANCE, "upper_bound": 0.81, "proved": False, "finished": True})
    assert "3 points below that, which no longer look narrows" in said
    assert "responses of a batch that go together" in said
    assert "open" not in said
    worth = {"objective": "desirability", "value": 0.78, "upper_bound": 0.8, "proved": False, "target": 0.001}
    said = wording_proof.bound({**worth, "finished": True})
    assert said.endswith("it allows for levels between weighable steps.")


def test_places_beside_what_was_tried_are_not_said_to_have_been_searched():
    said = wording_proof.bound({**CHANCE, "upper_bound": 1.0, "proved": False, "fenced": False, "beside": True})
    assert said.startswith("Only the places nearest to what was tried were looked at")


def test_a_wide_gap_is_not_led_with_as_proved():
    said = wording_proof.bound({**CHANCE, "upper_bound": 0.93, "proved": False})
    assert said.startswith("Found by many starts")
    assert "more often than 93.0" in said


def test_what_is_held_is_said_and_one_recipe_alone_proves_nothing_of_others():
    held = {**CHANCE, "boxes": 40, "held": ["Gum"]}
    assert "no recipe in the tried region with this Gum passes" in wording_proof.bound(held)
    assert wording_proof.bound({**held, "boxes": 0}) == ""


@pytest.mark.parametrize("value", [0.2, 0.9])
def test_without_a_bound_nothing_is_called_proved(value):
    said = wording_proof.bound({**CHANCE, "value": value, "upper_bound": 1.0, "proved": False})
    assert "is not proved" in said
    assert "Proved" not in said


def test_near_certainty_is_bounded_by_what_is_proved_or_by_certainty_itself():
    near = {**CHANCE, "value": 0.99799, "upper_bound": 0.999032, "proved": False}
    said = wording_proof.bound(near)
    assert said.startswith("Proved: no recipe in the tried region passes more often than 99.91")
    assert "0.11 points below that" in said
    said = wording_proof.bound({**near, "value": 0.985, "upper_bound": 1.0})
    assert "Proved" not in said
    assert "none is better by more than 1.5 points" in said


def test_desirability_is_no_percentage():
    said = wording_proof.bound({**CHANCE, "objective": "desirability", "value": 0.596, "upper_bound": 0.5968})
    assert "a desirability above 0.597" in said
    assert "%" not in said


def test_no_value_no_words():
    none = Unavailable("no must", "add one").to_dict()
    assert wording_proof.bound({**CHANCE, "value": none, "upper_bound": none}) == ""
    assert wording_proof.clash(STUDY, ()) == ()
    assert wording_proof.closest(STUDY, {}) == ""


def test_a_clash_names_limit_reach_and_what_would_do():
    whole, thick = wording_proof.clash(STUDY, [{**THICK, "change": -0.8}])
    assert whole == "Proved: in these models Thick cannot be met by any recipe in the tried region."
    assert "at least 12" in thick
    assert "moving this limit by 0.8" in thick
    assert (
        "by any recipe within the limits." in wording_proof.clash(STUDY, [{**THICK, "fenced": False, "change": -1}])[0]
    )
    whole, thick = wording_proof.clash(STUDY, [{**THICK, "proved": False, "change": None}])
    assert "not proved" in whole
    assert "moving this limit alone is not enough" in thick


def test_the_closest_recipe_is_named_with_what_it_gives():
    said = wording_proof.closest(STUDY, {"levels": {"Speed": 3.0}, "responses": {"Thick": 11.23}, "worst_miss": 1.0})
    assert said == "Closest to all of them: Speed 3; predicted Thick 11.2\u202fPa s."


def test_a_limit_is_moved_by_no_less_than_would_do():
    said = wording_proof.clash(STUDY, [{**THICK, "reached": 11.9, "change": -0.1041}])[1]
    assert "moving this limit by 0.11\u202fPa s would do" in said


def test_what_one_must_reaches_alone_is_told_from_what_it_reaches_with_all_others_met():
    said = wording_proof.clash(STUDY, [{**THICK, "reached": 11.6, "change": -2.6}])[1].replace("\u202f", " ")
    assert "11.6 Pa s is the best that is reached, and 9.4 Pa s with every other must met as well; moving" in said
    assert "every other must" not in wording_proof.clash(STUDY, [{**THICK, "change": -0.8}])[1]


def test_the_closest_recipe_has_grades_by_name_and_shares_that_pass():
    study = Study.from_dict(
        {
            "study": {"name": "words"},
            "factor": [{"name": "Speed", "low": 0, "high": 10}],
            "response": [
                {"name": "Grain", "kind": "grade", "grades": ["smooth", "rough"], "aim": "below", "high": "smooth"},
                {"name": "Lid", "kind": "pass", "aim": "above"},
            ],
        }
    )
    said = wording_proof.closest(study, {"levels": {"Speed": 3.0}, "responses": {"Grain": 1.04, "Lid": 0.8}})
    assert said.endswith("predicted Grain smooth, Lid 80\u202f% pass.")
