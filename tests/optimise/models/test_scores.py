"""Grades and passes made on days: effects of a few, a score drawn for many, and the chance of a batch of a new day.

Sources: data/README.md (Randall's wine; quadrature by independent software); statsmodels for fixed days.
"""

import json
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, optimize
from scipy.special import expit, log_expit
from scipy.stats import norm
from statsmodels.miscmodels.ordinal_model import OrderedModel

from doe import Study
from optimise import fit
from optimise.models.scores import GroupVariance, ScoreColumns, ScoreFit, from_effects, score_predictor
from optimise.statistics.ordinal_shared import ordinal_shared

DATA = Path(__file__).parents[1] / "data"
JUDGES = json.loads((DATA / "structures.json").read_text(encoding="utf-8"))["ordinal"]["wine"]["quadrature_logit"]
CUTS = ["1|2", "2|3", "3|4", "4|5"]


def study(kind="grade", names=("Warm", "Contact"), grades=("1", "2", "3", "4", "5"), low="4"):
    response = {"name": "Taste", "kind": kind, "method": "panel", "aim": "above", "must": True}
    response |= {"grades": list(grades), "low": low} if kind == "grade" else {}
    return Study.from_dict(
        {
            "study": {"name": "Days"},
            "factor": [{"name": name, "low": 0, "high": 1} for name in names],
            "plan": {"model": "linear"},
            "response": [response],
        }
    )


def wine():
    frame = pd.read_csv(DATA / "randall_wine.csv")
    rows = {"Warm": (frame["temp"] == "warm").astype(float), "Contact": (frame["contact"] == "yes").astype(float)}
    return pd.DataFrame(rows | {"block": "J" + frame["judge"].astype(str), "Taste": frame["rating"].astype(str)})


def test_many_days_share_a_score_as_in_independent_software():
    """Each judge taken for a day on which his wines were made: slopes, errors and the sd between days."""
    made = study()
    model = fit(made, made.results(wine()))["Taste"]
    table = model.terms.set_index("term")
    for mine, its in (("Warm", "tempwarm"), ("Contact", "contactyes")):
        assert table.loc[mine, "estimate"] == pytest.approx(JUDGES["estimate"][its], rel=1e-6)
        assert table.loc[mine, "se"] == pytest.approx(JUDGES["se"][its], rel=1e-5)
    assert np.sqrt(model.variance["block"]) == pytest.approx(JUDGES["judge_sd"], rel=1e-6)
    assert model.log_likelihood == pytest.approx(JUDGES["loglik"], abs=1e-7)
    cut = JUDGES["estimate"]["3|4"]
    assert model.thresholds["estimate"].tolist() == pytest.approx([JUDGES["estimate"][k] - cut for k in CUTS], abs=1e-6)
    assert list(model.thresholds["below"] + "|" + model.thresholds["above"]) == CUTS
    said = next(f.got for f in model.findings if f.code == "blocks")
    assert "9 blocks" in said
    assert "new block" in said


def test_a_few_days_have_effects_of_their_own_as_in_independent_software():
    frame = wine()
    frame = frame[frame["block"].isin(["J1", "J2", "J3"])]
    made = study()
    model = fit(made, made.results(frame))["Taste"]
    judge = pd.get_dummies(frame["block"]).to_numpy(dtype=float)
    X = np.column_stack([frame["Warm"], frame["Contact"], judge[:, :2] - judge[:, 2:]])
    other = OrderedModel(frame["Taste"].astype(int).to_numpy(), X, distr="logit").fit(
        method="bfgs", disp=False, gtol=1e-9, maxiter=500
    )
    table = model.terms.set_index("term")
    assert table.loc[["Warm", "Contact"], "estimate"].tolist() == pytest.approx(other.params[:2].tolist(), rel=1e-4)
    assert table.loc[["Warm", "Contact"], "se"].tolist() == pytest.approx(other.bse[:2].tolist(), rel=1e-3)
    assert list(model.blocks.values())[:2] == pytest.approx(other.params[2:4].tolist(), rel=1e-3, abs=1e-4)
    assert model.log_likelihood == pytest.approx(other.llf, abs=1e-6)
    assert sum(model.blocks.values()) == pytest.approx(0, abs=1e-9)


