"""Fits of whole studies: what comes out, what is refused, and what happens to results as benches really give them."""

import copy
import json
from functools import cache

import numpy as np
import pandas as pd
import pytest

from doe import ModelError, Study, Unavailable
from optimise import fit

WASH = {
    "study": {"name": "Invented rinse", "total": 100},
    "ingredient": [
        {"name": "Water", "qs": True},
        {"name": "Gum", "low": 0.2, "high": 1.0, "price_per_kg": 20.0},
        {"name": "Wax", "low": 1.0, "high": 5.0, "price_per_kg": 5.0},
        {"name": "Salt", "level": 0.5, "price_per_kg": 1.0},
    ],
    "factor": [{"name": "Mixing", "unit": "min", "low": 2, "high": 8}],
    "response": [
        {"name": "Viscosity", "unit": "mPa.s", "scale": "log", "aim": "within", "low": 500, "high": 5000},
        {"name": "Gloss", "unit": "GU", "aim": "above", "low": 40},
        {"name": "Cost", "from": "cost_per_kg", "aim": "below", "high": 0.4},
    ],
    "plan": {"model": "quadratic"},
}  # fmt: skip


def wash(**changes):
    """The invented study, with parts replaced."""
    source = copy.deepcopy(WASH)
    source.update(copy.deepcopy(changes))
    return Study.from_dict(source)


def trials(n=24, seed=0, noise=0.05):
    """An invented historical table of n batches; the last four repeat the first four recipes."""
    rng = np.random.default_rng(seed)
    first = n - 4 if n > 8 else n
    gum, wax = rng.choice([0.2, 0.6, 1.0], first), rng.choice([1.0, 3.0, 5.0], first)
    mixing = rng.choice([2.0, 5.0, 8.0], first)
    again = [*range(first), *range(n - first)]
    frame = pd.DataFrame({"Gum": gum[again], "Wax": wax[again], "Salt": 0.5, "Mixing": mixing[again]})
    frame["Viscosity"] = np.exp(6 + 2 * frame["Gum"] + 0.1 * frame["Wax"] + noise * rng.normal(size=n))
    frame["Gloss"] = 50 - 3 * (frame["Wax"] - 3) ** 2 + 5 * frame["Gum"] + rng.normal(size=n)
    return frame


def fitted(study=None, frame=None, **how):
    study = study or wash()
    frame = trials() if frame is None else frame
    known = {r.name for r in study.responses}
    spare = [name for name in ("Viscosity", "Gloss") if name not in known]
    return fit(study, study.results(frame.drop(columns=spare)), **how)


@cache
def usual(terms="select"):
    """The models of the usual trials, fitted once."""
    return fitted(terms=terms)


def codes(model):
    return [finding.code for finding in model.findings]


def as_json(models, frame):
    """Every document, strictly: no NaN, no infinity, no type that JSON does not know."""
    documents = [models.to_dict(), {k: v.to_dict() for k, v in models.items()}, models.points(frame)]
    return json.loads(json.dumps(documents, allow_nan=False))


SPOT = pd.DataFrame({"Gum": [0.5, 0.9], "Wax": [2.0, 4.0], "Mixing": [5.0, 3.0]}, index=["a", "b"])


