"""What to make next: confirmation with limits and a verdict, trials that teach, and when to stop."""

import json
from functools import lru_cache
from itertools import product

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from doe import Study, plan
from doe.problems import ModelError, Unavailable
from doe.results.joining import joined
from optimise.models.models import fit
from optimise.search import find
from optimise.upcoming.upcoming import next_trials
from optimise.upcoming.verdict import confirmation

NAMES = ["A", "B", "C"]


def study(**done):
    return Study.from_dict(
        {
            "study": {"name": "three factors", "batch_cost": 50.0, "batches_per_day": 4},
            "factor": [{"name": n, "low": -1, "high": 1, "step": 0.1} for n in NAMES],
            "response": [
                {"name": "Y", "unit": "u", "method": "m", "aim": "above", "low": 6.0},
                {"name": "Z", "unit": "u", "method": "m", "aim": "within", "low": -1.0, "high": 1.0},
            ],
            "plan": {"model": "quadratic"},
            "done": done,
        }
    )


def surface(X):
    return 5 + X[:, 0] + 1.2 * X[:, 1] - 0.5 * X[:, 2] ** 2, X[:, 0] - X[:, 1] + 0.4 * X[:, 2]


def table(X, seed, noise, prefix="H"):
    rng = np.random.default_rng(seed)
    y, z = surface(X)
    frame = pd.DataFrame(X, columns=NAMES, index=[f"{prefix}{i}" for i in range(len(X))])
    return frame.assign(Y=y + noise * rng.normal(size=len(X)), Z=z + noise * rng.normal(size=len(X)))


@lru_cache(maxsize=8)
def made(noise=0.3, **done):
    """Sixteen historical trials: corners, faces and two centres of the cube; the fit, and the formula found."""
    asked = study(**done)
    corners = np.array(list(product([-1.0, 1.0], repeat=3)))
    faces = np.vstack([np.eye(3), -np.eye(3)])
    frame = table(np.vstack([corners, faces, np.zeros((2, 3))]), 1, noise)
    models = fit(asked, asked.results(frame))
    return asked, models, find(asked, models), frame


def confirmed_by(asked, models, best, noise, shift=0.0, count=3):
    """Fit to the trials and to confirmation batches of the formula that came back, Y shifted."""
    design = next_trials(asked, models, confirm=count, best=best).design
    back = table(design.table[NAMES].to_numpy(dtype=float), 7, noise)
    readings = back[["Y", "Z"]].assign(trial=list(design.table.index), Y=back["Y"] + shift)
    results = joined(models.results, asked.results(readings.reset_index(drop=True), design=design))
    return fit(asked, results)


def test_confirmation_is_the_formula_again():
    asked, models, best, _ = made()
    upcoming = next_trials(asked, models, confirm=3, best=best)
    assert upcoming.purpose == "confirm"
    assert upcoming.table[NAMES].to_numpy(dtype=float) == pytest.approx(np.tile(list(best.factors.values()), (3, 1)))
    assert upcoming.runs["replicate_of"].notna().sum() == 2
    assert upcoming.design.round == 1  # a historical table is no round
    assert isinstance(upcoming.verdict, Unavailable)
    assert set(upcoming.limits) == {"Y", "Z"}


def test_limits_of_three_batches_are_wider_than_those_of_one():
    asked, models, best, _ = made()
    limits = next_trials(asked, models, confirm=3, best=best).limits
    for name, (low, high) in limits.items():
        one_low, one_high = models.predictive(name, best.levels).batch_interval()[0]
        assert low < one_low
        assert high > one_high


def test_a_formula_may_be_given_by_its_levels():
    asked, models, _, _ = made()
    upcoming = next_trials(asked, models, confirm=2, formula={"A": 0.5, "B": 0.4, "C": 0.0})
    assert upcoming.table[NAMES].to_numpy(dtype=float) == pytest.approx(np.tile([0.5, 0.4, 0.0], (2, 1)))


@pytest.mark.parametrize(("shift", "confirmed"), [(0.0, True), (-3.0, False)])
def test_a_verdict_on_batches_that_came_back(shift, confirmed):
    asked, models, best, _ = made()
    later = confirmed_by(asked, models, best, 0.1, shift)
    verdict = next_trials(asked, later, confirm=2, formula=dict(best.factors)).verdict
    assert len(verdict["batches"]) == 3
    assert verdict["confirmed"] is confirmed
    assert verdict["responses"]["Y"]["as_predicted"] is confirmed
    assert verdict["off"] == ([] if confirmed else ["Y"])


def test_the_verdict_comes_from_a_fit_that_has_not_seen_the_batches():
    asked, models, best, _ = made()
    later = confirmed_by(asked, models, best, 0.1, count=2)
    verdict = next_trials(asked, later, confirm=1, formula=dict(best.factors)).verdict
    limits = next_trials(asked, models, confirm=2, formula=dict(best.factors)).limits
    assert verdict["responses"]["Y"]["limits"] == pytest.approx(list(limits["Y"]))


