"""Facts agree with the objects they are gathered from."""

import re
from dataclasses import replace
from html import escape
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from doe import Study, Unavailable, plan
from optimise import find, fit
from optimise.models.effects import direction_of
from optimise.upcoming.due import Due
from reports.gathering import effects as gather_effects
from reports.gathering import gather as gathering
from reports.gathering import slices as gather_slices
from reports.gathering.front import front_facts
from reports.gathering.gather import gather
from reports.page.page import render
from reports.page.rows import in_polygon
from reports.terminal import terminal
from reports.wording import reading as wording_reading
from reports.wording.formula import chance_words, front_words, state_of
from reports.wording.plan import round_line


def test_the_formula_is_the_one_found(job, facts):
    levels = {line.name: line.level for line in facts.formula.lines}
    assert levels == pytest.approx(dict(job.best.blend))
    assert sum(levels.values()) == pytest.approx(100)
    assert sum(line.grams for line in facts.formula.lines) == pytest.approx(200)
    assert facts.formula.chance == pytest.approx(job.best.chance, abs=1e-12)
    assert [phase for phase, _ in facts.formula.phases] == ["A", "B"]


def test_the_mark_on_the_front_is_the_formula_and_no_other(job, facts):
    at = [(x, y) for x, y, is_formula in facts.front if is_formula] or [facts.front_beside]
    assert at == [pytest.approx((facts.formula.cost_per_kg, facts.formula.chance), abs=1e-6)]
    # A formula that is none of the front stands beside it.
    other = replace(facts.formula, cost_per_kg=9.0)
    moved = SimpleNamespace(front_of=job.best.front_of, levels=job.best.levels + 0.01, to_dict=job.best.to_dict)
    found = front_facts(job.study, moved, other)
    assert found["front_beside"] == (9.0, facts.formula.chance)
    assert not any(is_formula for *_, is_formula in found["front"])


def test_strips_hold_what_predict_says(job, facts):
    table = job.models.predict(job.best.levels)
    strip = {s.spec.name: s for s in facts.formula.strips}["Thickness"]
    row = table["Thickness"].iloc[0]
    assert strip.predicted == pytest.approx(row["predicted"])
    assert strip.prediction == pytest.approx((row["prediction_low"], row["prediction_high"]))
    assert strip.confidence == pytest.approx((row["confidence_low"], row["confidence_high"]))
    assert strip.spec.log
    assert strip.marks == (("Old wash", 1500.0),)


def test_the_density_of_one_batch_holds_its_chance(job, facts):
    # On a log axis heights stand per ratio: the area within the limits over the whole is the chance, but for what
    # lies beyond the strip.
    strip = {s.spec.name: s for s in facts.formula.strips}["Thickness"]
    values, heights = np.array(strip.shape).T
    inside = (values >= strip.spec.low) & (values <= strip.spec.high)
    assert heights[inside].sum() / heights.sum() == pytest.approx(strip.chance, abs=0.03)
    assert heights.max() == 1


def test_exact_values_have_no_spread(facts):
    cost = {s.spec.name: s for s in facts.formula.strips}["Cost"]
    assert cost.shape == ()
    assert isinstance(cost.prediction, Unavailable)
    assert cost.chance == 1.0


def test_effects_walk_the_line_they_state(job, facts):
    row = facts.effects[0]
    one = {e.direction: e for e in row.effects}["Gum & co up, Water down"]
    x, predicted, low, high = one.points[3]
    recipe = job.best.levels.copy()
    recipe["Water"] += recipe["Gum & co"] - x
    recipe["Gum & co"] = x
    said = job.models.predict(recipe)["Thickness"].iloc[0]
    assert predicted == pytest.approx(said["predicted"])
    assert (low, high) == pytest.approx((said["confidence_low"], said["confidence_high"]))
    ends = [one.points[0][0], one.points[-1][0]]
    assert ends == pytest.approx(_along(job, "Gum & co", "Water"), abs=1e-9)


def _along(job, up, down):
    region = job.study.region
    x = job.best.levels[list(region.names)].to_numpy(dtype=float)
    way = np.array([[1.0 if n == up else -1.0 if n == down else 0.0 for n in region.names]])
    low, high = region.line_range(x, way)
    return [float(x[0, region.names.index(up)] + t) for t in (low[0], high[0])]


