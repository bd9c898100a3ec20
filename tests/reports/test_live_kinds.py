"""The live formula of every kind of study: it opens, moves within its reach, says what the models say. Invented."""

from functools import partial

import numpy as np
import pandas as pd
import pytest
from jobs import job_of, written
from playing import agrees, as_asked, code_levels, look_for_the_best, random_formulas, settle, told

from doe import Study, plan
from optimise import find, fit
from reports import numbers, write_report

pytestmark = pytest.mark.browser


def study_of(ingredients=(), factors=(), limits=(), **plan_keys):
    """A study with one response that depends on all that moves."""
    return {
        "study": {"name": "Invented", "batch_g": 100, "batches_per_day": 6},
        "ingredient": list(ingredients),
        "factor": list(factors),
        "limit": list(limits),
        "response": [
            {"name": "Thick", "unit": "Pa.s", "method": "invented", "scale": "log", "aim": "within", "low": 2,
             "high": 9, "sd": "10 %"},
            {"name": "Feel", "unit": "score", "method": "invented", "aim": "above", "low": 4, "must": False, "sd": 0.3},
        ],
        "plan": {"model": "linear", "seed": 3, **plan_keys},
    }  # fmt: skip


def graded():
    """One response in grades and one that passes or fails, both wanted."""
    told = study_of([WATER, *ranged(2)], runs=30)
    told["response"] = [
        {"name": "Feel", "kind": "grade", "grades": ["poor", "fair", "good", "very good"], "aim": "above",
         "low": "good", "method": "invented"},
        {"name": "Lumps", "kind": "pass", "aim": "above", "method": "invented"},
        told["response"][0],
    ]  # fmt: skip
    return told


def ranged(n):
    return [{"name": f"Part {i + 1}", "low": 0.5 * (i % 3), "high": 4.0 + i} for i in range(n)]


WATER = {"name": "Water", "qs": True}
BARE = [{"name": f"Part {i}", "low": 10.0, "high": 60.0} for i in range(3)]
GUM = {"name": "Gum", "low": 0.2, "high": 1.0, "step": 0.05, "or_none": True,
       "choice": [{"name": "A"}, {"name": "B", "high": 1.4}]}  # fmt: skip
HEAT = {"name": "Heat", "unit": "C", "low": 60, "high": 80}
STIR = {"name": "Stir", "levels": ["anchor", "blade", "paddle"]}
KINDS = {
    "2 ingredients": lambda: study_of([WATER, *ranged(1)], runs=8),
    "3 without a fill": lambda: study_of(BARE, runs=10),
    "5 with a limit": lambda: study_of([WATER, *ranged(4)], limits=[{"rule": "Part 1 + Part 2 <= 7"}], runs=12),
    "8 ingredients": lambda: study_of([WATER, *ranged(7)], runs=16),
    "choice or none": lambda: study_of([WATER, GUM, *ranged(1)], [STIR], runs=18),
    "factors only": lambda: study_of((), [HEAT, {"name": "Time", "unit": "min", "low": 5, "high": 20}], runs=9),
    "categories in blocks": lambda: study_of([WATER, *ranged(2)], [STIR], runs=16, blocks=2),
    "grades and passes": graded,
    "whole plots": lambda: study_of([WATER, *ranged(2)], [{**HEAT, "hard_to_change": True}], runs=16, whole_plots=6),
    "whole plots in blocks": lambda: study_of(
        [WATER, *ranged(2)], [{**HEAT, "hard_to_change": True}], runs=18, whole_plots=6, blocks=3
    ),
}


def measured(study, table):
    """Readings by a fixed rule with a fixed scatter: numbers count by their place, categories by theirs."""
    rng = np.random.default_rng(7)
    thick, feel = np.zeros(len(table)), np.zeros(len(table))
    for i, name in enumerate(column for column in table.columns if column in study.columns):
        values = table[name]
        if not pd.api.types.is_numeric_dtype(values):
            values = values.map({level: j for j, level in enumerate(sorted(set(values)))})
        values = values.to_numpy(dtype=float)
        spread = np.ptp(values) or 1.0
        share = (values - values.min()) / spread
        thick += (0.7 if i % 2 else -0.4) * share
        feel += (0.8 if i % 3 else -0.5) * share
    thick = np.exp(1.3 + thick + 0.08 * rng.normal(size=len(table)))
    feel = 4.2 + feel + 0.25 * rng.normal(size=len(table))
    told = {"Thick": thick, "Feel": feel}
    if study.response("Feel").kind == "grade":
        places = np.digitize(feel + 0.3 * rng.normal(size=len(table)), [3.9, 4.2, 4.5])
        told["Feel"] = np.array(study.response("Feel").grades, dtype=object)[places]
        told["Lumps"] = np.where(thick + 0.8 * rng.normal(size=len(table)) > 3, "pass", "fail")
    return pd.DataFrame(told, index=table.index)