def test_learning_trials_take_uncertainty_away_and_keep_steps():
    asked, models, best, _ = made()
    few, many = (next_trials(asked, models, learn=n, best=best) for n in (2, 6))
    assert many.purpose == "learn"
    levels = many.table[NAMES].to_numpy(dtype=float)
    assert levels / 0.1 == pytest.approx(np.round(levels / 0.1), abs=1e-6)
    assert asked.region.contains(levels).all()
    assert 0 < few.gain["variance"] < many.gain["variance"] < 1
    assert many.gain["chance"] >= 0
    assert many.gain["per_batch"] == pytest.approx(many.gain["chance"] / 6)
    assert many.cost == pytest.approx(6 * 50.0)


def test_learning_beats_trials_taken_at_random():
    """Measured on the predictive variance at the best formula itself, from refits with the same noise-free readings."""
    asked, models, best, frame = made()
    chosen = next_trials(asked, models, learn=4, best=best).table[NAMES].to_numpy(dtype=float)

    def spread(X):
        y, z = surface(X)
        more = pd.DataFrame(X, columns=NAMES, index=[f"N{i}" for i in range(len(X))]).assign(Y=y, Z=z)
        refitted = fit(asked, asked.results(pd.concat([frame, more])))
        laws = [refitted.predictive(name, best.levels) for name in ("Y", "Z")]
        return sum(float(law.mean_scale[0] ** 2 @ law.weights) for law in laws)

    random = [spread(np.round(asked.region.sample(4, seed=s), 1)) for s in range(5)]
    assert spread(chosen) < np.median(random)


def test_what_is_due_without_being_told():
    certain = made(noise=0.05, chance=0.8)
    assert next_trials(certain[0], certain[1], best=certain[2]).purpose == "confirm"
    spent = made(noise=0.8, chance=0.95, max_batches=16)
    assert next_trials(spent[0], spent[1], best=spent[2]).purpose == "stop"
    dear = made(noise=0.5, chance=0.95, budget=16 * 50.0 + 110.0)
    assert len(next_trials(dear[0], dear[1], best=dear[2]).gain["course"]) == 2


def test_as_many_trials_as_are_worth_making():
    """Gains of up to twelve level off: trials after those given would add less than one of them does in the mean."""
    asked, models, best, _ = made(noise=0.4, chance=0.97)
    due = next_trials(asked, models, best=best)
    gains = due.gain["course"]
    count = len(due.table)
    assert (due.purpose, len(gains)) == ("learn", 12)
    assert 0 < count < 12
    assert due.gain["pays"] == len(due.gain["worth"]) == count
    least = max(gains[-1] / 12, 0.0025)
    assert all(gains[k] - gains[count - 1] < least * (k + 1 - count) for k in range(count, 12))
    assert gains[count - 1] >= least * count
    assert due.gain["chance"] == gains[count - 1]
    assert list(due.gain["reached"]) == sorted(due.gain["reached"])
    same = next_trials(asked, models, best=best, learn="worth")
    assert same.to_dict()["runs"] == due.to_dict()["runs"]


def test_no_trials_where_none_is_worth_making():
    """Batches scatter by 0.8 about a window of 2 and a limit that no recipe keeps far from: no knowledge brings 95 %.

    The best true chance on a grid of the cube, by normal windows (scipy), is far below; four batches of each recipe
    are made, so that more teach next to nothing.
    """
    asked, _, _, frame = made(noise=0.8, chance=0.95)
    y, z = surface(np.array(list(product(np.linspace(-1, 1, 21), repeat=3))))
    true = stats.norm.sf(6, y, 0.8) * (stats.norm.cdf(1, z, 0.8) - stats.norm.cdf(-1, z, 0.8))
    assert true.max() < 0.9
    X = np.tile(frame[NAMES].to_numpy(), (4, 1))
    models = fit(asked, asked.results(table(X, 5, 0.8)))
    best = find(asked, models)
    due = next_trials(asked, models, best=best)
    assert (due.purpose, due.due.why, len(due.table)) == ("stop", "flat", 0)
    assert due.gain["ceiling"]["reached"] < 0.1
    assert due.foretold == "none"
    assert len(next_trials(asked, models, best=best, learn=3).table) == 3


def test_a_confirmed_formula_is_the_end():
    asked, models, best, _ = made(noise=0.05, chance=0.8)
    due = next_trials(asked, confirmed_by(asked, models, best, 0.05), formula=dict(best.factors))
    assert due.purpose == "stop"
    assert due.to_dict()["runs"] == []
    assert due.quality is None
    assert set(due.to_dict()["gain"]["chance"]) == {"unavailable", "do"}
    assert due.due.why == "confirmed"


