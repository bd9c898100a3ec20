"""Whole weighable steps: no recipe of the whole grid is more desirable than the one found. Invented surfaces."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from doe import Study
from optimise import find, fit
from optimise.formula.brief import Brief
from optimise.formula.peaks import Multistart
from optimise.formula.space import Space
from optimise.formula.wholesteps import weighable

LIMITS = {"Gum": (0.2, 1.0), "Wax": (1.0, 5.0), "Oil": (2.0, 8.0)}


@pytest.mark.parametrize(
    ("seed", "steps", "wide"),
    [(1, (0.1, 0.1, 0.5), 0.1), (2, (0.1, 0.25, 0.5), 0.1), (3, (0.05, 0.1, 0.5), 0.3), (4, (0.1, 0.5, 0.25), 0.2)],
)
def test_no_recipe_of_whole_steps_is_more_desirable(seed, steps, wide):
    """A target met exactly is a sharp ridge: one step of gum is made up by many of wax or oil."""
    target = 8.5 + seed / 2
    varied = [
        {"name": name, "low": low, "high": high, "step": step}
        for (name, (low, high)), step in zip(LIMITS.items(), steps, strict=True)
    ]
    study = Study.from_dict(
        {
            "study": {"name": "ridge"},
            "ingredient": [{"name": "Water", "qs": True}, *varied],
            "response": [
                {"name": "Thick", "method": "m", "aim": "target", "low": target - wide, "target": target,
                 "high": target + wide},
                {"name": "Soft", "method": "m", "aim": "above", "low": 5, "target": 8},
            ],
            "plan": {"model": "quadratic"},
        }
    )  # fmt: skip
    region, rng = study.region, np.random.default_rng(seed)
    X = region.sample(22, seed=seed)
    frame = study.complete(pd.DataFrame(X, columns=list(region.names), index=[f"H{i}" for i in range(22)]))
    gum, wax, oil = frame["Gum"], frame["Wax"], frame["Oil"]
    frame["Thick"] = 3 + 7 * gum + 0.6 * wax + 0.15 * oil - 2 * (gum - 0.6) ** 2 + 0.1 * rng.normal(size=22)
    frame["Soft"] = 8 - 2 * gum - 0.12 * (oil - 5) ** 2 + 0.1 * wax + 0.1 * rng.normal(size=22)
    models = fit(study, study.results(frame), terms="all")
    multistart = Multistart(Brief.of(study, models, "desirability"), Space.build(study), "desirability", models.fence)
    ours = max(weighable(multistart, peak).score for peak in multistart.peaks(6))
    marks = [
        np.arange(round((high - low) / s) + 1) * s + low for (low, high), s in zip(LIMITS.values(), steps, strict=True)
    ]
    grid = pd.DataFrame(np.stack(np.meshgrid(*marks), axis=-1).reshape(-1, 3), columns=list(LIMITS))
    levels = study.complete(grid)[list(region.names)].to_numpy(dtype=float)
    levels = levels[region.contains(levels) & models.fence.inside(levels, {})]
    assert len(levels) > 500
    assert ours >= multistart.score_levels(levels, {}).max() - 1e-9


@pytest.mark.parametrize("seed", [0, 4])
def test_a_level_of_few_steps_is_put_on_one_first_and_the_others_follow(seed):
    """A minute more thickens so much that gum and wax have to go many steps; at 2 minutes little was tried."""
    steps = {"Gum": (0.3, 0.8, 0.02), "Wax": (1.0, 5.0, 0.1), "Oil": (2.0, 6.0, 0.1), "Minutes": (2, 8, 1)}
    rows = [{"name": n, "low": low, "high": high, "step": step} for n, (low, high, step) in steps.items()]
    study = Study.from_dict(
        {
            "study": {"name": "few minutes"},
            "ingredient": [{"name": "Water", "qs": True}, *rows[:3]],
            "factor": rows[3:],
            "response": [
                {"name": "Thick", "method": "m", "aim": "target", "low": 7, "target": 10, "high": 13},
                {"name": "Soft", "method": "m", "aim": "target", "low": 4, "target": 6, "high": 8},
                {"name": "Shine", "method": "m", "aim": "above", "low": 3, "target": 6},
            ],
            "plan": {"model": "quadratic"},
        }
    )
    region, rng = study.region, np.random.default_rng(seed)
    X = region.sample(26, seed=seed)
    frame = study.complete(pd.DataFrame(X, columns=list(region.names), index=[f"H{i}" for i in range(26)]))
    gum, wax, oil, minutes = (frame[name] for name in steps)
    noise = 0.1 * rng.normal(size=(3, 26))
    frame["Thick"] = 2 + 12 * gum + 0.5 * wax + 2.4 * (minutes - 2) - 0.3 * (minutes - 2) ** 2 + noise[0]
    frame["Soft"] = 3 + 0.8 * wax - 0.1 * wax * minutes + 0.3 * oil - 3 * (gum - 0.5) + noise[1]
    frame["Shine"] = 7 - 0.09 * (minutes - 5) ** 2 - 0.2 * (oil - 4) ** 2 + noise[2]
    models = fit(study, study.results(frame), terms="all")
    found = find(study, models, objective="desirability", lean=True)
    multistart = Multistart(Brief.of(study, models, "desirability"), Space.build(study), "desirability", models.fence)
    marks = [np.arange(round((high - low) / step) + 1) * step + low for low, high, step in steps.values()]
    grid = pd.DataFrame(np.stack(np.meshgrid(*marks), axis=-1).reshape(-1, 4), columns=list(steps))
    levels = study.complete(grid)[list(region.names)].to_numpy(dtype=float)
    scores = multistart.score_levels(levels, {})
    first = np.argsort(-scores)[:20_000]
    allowed = first[region.contains(levels[first]) & models.fence.inside(levels[first], {})]
    assert len(allowed) > 100
    assert found.desirability >= np.exp(scores[allowed[0]]) - 1e-9
    at_once = max(weighable(multistart, peak).score for peak in multistart.peaks(6))
    assert at_once < scores[allowed[0]] - 1e-4, "all levels rounded at once fall short here"


def test_where_nothing_lies_within_what_was_tried_a_recipe_can_still_be_weighed():
    asked = {"name": "Soft", "method": "m", "aim": "above", "low": 5, "target": 8}
    varied = [{"name": n, "low": low, "high": high, "step": 0.1} for n, (low, high) in LIMITS.items()]
    source = {"study": {"name": "all new"}, "ingredient": [{"name": "Water", "qs": True}, *varied], "response": [asked]}
    study = Study.from_dict(source)
    X = study.region.sample(16, seed=2)
    frame = study.complete(pd.DataFrame(X, columns=list(study.region.names), index=[f"H{i}" for i in range(16)]))
    frame["Soft"] = 6 + frame["Gum"] - 0.2 * frame["Wax"] + 0.1 * np.random.default_rng(2).normal(size=16)
    models = fit(study, study.results(frame))
    nowhere = replace(models.fence, limit=1e-9)
    multistart = Multistart(Brief.of(study, models, "chance"), Space.build(study), "chance", nowhere)
    peak = weighable(multistart, multistart.peaks(4)[0])
    steps = study.region.decoded(peak.u[None])[0][[study.region.names.index(n) for n in LIMITS]] / 0.1
    assert np.abs(steps - np.round(steps)).max() < 1e-6
    assert study.region.contains(study.region.decoded(peak.u[None]))[0]


def test_all_formulas_beside_a_weighable_one_are_weighable_too():
    """Low ends that are no whole steps, a ceiling that rounding up breaks, and a fence that few recipes keep within."""
    ends = {"Gum": (0.22, 0.66, 0.05), "Wax": (1.65, 8.57, 0.25), "Oil": (4.13, 9.86, 0.5)}
    varied = [
        {"name": n, "low": low, "high": high, "step": step, "price_per_kg": price}
        for price, (n, (low, high, step)) in zip((20, 9, 5), ends.items(), strict=True)
    ]
    study = Study.from_dict({
        "study": {"name": "steps"},
        "ingredient": [{"name": "Water", "qs": True, "price_per_kg": 0.1}, *varied,
                       {"name": "Salt", "low": 0.1, "high": 2.0, "price_per_kg": 1}],
        "response": [{"name": "Thick", "method": "m", "aim": "target", "low": 4, "target": 5, "high": 6},
                     {"name": "Soft", "method": "m", "aim": "above", "low": 5, "target": 8}],
        "plan": {"model": "quadratic"},
    })  # fmt: skip
    region, rng = study.region, np.random.default_rng(3)
    X = region.sample(18, seed=3)
    frame = study.complete(pd.DataFrame(X, columns=list(region.names), index=[f"H{i}" for i in range(18)]))
    gum, wax, oil, salt = (frame[name] for name in ("Gum", "Wax", "Oil", "Salt"))
    frame["Thick"] = 2 + 6 * gum + 0.1 * wax - 0.3 * salt + 0.1 * rng.normal(size=18)
    frame["Soft"] = 6 + 0.3 * wax - 0.05 * (oil - 6) ** 2 - gum + 0.2 * salt + 0.1 * rng.normal(size=18)
    found = find(study, fit(study, study.results(frame)))
    assert found.inside is True
    assert found.cheapest is not None
    assert found.alternatives
    for row in (found.to_dict(), *found.alternatives, *found.front, found.cheapest):
        for name, (_, _, step) in ends.items():
            count = row["blend"][name] / step
            assert count == pytest.approx(round(count), abs=1e-6), (name, row["blend"])