@pytest.mark.parametrize("terms", ["select", "all"])
def test_the_promised_keys_are_there(terms):
    models = usual(terms)
    stored, entries, points = as_json(models, SPOT)
    wanted = {
        "scale", "model", "coding", "n", "excluded", "terms", "residual_sd", "df_residual", "variance", "anova", "r2",
        "r2_adjusted", "r2_predicted", "press", "log_likelihood", "lack_of_fit", "stationary", "trials", "selection",
        "findings",
    }  # fmt: skip
    for entry in entries.values():
        assert wanted <= set(entry)
        assert set(entry["terms"][0]) == {"term", "powers", "estimate", "se", "t", "df", "p"}
        assert {"source", "df", "df_error", "ss", "ms", "f", "p"} == set(entry["anova"][0])
        assert {"trial", "observed", "fitted", "residual", "leverage", "studentised", "deleted", "cook"} <= set(
            entry["trials"][0]
        )
        assert {"how", "criterion", "near", "chosen_share"} <= set(entry["selection"])
    assert set(stored["responses"]) == {"Viscosity", "Gloss"}
    for point in points:
        assert {
            "levels", "inside", "in_hull", "leverage", "cost_per_kg", "chance_all", "chance_interval", "responses",
        } <= set(point)  # fmt: skip
        assert point["levels"]["Water"] + point["levels"]["Gum"] + point["levels"]["Wax"] == pytest.approx(99.5)
        gloss = point["responses"]["Gloss"]
        low, high = gloss["prediction"]
        assert gloss["confidence"][0] > low > gloss["tolerance"][0]
        assert gloss["confidence"][1] < high < gloss["tolerance"][1]


def test_every_coding_shows_the_same_model():
    base = usual("all")
    for coding in ("proportion", "l-pseudo", "coded"):
        other = fitted(terms="all", coding=coding)
        for name, model in base.items():
            assert other[name].coding == coding
            assert other[name].trials["fitted"].to_numpy() == pytest.approx(model.trials["fitted"].to_numpy(), rel=1e-9)
            last = model.terms["t"].to_numpy(dtype=float)[-3:]  # the highest terms are tested alike in every coding
            assert other[name].terms["t"].to_numpy(dtype=float)[-3:] == pytest.approx(last, rel=1e-6)
    assert base["Gloss"].coding == "units"


def test_estimates_in_units_rebuild_the_fitted_values():
    models = usual("all")
    model = models["Gloss"]
    levels = models.results.levels()
    total = np.zeros(len(levels))
    for row in model.terms.itertuples():
        total += row.estimate * np.prod(
            [levels[name].to_numpy(dtype=float) ** k for name, k in row.powers.items()], axis=0
        )
    assert total == pytest.approx(model.trials["fitted"].to_numpy(), rel=1e-9)


def test_models_json_repeats_the_predictions():
    stored = json.loads(json.dumps(usual("all").to_dict()))["responses"]["Gloss"]["models"][0]
    models = usual("all")
    point = {"Gum": 0.5, "Wax": 2.0, "Mixing": 5.0}
    coding = stored["coding"]
    v = {k: (x - coding["shift"][k]) / coding["scale"][k] for k, x in point.items()}
    row = np.array([np.prod([v[k] ** p for k, p in t["powers"].items()]) for t in stored["terms"]])
    predicted = models.predict(pd.DataFrame([point]))["Gloss"].iloc[0]
    assert row @ stored["coefficients"] == pytest.approx(predicted["predicted"], rel=1e-10)
    sd = np.sqrt(row @ np.array(stored["covariance"]) @ row)
    law = models.predictive("Gloss", pd.DataFrame([point]))
    assert sd == pytest.approx(law.mean_scale[0, 0], rel=1e-9)
    assert stored["residual_sd"] == pytest.approx(law.residual[0])


def test_models_json_repeats_the_averaged_posterior():
    from optimise.statistics.posterior import Posterior

    models = usual()
    stored = json.loads(json.dumps(models.to_dict()))["responses"]["Gloss"]
    how = stored["coordinates"]
    z = np.array(how["constant"]) + SPOT[how["columns"]].to_numpy() @ np.array(how["slopes"])
    law = Posterior.from_dict(stored["posterior"]).at(z)
    assert law.median() == pytest.approx(models.predictive("Gloss", SPOT).median(), rel=1e-9)


def test_true_terms_are_found_and_shares_are_told():
    model = usual()["Gloss"]
    assert "Wax²" in set(model.terms["term"])
    assert model.selection["chosen_share"]["Wax²"] > 0.95
    assert model.selection["near"][0]["delta_aicc"] == 0
    assert set(usual("all")["Gloss"].terms["term"]) > set(model.terms["term"])