def test_groups_within_groups_are_integrated_over_both():
    """The log-likelihood at the fit is that of adaptive quadrature (scipy) over day and batch; 24 nodes each way."""
    rng = np.random.default_rng(2)
    day, batch, x = np.repeat(np.arange(6), 6), np.repeat(np.arange(18), 2), np.repeat(rng.normal(size=18), 2)
    score = x + 2 * rng.normal(size=6)[day] + 1.5 * rng.normal(size=18)[batch] + rng.logistic(size=36)
    grade = np.searchsorted([-1.0, 1.5], score)
    found = ordinal_shared(x[:, None], grade, 3, batch, outer=day)
    assert found.sd > 0.2
    assert found.outer_sd > 0.2
    cuts = np.concatenate([[-np.inf], found.fit.thresholds, [np.inf]])

    def of_day(d):
        def of_batch(b, v):
            mine = np.flatnonzero(batch == b)
            eta = x[mine[0]] * found.fit.estimate[0] + v

            def at(u):
                e = eta + found.sd * u
                return density(u) * math.prod(below(cuts[g + 1] - e) - below(cuts[g] - e) for g in grade[mine])

            return integrate.quad(at, -8, 8, epsabs=1e-9)[0]

        def at(v):
            return density(v) * math.prod(of_batch(b, found.outer_sd * v) for b in np.unique(batch[day == d]))

        return integrate.quad(at, -8, 8, epsabs=1e-9)[0]

    def density(u):
        return math.exp(-u * u / 2) / math.sqrt(2 * math.pi)

    def below(e):
        return 1 / (1 + math.exp(-e))

    assert found.fit.log_likelihood == pytest.approx(sum(np.log(of_day(d)) for d in range(6)), abs=2e-4)


def passes(seed=1, days=3, each=8, apart=1.5):
    rng = np.random.default_rng(seed)
    day, x = np.repeat(np.arange(days), each), rng.choice([0.0, 0.5, 1.0], days * each)
    eta = 3 * x - 1 + apart * rng.normal(size=days)[day]
    words = np.where(rng.random(len(x)) < expit(eta), "pass", "fail")
    return pd.DataFrame({"Warm": x, "block": [f"D{d}" for d in day], "Taste": words})


def test_passes_of_a_few_days_maximise_the_penalised_likelihood():
    """Firth (1993): log-likelihood plus half the log determinant of the information, by a general optimiser."""
    frame, made = passes(), study("pass", ["Warm"])
    model = fit(made, made.results(frame))["Taste"]
    y = (frame["Taste"] == "pass").to_numpy(dtype=float)
    day = pd.get_dummies(frame["block"]).to_numpy(dtype=float)
    X = np.column_stack([np.ones(len(y)), frame["Warm"], day[:, :2] - day[:, 2:]])

    def lost(b):
        eta = X @ b
        w = expit(eta) * expit(-eta)
        like = y @ log_expit(eta) + (1 - y) @ log_expit(-eta)
        return -like - 0.5 * np.linalg.slogdet(X.T @ (w[:, None] * X))[1]

    best = optimize.minimize(lost, np.zeros(4), method="BFGS", options={"gtol": 1e-9}).x
    assert model.terms["estimate"].tolist() == pytest.approx(best[:2].tolist(), abs=1e-5)
    assert list(model.blocks.values())[:2] == pytest.approx(best[2:].tolist(), abs=1e-5)
    assert model.variance["block"] > 0


def test_passes_of_many_days_share_a_score():
    frame, made = passes(days=10, each=6), study("pass", ["Warm"])
    model = fit(made, made.results(frame))["Taste"]
    assert 0.5 < np.sqrt(model.variance["block"]) < 3
    alone = fit(made, made.results(frame.drop(columns="block")))["Taste"]
    assert alone.terms.loc[0, "se"] < model.terms.loc[0, "se"]
    alike = frame.assign(Warm=np.tile([0.0, 0.0, 0.5, 0.5, 1.0, 1.0], 10))
    alike["Taste"] = ["fail", "fail", "fail", "pass", "pass", "pass"] * 10
    model = fit(made, made.results(alike))["Taste"]
    assert model.variance["block"] == 0
    assert "differ no more" in next(f.got for f in model.findings if f.code == "blocks")


