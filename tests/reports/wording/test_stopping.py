"""When to stop: the sentence has the numbers that were given, and a chance is never shown as certain."""

from types import SimpleNamespace

import pytest

from doe.problems import Unavailable
from optimise.upcoming.due import Due, StopRule
from reports.wording.stopping import when_to_stop

GAIN = {"course": (0.001, 0.02), "pays": 2, "ceiling": {"chance": 0.1, "reached": 0.03}}
NONE = Unavailable("no must", "give one")
CEILING = "were every must known exactly, the best formula would pass with 70 % in the mean, and reach 90 % in 3 of 100"


def said(why="short", chance=0.6, foretold="", batches=0, rule=(None, 8, None, 0.0, "EUR"), gain=GAIN):
    due = Due("learn", why, batches, chance, 0.9, "F1")
    told = SimpleNamespace(due=due, rule=StopRule(*rule, why), foretold=foretold, gain=gain, table=range(batches))
    return when_to_stop(told).replace("\u202f", " ")


@pytest.mark.parametrize(
    ("chance", "words"),
    [(0.8249, "now 82 %."), (0.999, "now over 99 %."), (2e-5, "now under 1 %."), (1.0, "now over 99 %."),
     (NONE, "there is no chance yet.")],
)  # fmt: skip
def test_the_chance_as_it_is(chance, words):
    assert said(chance=chance).endswith(words)
    assert said(chance=chance).startswith(
        "Stop when a new batch of the formula passes everything with a chance of 90 %"
    )


def test_what_done_sets_and_how_much_of_it_is_used():
    told = said(rule=(40, 8, 1800.0, 360.0, "CHF"))
    assert "or after 40 batches (8 made), or when 1800 CHF is spent (360 CHF so far, on batches); the chance" in told


@pytest.mark.parametrize(
    ("why", "words"),
    [("reached", "fresh batches of the formula are to confirm it."), ("spent", "The batches or the money are used up."),
     ("confirmed", "it is time to stop."), ("clash", "agree which of them or which limit may move."),
     ("wishes", "stop when the formula is confirmed.")],
)  # fmt: skip
def test_whether_it_is_time(why, words):
    assert said(why=why).endswith(words)


def test_a_confirmed_formula_of_wishes_alone():
    told = said(why="confirmed", chance=NONE)
    assert told.startswith("Only wishes are given")
    assert told.endswith("The formula is confirmed: it is time to stop.")


LITTLE_ELSE = f"Other limits or other ingredients would do more: {CEILING} cases."


@pytest.mark.parametrize(
    ("foretold", "batches", "words"),
    [
        ("none", 0, f"Even 2 further trials are expected to raise it by 2.0 points only. {LITTLE_ELSE}"),
        ("little", 1, f"This batch is expected to raise it by 0.1 points only. {LITTLE_ELSE}"),
        ("enough", 2, "These 2 batches are expected to be enough."),
        ("hopeless", 2, f"reach it: {CEILING} cases. Other limits or ingredients would do more."),
    ],
)
def test_what_the_next_batches_may_do(foretold, batches, words):
    told = said(foretold=foretold, batches=batches)
    assert "the chance is now 60 %. " in told
    assert told.endswith(words)


def test_that_a_few_of_them_are_enough_is_no_contradiction_to_what_is_worth_making():
    gain = {**GAIN, "course": (0.2, 0.31, 0.311, 0.312), "pays": 2}
    told = said(foretold="enough", batches=4, gain=gain)
    assert told.endswith("The 2 of them that bring most are expected to be enough.")
    told = said(foretold="enough", batches=4, gain={**gain, "pays": 1})
    assert told.endswith("These 4 batches are expected to be enough.")


def test_what_is_confirmed_or_clashes_is_not_told_to_change_its_limits_again():
    for why in ("confirmed", "clash"):
        assert said(why, foretold="none").endswith("are expected to raise it by 2.0 points only.")
