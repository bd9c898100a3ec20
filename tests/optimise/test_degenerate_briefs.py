"""Briefs with no single answer: flat, two equal optima, empty. The answers follow from the surfaces, by arithmetic."""

import json

import numpy as np
import pandas as pd
import pytest

from doe import Study
from optimise import find, fit


def study(model="quadratic", **asked):
    factors = [{"name": name, "low": -1, "high": 1} for name in "AB"]
    response = {"name": "Y", "unit": "u", "method": "m", **asked}
    return Study.from_dict(
        {"study": {"name": "s"}, "factor": factors, "response": [response], "plan": {"model": model}}
    )


def models_of(made, surface, levels=(-1, 0, 1), terms="all"):
    """A fit to two batches of each recipe of a grid, their readings 0.01 above and below the surface."""
    a, b = (m.ravel() for m in np.meshgrid(levels, levels))
    a, b, off = np.tile(a, 2), np.tile(b, 2), np.repeat([-0.01, 0.01], len(a))
    frame = pd.DataFrame({"A": a, "B": b, "Y": surface(a, b) + off}, index=[f"H{i}" for i in range(len(a))])
    return fit(made, made.results(frame), terms=terms)


@pytest.mark.parametrize("objective", ["chance", "desirability"])
def test_a_flat_optimum_is_met_and_proved(objective):
    """Everywhere far above what is wanted: any recipe is best, and none is better by more than the certificate says."""
    made = study(aim="above", low=1, target=2)
    models = models_of(made, lambda a, b: 5 + 0.1 * a + 0.1 * b)
    best = find(made, models, objective=objective)
    value = best.chance if objective == "chance" else best.desirability
    assert value == pytest.approx(1, abs=1e-6)
    assert best.is_feasible
    assert not best.is_extrapolating
    assert best.certificate.proved
    assert best.certificate.upper_bound <= 1 + 1e-9
    assert not best.clash
    again = find(made, models, objective=objective)
    assert json.dumps(best.to_dict(), allow_nan=False) == json.dumps(again.to_dict(), allow_nan=False)


def test_among_equally_desirable_recipes_the_likeliest_is_taken():
    """Desirability is 1 on half the square (Y from 5 on); the chance is highest at the corner where Y is highest."""
    made = study(aim="above", low=4, target=5)
    best = find(made, models_of(made, lambda a, b: 5 + a + b), objective="desirability")
    assert best.desirability == pytest.approx(1, abs=1e-9)
    assert best.chance > 0.999


@pytest.mark.parametrize("objective", ["chance", "desirability"])
def test_of_two_equal_optima_one_is_found_and_the_other_shown(objective):
    """Y = a² is highest on both sides, a = -1 and a = +1, and equally so."""
    made = study(aim="above", low=0.9, target=1.2)
    best = find(made, models_of(made, lambda a, b: a**2), objective=objective)
    assert abs(best.factors["A"]) == pytest.approx(1, abs=1e-3)
    (other, *_) = [row for row in best.alternatives if row["factors"]["A"] * best.factors["A"] < 0]
    key, value = ("chance_all", best.chance) if objective == "chance" else ("desirability", best.desirability)
    assert other[key] == pytest.approx(value, abs=1e-4)
    assert abs(other["factors"]["A"]) == pytest.approx(1, abs=1e-3)