def test_a_log_scale_maps_limits_and_shows_the_median():
    models = usual("all")
    model = models["Viscosity"]
    assert model.window == pytest.approx((np.log(500), np.log(5000)))
    row = models.predict(SPOT)["Viscosity"].iloc[0]
    law = models.predictive("Viscosity", SPOT)
    assert row["predicted"] == pytest.approx(np.exp(law.median()[0]))
    assert row["prediction_low"] == pytest.approx(np.exp(law.batch_interval()[0, 0]))


def test_an_auto_scale_chooses_the_logarithm_and_says_why():
    responses = [{"name": "Viscosity", "scale": "auto"}, {"name": "Gloss", "scale": "auto"}]
    frame = trials(40)
    models = fitted(wash(response=responses), frame)
    assert (models["Viscosity"].scale.name, models["Gloss"].scale.name) == ("log", "linear")
    assert "likelihood interval" in models["Viscosity"].scale_why


def test_chance_is_joint_and_an_exact_must_takes_part():
    models = usual()
    both = models.chance(SPOT)
    each = models.predict(SPOT)
    assert list(both.index) == ["a", "b"]
    assert (both <= each["Gloss", "chance"] + 1e-6).all()
    dear = pd.DataFrame({"Gum": [1.0], "Wax": [5.0], "Mixing": [5.0]})
    assert models.exact(dear)["Cost"].iloc[0] == pytest.approx(0.01 * (20 * 1.0 + 5 * 5.0 + 0.5))
    assert models.chance(dear).iloc[0] == 0
    assert models.points(dear)[0]["chance_all"] == 0


def test_no_chance_lies_outside_its_own_interval():
    models = usual()
    frame = pd.DataFrame(models.study.region.sample(300, seed=3), columns=list(models.study.region.names))
    chance, interval = models.joint(frame)
    assert (interval[:, 0] <= chance).all()
    assert (chance <= interval[:, 1]).all()


def test_frames_that_come_in_are_not_changed():
    study, frame, at = wash(), trials(), SPOT.copy()
    kept = frame.copy()
    models = fit(study, study.results(frame))
    models.predict(at)
    models.points(at)
    pd.testing.assert_frame_equal(frame, kept)
    pd.testing.assert_frame_equal(at, SPOT)


def test_the_same_results_give_the_same_bytes():
    one, two = fitted(), fitted()
    assert json.dumps(one.to_dict()) == json.dumps(two.to_dict())
    assert json.dumps(one["Gloss"].to_dict()) == json.dumps(two["Gloss"].to_dict())


def test_inside_hull_and_leverage():
    models = usual()
    far = pd.DataFrame({"Gum": [0.6, 3.0], "Wax": [3.0, 3.0], "Mixing": [5.0, 5.0]})
    assert models.inside(far).tolist() == [True, False]
    assert models.in_hull(far).tolist() == [True, False]
    assert models.leverage(far).is_monotonic_increasing
    assert [f["code"] for f in models.points(far)[1]["findings"]] == ["breaks-a-limit", "outside-hull"]
    tried = models.tried
    assert models.in_hull(tried).all()
    assert models.inside(tried).all()


def test_planned_is_least_squares_of_the_full_model_where_it_can_be():
    models = usual()
    assert len(models.planned("Gloss").terms) == len(models.study.terms())
    few = fitted(frame=trials(9))
    assert few.planned("Gloss").df_residual > 0


def test_leaving_a_trial_out_for_a_look():
    models = fitted(without=("T03",))
    assert models["Gloss"].n == 23
    assert models["Gloss"].excluded[0]["trial"] == "T03"
    assert "T03" not in set(models["Gloss"].trials["trial"])


def test_batches_set_aside_are_told_with_their_reason():
    # Nothing is left out in silence: who, when and why stand in the records, what and why in the fit (ALCOA+).
    frame = trials()
    frame["set_aside"] = [None] * 2 + ["wrong lot"] + [None] * (len(frame) - 3)
    models = fitted(frame=frame)
    assert models["Gloss"].n == len(frame) - 1
    (gone,) = models["Gloss"].excluded
    assert (gone["trial"], gone["reason"]) == ("T03", "set aside: wrong lot")
    (said,) = [f for f in models.findings if f.code == "not-counted"]
    assert "wrong lot" in said.got
    assert not [f for f in usual().findings if f.code == "not-counted"]