@pytest.mark.parametrize("sd", [0.0, 0.5, 1.5, 3.0])
@pytest.mark.parametrize("eta", [-2.0, 0.0, 1.0, 3.0])
def test_the_chance_of_a_new_day_is_the_logistic_chance_averaged_over_days(sd, eta):
    """E expit(eta + u), u ~ N(0, sd²), by adaptive quadrature; the t law that stands for it is within 0.01."""
    made = study("pass", ["Warm"])
    terms = made.terms(None).only([True, False])
    columns = ScoreColumns(terms, terms.fitting_coding(made.region), np.ones((4, 1)), np.ones((4, 0)), ())
    days = {"block": GroupVariance(sd**2, np.inf, 50)}
    law = score_predictor(columns, ScoreFit(np.array([eta]), np.zeros((1, 1)), 0.0, days))
    chance = law.at(np.array([[0.5]]), {}).chance(0.0, None)[0]
    wanted = integrate.quad(lambda u: norm.pdf(u) * expit(eta + sd * u), -9, 9)[0]
    assert chance == pytest.approx(wanted, abs=0.01)


def test_effects_of_few_days_spread_by_their_variance_and_their_errors():
    """Closed form: with equal error variances v of independent effects, the variance is that of the effects less v."""
    rng = np.random.default_rng(2)
    effects = rng.normal(0, 2, 4)
    effects -= effects.mean()
    v = 0.3
    covariance = v * (np.eye(4) - 1 / 4)
    found = from_effects(("a", "b", "c", "d"), effects[:3], covariance[:3, :3])
    assert found.variance == pytest.approx(effects.var(ddof=1) - v)
    assert found.df == pytest.approx(3 * (found.variance / effects.var(ddof=1)) ** 2)


def test_a_confounded_day_is_said():
    frame = passes()
    frame["Warm"] = (frame["block"] == "D0").astype(float)
    made = study("pass", ["Warm"])
    model = fit(made, made.results(frame))["Taste"]
    assert "blocks-confounded" in [f.code for f in model.findings]
    assert model.blocks == {}


@pytest.mark.parametrize(("days", "runs"), [(3, 40), (9, 15)])
def test_chances_of_batches_of_new_days_come_true(days, runs):
    """Simulated studies, score sd 1.5 between days; a batch made on a new day passes as often as was said.

    At each of three levels the mean chance said and the share that passed agree within three standard errors.
    """
    made = study("pass", ["Warm"])
    levels = pd.DataFrame({"Warm": [0.0, 0.5, 1.0]})
    said = np.array([fit(made, made.results(passes(100 + s, days, 6))).chance(levels).to_numpy() for s in range(runs)])
    wanted = [integrate.quad(lambda u, x=x: norm.pdf(u) * expit(3 * x - 1 + 1.5 * u), -9, 9)[0] for x in levels["Warm"]]
    assert said.mean(axis=0) == pytest.approx(wanted, abs=3 * 0.25 / np.sqrt(runs))


@pytest.mark.parametrize("qs", [False, True])
def test_a_factor_that_no_first_order_term_has_is_said_to_be_unseen(qs):
    """A blend without a fill has its factors in products alone; with one they have terms of their own. By hand."""
    names = ("Oil", "Wax", "Base")
    items = [{"name": name, "low": 0.1, "high": 0.6} for name in names]
    items[2]["qs"] = qs
    asked = Study.from_dict(
        {
            "study": {"name": "Unseen", "total": 1},
            "ingredient": items,
            "factor": [{"name": "Heat", "low": 0, "high": 1}],
            "plan": {"model": {"blend": "linear", "process": "linear", "cross": "linear"}},
            "response": [{"name": "Stable", "kind": "pass", "method": "oven", "aim": "above", "must": True}],
        }
    )
    rng = np.random.default_rng(2)
    frame = pd.DataFrame({"Oil": rng.uniform(0.1, 0.4, 16), "Wax": rng.uniform(0.1, 0.4, 16)})
    frame["Base"] = 1 - frame.sum(axis=1)
    frame["Heat"], frame["Stable"] = np.tile([0.0, 1.0], 8), np.tile(["pass", "pass", "fail", "pass"], 4)
    models = fit(asked, asked.results(frame))
    told = [one.got for one in models.findings if one.code == "not-in-the-score"]
    assert told == ([] if qs else ["Heat stands in none of its terms: what it does is not seen"])
    assert any("Heat" in term for term in models["Stable"].terms["term"]) is qs
