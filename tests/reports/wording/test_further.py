"""Sentences on batches not made yet and on those that came back: their numbers are those that were given."""

import pytest

from reports.wording.further import HEADS, ceiling_line, gain_line, gain_rows, passes_line, worth_line

GAIN = {
    "chance": 0.25, "course": [0.20, 0.25, 0.251, 0.252], "reached": [0.0, 0.02, 0.25, 0.251],
    "pays": 2, "worth": ["T10", "T12"], "money_per_percent": 3.6, "ceiling": {"chance": 0.4, "reached": 0.34},
}  # fmt: skip


def plain(text):
    return text.replace("\u2009", " ").replace("\u202f", " ")


def test_what_further_batches_bring():
    assert plain(gain_line(GAIN, 0.107, 2, "EUR")) == (
        "2 further batches are expected to raise the best chance by about 25 points, from 11 % to 36 %; a point costs"
        " about €4."
    )
    assert gain_line(GAIN, None, 2, "EUR") == gain_line(GAIN, 0.1, 0, "EUR") == ""
    assert plain(ceiling_line(GAIN, 0.107, 0.9)) == (
        "Were every must known exactly, the best formula would pass with 51 % in the mean, and reach the 90 % asked"
        " for in 34 of 100 cases."
    )


@pytest.mark.parametrize(
    ("batches", "pays", "said"),
    [
        (2, 2, "After these it flattens: 2 more would add 0.2 points, 0.1 points each."),
        (4, 2, "Most of that is to be had from T10 and T12; the other 2 would add 0.2 points."),
        (4, 0, "None of them is worth making: together they would add 25.2 points."),
        (1, 2, "Up to 2 are worth making: 1 more would add 5.0 points."),
        (4, 4, ""),
    ],
)
def test_which_are_worth_making(batches, pays, said):
    assert plain(worth_line({**GAIN, "pays": pays}, batches)) == said


def test_a_rise_of_less_than_a_point_is_not_told_from_a_number_to_the_same():
    said = plain(gain_line({**GAIN, "chance": 0.006}, 0.857, 3, "EUR"))
    assert "by about 0.6 points, from 85.7 % to 86.3 %" in said


def test_a_row_a_number_of_batches():
    rows = [tuple(map(plain, row)) for row in gain_rows(GAIN, 0.107, 45.0, "EUR")]
    assert rows[0] == ("1", "30.7 %", "20.0 points", "hardly any case", "€45")
    assert rows[2] == ("3", "35.8 %", "0.1 points", "25 of 100", "€135")
    assert len(gain_rows(GAIN, 0.107, 0.0, "EUR")[0]) == len(HEADS) - 1
    assert gain_rows({}, 0.107, 45.0, "EUR") == []
    # What all of them together hardly raise takes no table.
    assert gain_rows({**GAIN, "course": [0.0, 0.001]}, 0.107, 45.0, "EUR") == []


def test_how_many_passed_against_the_chance_said():
    verdict = {"passes": {"passed": 5, "of": 6, "chance": 0.9, "so_few": 0.47, "so_many": 0.89}}
    assert plain(passes_line(verdict)) == (
        "5 of 6 fresh batches passed every must. Without these batches the models give it a chance of 90 %; so few as "
        "5 pass then in 47 % of cases: no surprise."
    )
    few = {"passes": {**verdict["passes"], "passed": 2, "so_few": 0.001}}
    assert plain(passes_line(few)).endswith("so few as 2 pass then in under 1 % of cases: a surprise.")
    whole = {"passes": {**verdict["passes"], "passed": 6, "so_many": 0.53}}
    assert (
        plain(passes_line(whole))
        == "Without these batches the models give it a chance of 90 %; all 6 pass then in 53 % of cases."
    )
    assert passes_line(None) == passes_line({"passes": {"unavailable": "none", "do": ""}}) == ""