def test_over_range_readings_take_part_as_what_they_are():
    frame = trials().astype({"Viscosity": object})
    frame.loc[2, "Viscosity"] = ">9000"
    model = fitted(frame=frame)["Viscosity"]
    assert model.n == 24
    assert not model.excluded
    said = next(f for f in model.findings if f.code == "over-range")
    assert "not put in their place" in said.got


def test_where_every_reading_is_a_bound_none_is_used():
    frame = trials().astype({"Viscosity": object})
    frame["Viscosity"] = [f">{9000 + i}" for i in range(len(frame))]
    model = fitted(frame=frame)["Viscosity"]
    assert model.n == 0
    assert "9000" in model.excluded[0]["reason"]
    said = next(f for f in model.findings if f.code == "over-range")
    assert "too low" in said.got
    assert "too few numbers beside them to settle a fit with them" in said.got


def test_missing_readings_are_told_and_only_touch_their_own_response():
    frame = trials()
    frame.loc[[1, 5], "Gloss"] = np.nan
    models = fitted(frame=frame)
    assert (models["Gloss"].n, models["Viscosity"].n) == (22, 24)
    assert "missing" in codes(models["Gloss"])


def test_repeat_readings_of_one_jar_are_one_batch():
    frame = trials()
    frame.insert(0, "trial", [f"H{i}" for i in range(24)])
    frame["batch"], frame["reading"] = 1, 1
    again = frame.copy()
    again["reading"] = 2
    again["Gloss"] += 0.5
    model = fitted(frame=pd.concat([frame, again], ignore_index=True))["Gloss"]
    once = fitted(frame=frame)["Gloss"]
    assert model.n == once.n == 24
    assert model.df_residual == once.df_residual
    assert model.lack_of_fit.to_dict()["df"] == once.lack_of_fit.to_dict()["df"]
    assert "readings-averaged" in codes(model)


def test_blocks_are_taken_out_and_predictions_are_for_the_middle():
    frame = trials()
    frame["block"] = ["one", "two"] * 12
    shifted = frame.copy()
    shifted.loc[shifted["block"] == "two", "Gloss"] += 10
    plain, moved = fitted(frame=frame, terms="all")["Gloss"], fitted(frame=shifted, terms="all")["Gloss"]
    assert moved.residual_sd == pytest.approx(plain.residual_sd, rel=1e-9)
    assert moved.predictive(SPOT).median() == pytest.approx(plain.predictive(SPOT).median() + 5, rel=1e-9)
    assert moved.anova["source"].iloc[0] == "blocks"


def test_whole_plots_are_said():
    frame = trials()
    frame["whole_plot"] = np.repeat(["p1", "p2", "p3"], 8)
    assert "whole-plots" in codes(fitted(frame=frame)["Gloss"])


def test_grades_are_fitted_by_their_order_and_say_so():
    grades = [{"name": "Slip", "kind": "grade", "grades": ["none", "some", "much"], "aim": "above", "low": 2}]
    frame = trials()
    frame["Slip"] = np.where(frame["Gum"] > 0.5, "much", "some")
    model = fitted(wash(response=grades), frame)["Slip"]
    assert "grades" in codes(model)
    assert set(model.trials["observed"]) == {2.0, 3.0}


def test_pass_or_fail_gives_a_finite_chance_when_separated():
    response = [{"name": "Stable", "kind": "pass", "aim": "above", "low": 1}]
    frame = trials()
    frame["Stable"] = np.where(frame["Gum"] > 0.5, "pass", "fail")
    models = fitted(wash(response=response), frame)
    chance = models.chance(SPOT)
    assert ((chance > 0) & (chance < 1)).all()
    assert chance["b"] > chance["a"]
    as_json(models, SPOT)