def test_the_document_is_plain_and_repeats():
    asked, models, best, _ = made()
    first, second = (next_trials(asked, models, learn=3, best=best).to_dict() for _ in range(2))
    assert json.dumps(first, allow_nan=False) == json.dumps(second, allow_nan=False)
    assert set(first) >= {"purpose", "runs", "gain", "cost", "stop", "verdict"}
    assert [run["trial"] for run in first["runs"]] == sorted(run["trial"] for run in first["runs"])
    more = next_trials(asked, models, learn=3, best=best)
    assert more.quality is more.design.quality


REFUSED = [
    ({"confirm": 0}, "confirm"),
    ({"learn": 10**9}, "learn"),
    ({"learn": -1}, "learn"),
    ({"confirm": 1, "learn": 1}, "next"),
]


@pytest.mark.parametrize(("asked", "where"), REFUSED)
def test_what_cannot_be_asked(asked, where):
    made_study, models, best, _ = made()
    with pytest.raises(ModelError) as caught:
        next_trials(made_study, models, best=best, **asked)
    assert caught.value.problems[0].where == where


def came_back(study, first, back, formula):
    models = fit(study, study.results(first))
    design = next_trials(study, models, confirm=3, formula=formula).design
    readings = back.assign(trial=list(design.table.index))
    return confirmation(study, joined(models.results, study.results(readings, design=design)), formula)


def graded_and_passing():
    study = Study.from_dict(
        {
            "study": {"name": "Words"},
            "factor": [{"name": "Speed", "low": 0, "high": 1}],
            "plan": {"model": "linear"},
            "response": [
                {"name": "Feel", "kind": "grade", "grades": ["poor", "fair", "good"], "aim": "above", "low": "fair",
                 "must": True, "method": "panel"},
                {"name": "Stable", "kind": "pass", "aim": "above", "must": True, "method": "oven"},
            ],
        }
    )  # fmt: skip
    x = np.linspace(0, 1, 24)
    rows = pd.DataFrame({"Speed": x})
    rows["Feel"] = np.array(["poor", "fair", "good"])[np.searchsorted([0.3, 0.6], x + 0.1 * np.cos(9 * x))]
    rows["Stable"] = np.where(x + 0.2 * np.cos(7 * x) > 0.25, "pass", "fail")
    return study, rows


@pytest.mark.parametrize(("feel", "stable", "good"), [("good", "pass", True), ("good", "fail", False)])
def test_top_grades_and_passes_can_confirm(feel, stable, good):
    """The best grade and a pass lie at the very end of what can be read, and are still as predicted."""
    study, rows = graded_and_passing()
    verdict = came_back(study, rows, pd.DataFrame({"Feel": [feel] * 3, "Stable": stable}), {"Speed": 0.95})
    assert verdict["confirmed"] is good
    assert verdict["responses"]["Feel"]["as_predicted"]
    assert verdict["responses"]["Feel"]["limits"][1] == 3.0
    assert verdict["responses"]["Stable"]["limits"] in ([1.0, 1.0], [0.0, 1.0])


def test_batches_recorded_on_one_day_are_judged_together():
    """Where days differ, three batches of one day keep closer to each other than three of three days."""
    rng = np.random.default_rng(3)
    study = Study.from_dict(
        {
            "study": {"name": "Days"},
            "factor": [{"name": "Speed", "low": -1, "high": 1}],
            "plan": {"model": "linear"},
            "response": [{"name": "Foam", "method": "cylinder", "aim": "above", "low": 15}],
        }
    )
    x = np.tile([-1.0, -0.3, 0.3, 1.0], 6)
    first = pd.DataFrame({"Speed": x, "block": np.repeat([f"D{i}" for i in range(6)], 4)})
    first["Foam"] = 20 + 2 * x + np.repeat(rng.normal(0, 2, 6), 4) + rng.normal(0, 0.3, 24)
    width = {}
    for days in (["E1"] * 3, ["E1", "E2", "E3"]):
        back = pd.DataFrame({"block": days, "Foam": [20.0, 20.1, 19.9]})
        verdict = came_back(study, first, back, {"Speed": 0.0})
        low, high = verdict["responses"]["Foam"]["limits"]
        width[len(set(days))] = high - low
    assert width[1] < width[3]


def priced(gum=None, most=2.0):
    return Study.from_dict(
        {
            "study": {"name": "Moved on"},
            "ingredient": [
                {"name": "Water", "qs": True, "price_per_kg": 0.0},
                {"name": "Gum", "price_per_kg": 100.0, **(gum or {"low": 0.2, "high": 1.0})},
                {"name": "Oil", "low": 1.0, "high": 5.0, "price_per_kg": 0.0},
            ],
            "plan": {"model": "linear"},
            "response": [
                {"name": "Foam", "method": "cylinder", "aim": "above", "low": 15},
                {"name": "Cost", "from": "cost_per_kg", "unit": "EUR/kg", "aim": "below", "high": most},
            ],
        }
    )