def test_slices_say_what_predict_says_and_keep_the_limits(job, facts):
    chance = next(s for s in facts.slices if s.is_chance)
    thick = next(s for s in facts.slices if s.title.startswith("Thickness"))
    for drawn in (chance, thick):
        corners = np.array(drawn.polygon)
        assert in_polygon(drawn.polygon, *drawn.chosen)
        recipe = pd.concat([job.best.levels] * len(corners), ignore_index=True)
        recipe[drawn.x_name], recipe[drawn.y_name] = corners.T
        whole = job.study.complete(recipe)[list(job.study.region.names)].to_numpy(dtype=float)
        assert job.study.region.contains(whole, tol=1e-7).all()
    for drawn in (s for s in facts.slices if not s.is_chance and len(s.limits) == 1):
        side = "darker" if drawn.limits[0] == drawn.spec.low else "lighter"
        assert f"met on the {side} side of the heavy line" in drawn.reading
    j, i = len(thick.ys) // 2, len(thick.xs) // 2
    recipe = job.best.levels.copy()
    recipe[thick.x_name], recipe[thick.y_name] = thick.xs[i], thick.ys[j]
    whole = job.study.complete(recipe)
    assert thick.values[j][i] == pytest.approx(job.models.predict(whole)["Thickness"]["predicted"].iloc[0])


def test_a_slice_of_two_that_add_up_is_not_drawn(job):
    first = direction_of(job.study, "Wax", job.best.levels.iloc[0])
    assert gather_slices._Plane.through(job.study, job.best.levels, first, first) is None


def test_references_with_levels_are_predicted_beside(job, facts):
    (old,) = facts.compared
    assert old.name == "Old wash"
    assert old.chance == pytest.approx(float(job.models.joint(job.study.complete(
        pd.DataFrame([{"Gum & co": 0.4, "Wax": 2.0, "Speed": 300.0}])))[0][0]))  # fmt: skip


def test_a_plan_alone_says_what_to_make(job):
    facts = gather(job.study, design=job.design)
    assert facts.decision.verdict == "plan"
    assert facts.decision.line == "Make these 16 batches"
    assert facts.formula is None
    (plan,) = facts.plans
    assert plan.lead
    assert [trial for trial, _ in plan.extremes] == list(job.design.make_first)
    for trial, why in plan.extremes:
        for name in job.study.region.names:
            low, high = job.study.region.reach[name]
            level = job.design.table.loc[trial, name]
            assert (name in why) == (min(level - low, high - level) <= 0.01 * (high - low))


@pytest.mark.parametrize(
    ("chance", "state"),
    [(0.95, "meets"), (0.9, "meets"), (0.7, "close"), (0.3, "misses"), (Unavailable("a", "b"), "unknown")],
)
def test_states(facts, chance, state):
    spec = facts.specs[0]
    assert state_of(chance, spec) == state


def test_every_round_stands_in_what_was_tried(job):
    more = plan(job.study, runs=4, existing=job.design.table, round=2, first_trial=17, replicate_batches=0)
    recipe = {n: float(job.best.levels[n].iloc[0]) for n in ("Gum & co", "Wax", "Speed")}
    confirm = plan(
        job.study,
        runs=3,
        round=3,
        first_trial=21,
        must_make=(recipe,) * 3,
        replicate_batches=0,
        existing=job.design.table,
    )
    facts = gather(job.study, design=[job.design, more, confirm])
    assert [one.purpose for one in facts.plans] == ["learn", "more", "confirm"]
    # The round that confirms repeats one recipe: the last round with a plan to judge is the one before it.
    assert facts.plan.round == 2
    assert facts.plans[1].extremes == ()
    wax = next(t for t in facts.tried if t.name == "Wax")
    assert wax.rounds == (1,) * 16 + (2,) * 4 + (3,) * 3
    assert round_line(facts.plans[2]) == "3 batches of 1 recipe, T21 to T23, to confirm one formula."
    text = render(facts)
    for number in (1, 2, 3):
        assert f"<dt>Round {number}</dt>" in text
        assert f"Round {number}, trial by trial" in text
    # The one recipe of a round that confirms is shown, though nothing in it varies.
    own = text.split("Round 3, trial by trial")[1].split("</table>")[0]
    assert own.count(f">{recipe['Wax']:g}<") == 3
    alone = gather(job.study, design=job.design)
    assert [one.round for one in alone.plans] == [1]
    assert "<dt>Round 1</dt>" not in render(alone)