SPOILT = {
    "all equal": lambda f: f.assign(Gloss=40.0),
    "nearly equal": lambda f: f.assign(Gloss=40 + 1e-13 * np.arange(len(f))),
    "one batch": lambda f: f.iloc[:1],
    "two batches": lambda f: f.iloc[:2],
    "tiny": lambda f: f.assign(Gloss=1e-12 * f["Gloss"]),
    "huge": lambda f: f.assign(Gloss=1e12 * f["Gloss"]),
    "perfect": lambda f: f.assign(Gloss=1 + 2 * f["Gum"] + 3 * f["Wax"]),
    "one level": lambda f: f.assign(Gum=0.5),
    "duplicated": lambda f: f.assign(Wax=5 * f["Gum"]),
    "unread": lambda f: f.assign(Gloss=np.nan),
    "all over": lambda f: f.assign(Gloss=">100"),
}
UNPREDICTABLE = ("all equal", "perfect", "one batch", "two batches", "unread", "all over")


@pytest.mark.parametrize("terms", ["select", "all"])
@pytest.mark.parametrize("spoilt", SPOILT)
def test_what_benches_really_give_never_crashes_nor_pretends(spoilt, terms):
    frame = SPOILT[spoilt](trials())
    models = fitted(frame=frame, terms=terms)
    as_json(models, SPOT)
    model = models["Gloss"]
    if spoilt in UNPREDICTABLE:
        assert isinstance(model.predictor, Unavailable), "a prediction without an error would be false precision"
        assert model.findings
        assert "unavailable" in models.points(SPOT)[0]["responses"]["Gloss"]["predicted"]
        with pytest.raises(ModelError):
            models.predictive("Gloss", SPOT)
        with pytest.raises(ModelError):
            models.chance(SPOT)
    if spoilt in ("one level", "duplicated") and terms == "all":
        assert "aliased" in codes(model)
    if spoilt in ("tiny", "huge"):
        factor = 1e-12 if spoilt == "tiny" else 1e12
        plain = usual(terms)["Gloss"]
        assert model.residual_sd / factor == pytest.approx(plain.residual_sd, rel=1e-9)
        assert list(model.terms["term"]) == list(plain.terms["term"])


def test_a_stated_sd_stands_in_and_says_so():
    responses = [{"name": "Gloss", "aim": "above", "low": 40, "sd": 2.0}, {"name": "Viscosity"}]
    models = fitted(wash(response=responses), SPOILT["all equal"](trials()))
    assert "stated-sd" in codes(models["Gloss"])
    law = models.predictive("Gloss", SPOT)
    assert law.residual[0] == 2.0
    assert models.chance(SPOT).to_numpy() == pytest.approx(0.5)


def test_no_reading_at_all_is_refused():
    frame = trials()
    frame[["Gloss", "Viscosity"]] = np.nan
    with pytest.raises(ModelError, match="none of the 24 usable batches has a reading"):
        fitted(frame=frame)


def test_too_few_batches_for_all_terms_fit_the_sure_ones_and_say_so():
    model = fitted(frame=trials(8), terms="all")["Gloss"]
    assert "too-few-for-all" in codes(model)
    assert len(model.terms) == 4


@pytest.mark.parametrize("how, said", [({"terms": "some"}, "select or all"), ({"coding": "percent"}, "l-pseudo")])
def test_unknown_wishes_are_refused(how, said):
    with pytest.raises(ModelError, match=said):
        fitted(**how)


def test_bad_recipes_are_refused_all_at_once():
    with pytest.raises(ModelError) as caught:
        usual().predict(pd.DataFrame({"Gum": ["much"], "Mixing": [1.0]}))
    assert {p.where for p in caught.value.problems} == {"Gum", "Wax"}


def test_as_made_levels_count_and_the_fill_takes_the_rest():
    frame = trials()
    frame["Water"] = 99.5 - frame["Gum"] - frame["Wax"]
    a, b = fitted(frame=frame, terms="all"), usual("all")
    assert a["Gloss"].terms["estimate"].to_numpy(dtype=float) == pytest.approx(
        b["Gloss"].terms["estimate"].to_numpy(dtype=float), rel=1e-9
    )