MOVED_ON = [
    ({}, [], []),
    ({"most": 0.5}, ["Cost"], []),
    ({"gum": {"low": 0.2, "high": 0.5}}, [], ["Gum at most 0.5"]),
    ({"gum": {"withdrawn": True}}, [], ["Gum is left out"]),
]


@pytest.mark.parametrize(("moved", "missed", "breaks"), MOVED_ON)
def test_a_confirmed_formula_is_none_once_the_study_rules_it_out(moved, missed, breaks):
    """0.8 % of a gum at 100 EUR/kg costs 0.80 EUR/kg: by hand."""
    rng = np.random.default_rng(4)
    first = pd.DataFrame({"Gum": np.tile([0.2, 0.5, 0.8, 1.0], 3), "Oil": np.repeat([1.0, 3.0, 5.0], 4)})
    first["Foam"] = 20 + 5 * first["Gum"] + rng.normal(0, 0.3, 12)
    formula = {"Gum": 0.8, "Oil": 3.0}
    before, study = priced(), priced(**moved)
    design = next_trials(before, fit(before, before.results(first)), confirm=3, formula=formula).design
    back = pd.DataFrame({"trial": list(design.table.index), "Foam": [24.1, 23.9, 24.0]})
    results = joined(study.results(first), study.results(back, design=design))
    verdict = confirmation(study, results, {"Water": 96.2, **formula}, then=before)
    assert (verdict["off"], verdict["missed"], verdict["breaks"]) == ([], missed, breaks)
    assert verdict["confirmed"] is not bool(missed or breaks)
    # What has moved since takes nothing from what the batches said by what was asked of them.
    assert verdict["confirmed_then"]
    dear = confirmation(study, results, {"Water": 96.2, **formula}, then=priced(most=0.5))
    assert not dear["confirmed_then"]


def test_a_batch_made_too_far_from_the_formula_to_confirm_it_is_named():
    # 0.82 % of a gum that goes from 0.2 to 1.0 %: off by 2.5 % of its reach.
    rng = np.random.default_rng(4)
    first = pd.DataFrame({"Gum": np.tile([0.2, 0.5, 0.8, 1.0], 3), "Oil": np.repeat([1.0, 3.0, 5.0], 4)})
    first["Foam"] = 20 + 5 * first["Gum"] + rng.normal(0, 0.3, 12)
    formula, study = {"Gum": 0.8, "Oil": 3.0}, priced()
    design = next_trials(study, fit(study, study.results(first)), confirm=3, formula=formula).design
    trials, gum = list(design.table.index), np.array([0.8, 0.8, 0.82])
    back = pd.DataFrame({"trial": trials, "Water": 97 - gum, "Gum": gum, "Oil": 3.0, "Foam": [24.1, 23.9, 24.0]})
    results = joined(study.results(first), study.results(back, design=design))
    verdict = confirmation(study, results, {"Water": 96.2, **formula})
    assert verdict["confirmed"]
    assert (len(verdict["batches"]), verdict["left_out"]) == (2, [f"{trials[2]}-1"])


def test_one_batch_among_trials_to_learn_from_confirms_nothing():
    """It may be the very one for which the formula was chosen; three of it, or a round of it alone, do count."""
    rng = np.random.default_rng(4)
    first = pd.DataFrame({"Gum": np.tile([0.2, 0.5, 0.8, 1.0], 3), "Oil": np.repeat([1.0, 3.0, 5.0], 4)})
    first["Foam"] = 20 + 5 * first["Gum"] + rng.normal(0, 0.3, 12)
    formula, study = {"Gum": 0.8, "Oil": 3.0}, priced()

    def said(gum):
        recipes = [{"Gum": level, "Oil": 3.0} for level in gum]
        done = study.results(first)
        more = plan(study, runs=len(gum), round=2, first_trial=13, existing=done.made(), must_make=recipes,
                    replicate_batches=0, pure_error_df=0)  # fmt: skip
        back = more.table[["Gum"]].assign(Foam=20 + 5 * more.table["Gum"].astype(float)).drop(columns="Gum")
        back = back.reset_index(names="trial")
        return confirmation(study, joined(done, study.results(back, design=more)), {"Water": 96.2, **formula})

    assert isinstance(said([0.8, 0.3, 0.6]), Unavailable)
    assert len(said([0.8])["batches"]) == 1
    assert len(said([0.8, 0.8, 0.8, 0.3])["batches"]) == 3