def test_a_plan_reads_in_units_on_page_and_terminal(job):
    facts = gather(job.study, design=job.design)
    text = render(facts)
    units = wording_reading.units_of(job.study)
    rows = wording_reading.shown_rows(facts.plan.reading, units)
    assert [row[0] for row in rows] == ["Thickness", "Feel"]
    assert rows[0][1].endswith("%")
    assert rows[1][1].endswith("score")
    for row in rows:
        assert all(escape(cell) in text for cell in row)
    # The sd that half of the region does not exceed, in the score's own unit: 0.3 times that of the curve.
    curve = dict(job.design.quality.fds)
    assert float(rows[1][1].split("\u202f")[0]) == pytest.approx(0.3 * curve[0.5], rel=0.02)
    assert "correlations of" in text
    assert "Leverage of each trial" in text
    assert "nine tenths of" in text
    said = terminal.plan(job.study, job.design)
    assert all(word in said for word in ("chance", "see", "hardest for"))
    assert all(row[1].replace("\u202f", " ") in said.replace("\u202f", " ") for row in rows)


def test_terms_that_cannot_be_parted_are_named_in_words(job):
    source = job.study.to_dict()
    source["plan"] = {"design": "factorial", "model": "quadratic"}
    source["ingredient"] = []
    source["limit"], source["reference"], source["step"] = [], [], []
    source["response"] = [r for r in source["response"] if r["name"] != "Cost"]
    source["factor"] = [{"name": n, "low": 0, "high": 1} for n in ("Speed", "Time")]
    study = Study.from_dict(source)
    design = plan(study)
    text = render(gather(study, design=design))
    assert "Speed² cannot be told from the constant" in text
    assert "cannot be told from the constant" in terminal.plan(study, design)


def test_the_chance_falls_from_the_formula_along_every_line(job):
    row = gather(job.study, design=job.design, results=job.results, models=job.models, best=job.best).chance_effects
    region, start = job.study.region, job.best.levels
    for effect in row.effects:
        name = effect.direction.partition(" up")[0]
        here = min(effect.points, key=lambda p: abs(p[0] - effect.now))
        assert here[1] == pytest.approx(100 * job.best.chance, abs=1e-6)
        for level, chance, low, high in effect.points[::9]:
            frame = start.copy()
            frame[name] = level
            joint, interval = job.models.joint(frame)
            assert chance == pytest.approx(100 * joint[0], abs=1e-9)
            assert (low, high) == pytest.approx(tuple(100 * interval[0]), abs=1e-9)
        assert effect.points[-1][0] <= region.reach[name][1] + 1e-9


def test_questions_are_put_to_the_same_residuals_and_answered_by_the_fit(job):
    facts = gather(job.study, design=job.design, results=job.results, models=job.models, best=job.best)
    for seen in facts.fits:
        off = sorted(row["deleted"] for row in seen.fit["trials"])
        assert [one.axis for one in seen.questions] == [
            "fitted",
            "Gum & co",
            "Wax",
            "Speed",
            "expected of chance alone",
        ]
        for one in seen.questions:
            assert sorted(point[2] for point in one.points) == pytest.approx(off)
        # Normal scores rise with the residuals and are symmetric about 0.
        tails = seen.questions[-1].points
        assert [point[2] for point in tails] == pytest.approx(off)
        assert [point[1] for point in tails] == pytest.approx([-point[1] for point in reversed(tails)])
        found = {finding["code"] for finding in seen.fit["findings"]}
        assert ("No sign" in seen.questions[0].answer) == ("spread" not in found)
        assert ("No batch" in seen.questions[-1].answer) == ("outlier" not in found)


def test_an_ingredient_that_may_be_left_out_is_reported_by_its_level():
    study = Study.from_dict(
        {
            "study": {"name": "or none"},
            "ingredient": [
                {"name": "Water", "qs": True},
                {"name": "Gum", "low": 0.2, "high": 0.8},
                {"name": "Silica", "low": 1, "high": 2, "or_none": True},
            ],
            "response": [{"name": "Thick", "unit": "Pa s", "method": "m", "aim": "above", "low": 2}],
        }
    )
    table = pd.DataFrame({"Gum": [0.2, 0.8, 0.5, 0.2], "Silica": [0.0, 2, 1, 1.5], "Thick": [1.0, 4, 2, 3]})
    facts = gather(study, results=study.results(table))
    assert facts.categories == ()
    assert "Silica" in render(facts)