@pytest.mark.parametrize("objective", ["chance", "desirability"])
@pytest.mark.parametrize("low", [3.0, 6.0])
def test_limits_without_a_target_are_met_or_said_to_clash(objective, low):
    """Up = 5 + a² + a and Down = 5 - 2 a: 6 of Up wants a > 0.6, `low` of Down a < (5 - low) / 2."""
    asked = [{"name": n, "unit": "u", "method": "m", "aim": "above", "low": v} for n, v in (("Up", 6), ("Down", low))]
    factors = [{"name": name, "low": -1, "high": 1} for name in "AB"]
    made = Study.from_dict(
        {"study": {"name": "s"}, "factor": factors, "response": asked, "plan": {"model": "quadratic"}}
    )
    a, b = (np.tile(m.ravel(), 2) for m in np.meshgrid([-1, 0, 1], [-1, 0, 1]))
    off = np.repeat([-0.01, 0.01], 9)
    frame = pd.DataFrame({"A": a, "B": b, "Up": 5 + a**2 + a + off, "Down": 5 - 2 * a + off[::-1]})
    best = find(made, fit(made, made.results(frame), terms="all"), objective=objective)
    assert best.is_feasible is (low == 3)
    assert best.desirability == pytest.approx(1.0 if low == 3 else 0.0, abs=1e-9)
    clash = [] if low == 3 else [("Down", True), ("Up", True)]
    assert sorted((c["response"], c["proved"]) for c in best.clash) == clash


@pytest.mark.parametrize("objective", ["chance", "desirability"])
def test_an_empty_brief_is_no_search(objective):
    made = study(aim="watch")
    best = find(made, models_of(made, lambda a, b: a + b), objective=objective)
    assert (best.factors["A"], best.factors["B"]) == pytest.approx((0, 0), abs=1e-9)
    assert [f.level for f in best.findings if f.code == "empty-brief"] == ["warn"]
    assert not best.alternatives
    assert not best.front
    assert not best.tolerances
    json.dumps(best.to_dict(), allow_nan=False)


@pytest.mark.parametrize("terms", ["select", "all"])
def test_a_linear_plan_says_that_the_middle_is_untested(terms):
    """Trials at the corners only, and Y = 5 wanted, which lies on the line between them."""
    made = study("linear", aim="within", low=4.7, high=5.3)
    corners = models_of(made, lambda a, b: 5 + a + b, (-1, 1), terms)
    best = find(made, corners, hold={"A": 0.0, "B": 0.0})
    (said,) = [f for f in best.findings if f.code == "middle-untested"]
    assert said.level == "warn"
    assert said.got.startswith("Y is planned without a bend, and no trial lies near the formula or the middle")
    # A formula at a trial, batches in the middle, or a plan with squares: nothing to say.
    for other, models, hold in (
        (made, corners, {"A": -1.0, "B": 1.0}),
        (made, models_of(made, lambda a, b: 5 + a + b), {"A": 0.0, "B": 0.0}),
        (study(aim="within", low=4.7, high=5.3), None, {"A": 0.0, "B": 0.0}),
    ):
        models = models_of(other, lambda a, b: 5 + a + b, (-1, 1), "select") if models is None else models
        assert "middle-untested" not in {f.code for f in find(other, models, hold=hold).findings}


def test_a_formula_that_is_predicted_beyond_a_limit_says_so():
    """Up = a scatters by far more than Down = 1 - a: 0.99 of Up and 0.005 of Down are met together from a = 0.99 to
    0.995 only, where half of all batches miss Down. A little below, hardly more miss Up, and hardly any miss Down."""
    asked = [
        {"name": n, "unit": "u", "method": "m", "aim": "above", "low": v} for n, v in (("Up", 0.99), ("Down", 5e-3))
    ]
    factors = [{"name": name, "low": -1, "high": 1} for name in "AB"]
    made = Study.from_dict({"study": {"name": "s"}, "factor": factors, "response": asked, "plan": {"model": "linear"}})
    a, b = (np.tile(m.ravel(), 2) for m in np.meshgrid([-1, 0, 1], [-1, 0, 1]))
    off = np.repeat([-1, 1], 9)
    frame = pd.DataFrame({"A": a, "B": b, "Up": a + 0.5 * off, "Down": 1 - a + 0.01 * off})
    best = find(made, fit(made, made.results(frame), terms="all"))
    assert best.factors["A"] < 0.99
    assert not best.is_feasible
    assert not best.clash
    (said,) = [f for f in best.findings if f.code == "beyond-a-limit"]
    assert said.got.endswith("beyond the limit of Up")