def says_grades(study, models, best, page):
    """A graded response shows how often a new batch has each grade, as the model says it, and speaks by name."""
    for name, model in models.items():
        if model.kind == "grade":
            words = study.response(name).grades
            law = models.predictive(name, best.levels)
            cuts = model.scale.forward(np.arange(1, len(words)) + 0.5)
            shares = np.diff([0.0, *(float(law.cdf(np.array([cut]))[0]) for cut in cuts), 1.0])
            strip = page.locator(".live-strips li", has=page.get_by_text(name, exact=True))
            bars = strip.locator("rect title").all_text_contents()
            assert bars == [f"{word}: {numbers.likely(share)}" for word, share in zip(words, shares, strict=True)]
            assert strip.locator("svg[role=img] text").all_text_contents() == list(words)
            aria = strip.locator("svg[role=img]").get_attribute("aria-label")
            assert "at least good" in aria
            assert any(f"predicted {word};" in aria for word in words)
        if model.kind == "pass":
            strip = page.locator(".live-strips li", has=page.get_by_text(name, exact=True))
            assert "% pass" in strip.inner_text()


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_study_can_be_played_with(kind, opened, tmp_path):
    study = Study.from_dict(KINDS[kind]())
    job = job_of(study, partial(measured, study), lean=True)
    models, page = job.models, opened(written(job, tmp_path / "report.html"))
    frame = random_formulas(study, 200)
    if study.region.categories:
        chosen = {name: frame[name].to_numpy(dtype=object) for name in study.region.categories}
        levels = frame[list(study.region.names)].to_numpy(dtype=float)
        frame = frame[study.region.contains(levels, 1e-9, chosen)].reset_index(drop=True)
    agrees(models, as_asked(frame), told(page, frame))
    says_grades(study, models, job.best, page)
    bars = page.locator("#live [role=slider]")
    assert bars.count() == len(study.region.names)
    for i in range(bars.count()):
        for key in ("End", "Home", "PageUp", "ArrowLeft"):
            bars.nth(i).press(key)
            settle(page)
            ends = [float(bars.nth(i).get_attribute(f"aria-value{end}")) for end in ("min", "now", "max")]
            assert ends[0] - 1e-9 <= ends[1] <= ends[2] + 1e-9
        assert models.inside(study.complete(code_levels(page, study))).all()
    for name, levels in study.region.categories.items():
        select = page.locator(f"select[aria-label^='{name.removeprefix('material: ')}']")
        for level in reversed(levels):
            select.select_option(level)
            settle(page)
            assert models.inside(study.complete(code_levels(page, study))).all()


def test_the_best_of_the_rest_keeps_what_the_trade_stops_as_optimise_does(opened, tmp_path):
    # Phenoxyethanol: at most 1 % (Regulation (EC) 1223/2009, Annex V); here more of it would read better.
    told = study_of([WATER, {"name": "Keeper", "inci": "Phenoxyethanol", "low": 0.4, "high": 1.8}, *ranged(1)], runs=12)
    tried = plan(Study.from_dict(told)).table  # made before the law of a market was looked at
    study = Study.from_dict({**told, "study": {**told["study"], "product": "rinse-off", "market": "EU"}})
    keeper = tried["Keeper"].to_numpy(dtype=float)
    read = pd.DataFrame({"Thick": np.exp(0.2 + 0.8 * keeper), "Feel": 4 + keeper}, index=tried.index)
    read *= np.exp(0.1 * np.random.default_rng(3).normal(size=read.shape))
    results = study.results(pd.concat([tried, read], axis=1))
    models = fit(study, results)
    best = find(study, models)
    path = tmp_path / "report.html"
    write_report(path, study, results=results, models=models, best=best)
    page = opened(path)
    page.get_by_role("slider", name="Keeper").press("Home")
    settle(page)
    look_for_the_best(page)
    assert code_levels(page, study)["Keeper"][0] <= 1 + 1e-9
    assert float(page.get_attribute("#live", "data-chance")) == pytest.approx(best.chance, abs=0.01)
    # Further is open to whoever moves the jar, and what stops it is said.
    page.get_by_role("slider", name="Keeper").press("End")
    settle(page)
    assert "Stops" in page.inner_text(".live-readout")
    assert float(page.get_attribute("#live", "data-chance")) > best.chance + 0.02


def test_a_choice_that_is_barred_says_why(opened, tmp_path):
    bar = {"rule": "Stir is not paddle", "when": "Gum is B", "why": "it tears (invented)"}
    study = Study.from_dict(study_of([WATER, {**GUM, "or_none": False}], [STIR], [bar], runs=14))
    page = opened(written(job_of(study, partial(measured, study), lean=True), tmp_path / "report.html"))
    gum, stir = page.locator("select[aria-label^='Gum']"), page.locator("select[aria-label^='Stir']")
    stir.select_option("blade")
    gum.select_option("B")
    settle(page)
    barred = stir.locator("option[value=paddle]")
    why = "Stir is not paddle when Gum is B: it tears (invented)"
    assert barred.is_disabled()
    assert [barred.get_attribute("title"), barred.inner_text()] == [why, f"paddle, not now: {why}"]
    gum.select_option("A")
    stir.select_option("paddle")
    settle(page)
    assert [barred.get_attribute("title"), barred.inner_text()] == ["", "paddle"]
    assert gum.locator("option[value=B]").get_attribute("title") == why