def test_a_spec_that_most_batches_miss_says_how_many_pass(facts):
    strip = replace(facts.formula.strips[0], state="misses", chance=0.01)
    assert chance_words(strip) == "misses, 1 of 100 batches pass"


def test_further_trials_count_from_the_best_formula_there_is_confirmed_or_not(job, monkeypatch):
    step = Due("learn", "short", 2, 0.70, 0.95, "F1")
    gain = {"chance": 0.06, "course": [0.04, 0.06], "reached": [0.0, 0.1], "pays": 2}
    monkeypatch.setattr(gathering, "further", lambda *_: (step, gain))
    monkeypatch.setattr(gathering, "slices", lambda *_: ())
    better = {"formula": "F3", "chance": 0.82, "confirmed": "F1", "confirmed_chance": 0.70}
    for known, now, then in ((None, 70, 76), (better, 82, 88)):
        told = gather(job.study, results=job.results, models=job.models, best=job.best, better=known).further
        said = " ".join(told.says).replace("\u202f", " ")
        assert f"raise the best chance by about 6.0 points, from {now} % to {then} %" in said
        assert told.rows[-1][1].replace("\u202f", " ") == f"{then}.0 %"


def test_where_desirability_has_other_centres_than_are_predicted_it_is_said_which_are_which(job, facts, monkeypatch):
    monkeypatch.setattr(gathering, "slices", lambda *_: ())
    best = find(job.study, job.models, objective="desirability", against=("Thickness",))
    told = gather(job.study, results=job.results, models=job.models, best=best)
    strip = next(strip for strip in told.formula.strips if strip.spec.name == "Thickness")
    own, law = best.responses["Thickness"]["predicted"], job.models.predict(best.levels)["Thickness"]["predicted"]
    assert strip.predicted == pytest.approx(float(law.iloc[0]))
    assert own == pytest.approx(_by_least_squares(job.models.planned("Thickness"), best))
    assert abs(own - strip.predicted) > 1
    said = told.proof[0].replace("\u202f", " ")
    assert said.startswith("Predicted is the average over models. Desirability is defined on the least squares")
    assert f"Thickness {round(own, -1):.0f}" in said.replace(" ", "").replace("Thickness", "Thickness ")
    both = replace(told, front=((own, best.desirability, True), (own + 50, 0.5, False)))
    assert "Thickness by the least squares of the planned models" in front_words(both)
    beside = front_facts(job.study, replace(best, front=()), told.formula)["front_beside"]
    assert beside == (own, best.desirability)
    assert not [line for line in facts.proof if "least squares" in line]
    assert "least squares" not in front_words(facts)


def _by_least_squares(model, best):
    """The centre of a planned model, in the response's unit."""
    levels = best.levels[list(model.study.region.names)].to_numpy(dtype=float)
    return float(model.scale.back(model.core.terms.rows(levels, {}, model.core.coding) @ model.core.beta)[0])


def test_effects_smaller_than_the_spread_of_batches_are_told_and_not_drawn(job, facts):
    for row in facts.effects:
        sd = job.models[row.spec.name].residual_sd
        assert [one.slight for one in row.effects] == [i > 0 and one.span < sd for i, one in enumerate(row.effects)]
        for one in row.effects:
            name = one.direction.partition(" up")[0]
            assert (name in row.reading.partition("allowed here.")[2]) == one.slight


def test_a_small_region_of_high_chance_is_drawn_large_and_its_share_is_of_the_whole(job, monkeypatch):
    source = job.study.to_dict()
    source["done"] = {"chance": 0.3}
    source["response"][0] |= {"low": 4700, "high": 5300}
    study = Study.from_dict(source)
    models = fit(study, study.results(job.results.readings, job.results.batches, design=job.design))
    best = find(study, models)
    rows = gather_effects.effect_rows(study, models, best)

    def drawn():
        return next(s for s in gather_slices.slices(study, models, best, rows) if s.is_chance)

    part = drawn()
    monkeypatch.setattr(gather_slices, "SPEAKS", 0.0)
    whole = drawn()
    assert np.ptp(part.xs) * np.ptp(part.ys) < 0.7 * np.ptp(whole.xs) * np.ptp(whole.ys)
    assert part.xs[0] <= part.chosen[0] <= part.xs[-1]
    assert "the limits allow" in part.reading
    assert "the limits allow" not in whole.reading
    shares = [int(re.search(r"or more: (\d+)", one.reading)[1]) for one in (whole, part)]
    assert shares[1] == pytest.approx(shares[0], abs=3)