def test_residual_correlation_is_shrunk_and_positive():
    frame = trials(40)
    rng = np.random.default_rng(3)
    common = rng.normal(size=40)
    frame["Gloss"] += 4 * common
    frame["Viscosity"] *= np.exp(0.3 * common)
    table = fitted(frame=frame).residual_correlation
    assert 0.4 < table.loc["Gloss", "Viscosity"] < 1
    assert np.linalg.eigvalsh(table.to_numpy()).min() > 0
    alone = fitted(frame=trials(40)).residual_correlation
    assert abs(alone.loc["Gloss", "Viscosity"]) < 0.3


def test_categories_are_fitted_and_predicted():
    source = copy.deepcopy(WASH)
    source["factor"].append({"name": "Wetting", "levels": ["dry", "in oil", "in water"]})
    source["plan"] = {"model": "linear"}
    study = Study.from_dict(source)
    frame = trials(30)
    frame["Wetting"] = ["dry", "in oil", "in water"] * 10
    frame.loc[frame["Wetting"] == "dry", "Gloss"] += 6
    models = fit(study, study.results(frame), terms="all")
    at = pd.concat([SPOT.iloc[[0]]] * 3).assign(Wetting=["dry", "in oil", "in water"])
    dry, oil, water = models.predict(at)["Gloss", "predicted"]
    assert dry - (oil + water) / 2 == pytest.approx(6, abs=4)
    assert isinstance(models["Gloss"].stationary, Unavailable)
    with pytest.raises(ModelError, match="in oil"):
        models.predict(SPOT.assign(Wetting="on paper"))
    as_json(fit(study, study.results(frame)), at)


def test_the_chemical_yield_study_gives_the_published_optimum_in_its_own_units():
    """NIST/SEMATECH e-Handbook 5.5.3.1.3 and .4; the printed point follows from rounded coefficients."""
    from pathlib import Path

    table = pd.read_csv(Path(__file__).parents[1] / "data/nist_chemical_yield.csv")
    table = table[table["phase"] != "phase1_first_order"]
    frame = pd.DataFrame({"Temperature": table["temperature"], "Time": table["time"], "Yield": table["yield_pct"]})
    study = Study.from_dict(
        {
            "study": {"name": "Chemical yield"},
            "factor": [
                {"name": "Temperature", "unit": "C", "low": 159.5, "high": 219.5},
                {"name": "Time", "unit": "s", "low": 300, "high": 400},
            ],
            "response": [{"name": "Yield", "unit": "%"}],
            "plan": {"model": "quadratic"},
        }
    )
    model = fit(study, study.results(frame), terms="all", coding="coded")["Yield"]
    estimates = dict(zip(model.terms["term"], model.terms["estimate"], strict=True))
    published = {"1": 72.0, "Temperature": -11.78, "Time": 0.74, "Temperature²": -7.25, "Time²": -7.55}
    for term, value in published.items():
        assert estimates[term] == pytest.approx(value, abs=0.006)
    assert estimates["Temperature × Time"] == pytest.approx(-4.85, abs=0.006)
    assert model.press == pytest.approx(696.25, abs=0.4)  # the table rounds the axial temperatures to two decimals
    point = model.stationary
    assert point.kind == "maximum"
    assert point.inside
    place = dict(point.at)
    assert (place["Temperature"] - 189.5) / 30 == pytest.approx(-0.9285, abs=1e-3)
    assert (place["Time"] - 350) / 50 == pytest.approx(0.3472, abs=1e-3)
    assert point.predicted == pytest.approx(77.59, abs=0.006)
    assert point.eigenvalues == pytest.approx((-4.973187, -9.827317), abs=3e-3)


def test_equal_values_are_called_equal():
    assert "all-equal" in codes(fitted(frame=SPOILT["all equal"](trials()))["Gloss"])
    assert "perfect-fit" in codes(fitted(frame=SPOILT["perfect"](trials()))["Gloss"])
