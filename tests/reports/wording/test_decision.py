"""The first line and what stands under it: nothing twice, and nothing that fresh batches have already answered."""

from types import SimpleNamespace

import pytest

from optimise.upcoming.due import due
from reports.gathering.formula import formulas
from reports.wording.decision import confirm_line, decision, next_step
from reports.wording.verdict import standing


@pytest.fixture(scope="module")
def found(job):
    (formula,) = formulas(job.study, job.models, job.best.levels)
    return SimpleNamespace(formula=formula, due=due(job.study, job.models, job.best.levels))


def verdict(off=(), missed=(), **more):
    """What three fresh batches said: the responses not as predicted, and the musts outside their limits."""
    read = {"Thickness": {}, "Feel": {}}
    against = {"off": list(off), "missed": list(missed), "breaks": [], "left_out": [], "near": 0.02}
    good = not (off or missed)
    return {"confirmed": good, "batches": ["T17-1", "T18-1", "T19-1"], "responses": read, **against, **more}


def test_a_formula_that_awaits_its_batches_is_not_said_to_twice(found):
    made = decision(found.formula, found.due, (), 16, 0)
    assert made.line == "Make formula F1, 3 times, to confirm it"
    assert "confirm" not in made.because
    assert "have confirmed it yet" in standing(found.formula, None)


def test_batches_that_came_out_otherwise_stand_in_the_first_line(found):
    said = verdict(("Thickness", "Feel"), ("Thickness",))
    made = decision(found.formula, found.due, (), 19, 0, said)
    assert made.line == "Do not hand over F1 yet: fresh batches did not confirm it"
    off = "3 fresh batches of it did not come out as predicted in Thickness and Feel and lay outside the limits of"
    assert made.because.startswith(f"{off} Thickness. With them known, ")
    # It is said once: what stands under the line is part of it.
    assert standing(found.formula, said) in made.because


def test_another_formula_that_fresh_batches_did_not_confirm_is_named_beside_what_is_due(found):
    said = verdict(missed=("Thickness",), formula="F9")
    made = decision(found.formula, found.due, (), 19, 0, said)
    assert made.line == "Make formula F1, 3 times, to confirm it"
    assert made.because.endswith("F9: not confirmed by 3 fresh batches: outside its limits: Thickness.")


def test_a_formula_confirmed_before_what_is_asked_has_changed_is_not_said_to_have_failed(found):
    said = verdict(missed=("Thickness",), confirmed_then=True)
    made = decision(found.formula, found.due, (), 19, 0, said)
    assert made.line == "Do not hand over F1 yet: what is asked has changed since fresh batches confirmed it"
    by_then = "3 fresh batches of it confirmed it by what was asked when they were planned; now: outside the present"
    assert made.because.startswith(f"{by_then} limits: Thickness. With them known, ")


def test_what_confirmation_would_tell_is_not_the_same_number_twice():
    told = {"batches": 3, "poor": 0.8, "fear": 0.004, "fear_left": 0.001, "passes": 0.97, "hopeless": False}
    assert "is under 1\u202f%, now and once all 3 have passed. A formula as good" in confirm_line(told)
    told |= {"fear": 0.12}
    assert "is 12\u202f% now, and under 1\u202f% once all 3 have passed. A formula" in confirm_line(told)


def shows(**chances):
    return SimpleNamespace(shows={name: {"chance": chance} for name, chance in chances.items()})


def test_a_plan_that_is_too_weak_says_so_first():
    made = decision(None, None, (), 0, 14, None, shows(Feel=0.9, Settled=0.37))
    assert made.line == "These 14 batches may not show all that matters"
    assert "What matters may go unseen in Settled (37\u202f%): plan --compare" in made.because
    step = next_step(made, None, None, 45.0, 4.0, "", 14, shows(Settled=0.37))
    assert step.line == "Weigh other plans with plan --compare, or make the 14 batches in the order given"
    assert step.cost == 14 * 45.0
    made = decision(None, None, (), 0, 14, None, shows(Feel=0.9))
    assert made.line == "Make these 14 batches"
    assert "chance of 80\u202f% or more in every response" in made.because


def test_where_musts_clash_is_said_by_what_was_searched(found):
    step = SimpleNamespace(why="clash")
    clash = [{"response": "Thickness", "fenced": True}, {"response": "Cost"}, {"response": "Thickness"}]
    made = decision(found.formula, step, clash, 16, 0)
    assert made.because == "Within what was tried Thickness and Cost cannot be met together, as predicted."
    everywhere = decision(found.formula, step, [{**clash[0], "fenced": False}], 16, 0)
    assert everywhere.because == "Within these limits Thickness cannot be met, as predicted."


def test_batches_that_would_hardly_pass_are_said_not_to_be_worth_making():
    told = {"batches": 4, "poor": 0.6, "fear": 0.95, "fear_left": 0.04, "passes": 0.8, "all_pass": 0.002}
    said = confirm_line({**told, "hopeless": True})
    assert said.startswith(
        "Hardly worth making to confirm it: as the models stand, all 4 pass in under 1\u202f% of cases."
    )
    assert "60" not in said
