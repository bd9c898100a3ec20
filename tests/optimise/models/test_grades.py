"""Graded responses through `fit`: the cumulative link of independent software, and chances by thresholds.

Source: data/README.md (Randall's wine, ordinal 2022.11-16).
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit

from doe import Study
from optimise import fit
from optimise.models.scales import Scale
from optimise.statistics.ordinal_shared import ordinal_shared

DATA = Path(__file__).parents[1] / "data"
WINE = json.loads((DATA / "structures.json").read_text(encoding="utf-8"))["ordinal"]["wine"]["clm_logit"]
JUDGES = json.loads((DATA / "structures.json").read_text(encoding="utf-8"))["ordinal"]["wine"]["quadrature_logit"]


def study(aim="above", low="4", high=None):
    response = {
        "name": "Bitterness",
        "kind": "grade",
        "grades": ["1", "2", "3", "4", "5"],
        "aim": aim,
        "method": "panel",
    }
    response |= {key: value for key, value in (("low", low), ("high", high)) if value is not None}
    return Study.from_dict(
        {
            "study": {"name": "Wine"},
            "factor": [{"name": name, "low": 0, "high": 1} for name in ("Warm", "Contact")],
            "plan": {"model": "linear"},
            "response": [response],
        }
    )


def wine():
    frame = pd.read_csv(DATA / "randall_wine.csv")
    return pd.DataFrame(
        {
            "Warm": (frame["temp"] == "warm").astype(float),
            "Contact": (frame["contact"] == "yes").astype(float),
            "Bitterness": frame["rating"].astype(str),
        }
    )


def test_slopes_and_thresholds_are_those_of_independent_software():
    made = study()
    model = fit(made, made.results(wine()), coding="units")["Bitterness"]
    wanted = WINE["table"]["Estimate"]
    errors = WINE["table"]["Std. Error"]
    table = model.terms.set_index("term")
    assert table.loc["Warm", "estimate"] == pytest.approx(wanted["tempwarm"], rel=1e-8)
    assert table.loc["Contact", "estimate"] == pytest.approx(wanted["contactyes"], rel=1e-8)
    assert table.loc["Warm", "se"] == pytest.approx(errors["tempwarm"], rel=1e-6)
    # Passing means grade 4 or 5: the score is measured from the threshold between 3 and 4.
    assert table.loc["1", "estimate"] == pytest.approx(-wanted["3|4"], rel=1e-8)
    assert table.loc["1", "se"] == pytest.approx(errors["3|4"], rel=1e-6)
    assert model.window == (0.0, None)
    assert model.scale.cuts == pytest.approx([wanted[k] - wanted["3|4"] for k in ("1|2", "2|3", "3|4", "4|5")])
    assert model.log_likelihood == pytest.approx(WINE["loglik"], abs=1e-9)


@pytest.mark.parametrize(
    "aim, low, high, share",
    [
        ("above", "4", None, "ge4"),
        ("below", None, "2", "le2"),
        ("within", "2", "3", "2to3"),
        ("above", "1", None, "all"),
    ],
)
def test_the_chance_is_that_of_the_grades_which_pass(aim, low, high, share):
    made = study(aim, low, high)
    models = fit(made, made.results(wine()))
    recipe = pd.DataFrame({"Warm": [1.0, 0.0], "Contact": [1.0, 0.0]})
    chance = models.predict(recipe)[("Bitterness", "chance")].to_numpy(dtype=float)
    e = WINE["table"]["Estimate"]
    eta = np.array([e["tempwarm"] + e["contactyes"], 0.0])
    below = {k: expit(e[k] - eta) for k in ("1|2", "2|3", "3|4", "4|5")}
    plain = {"ge4": 1 - below["3|4"], "le2": below["2|3"], "2to3": below["3|4"] - below["1|2"], "all": np.ones(2)}
    # The plain plug-in chance knows no uncertainty of the slopes, and takes the logistic law itself.
    assert chance == pytest.approx(plain[share], abs=0.03)


def test_parted_grades_are_held_and_said():
    made = study()
    frame = pd.DataFrame({"Warm": np.linspace(0, 1, 12), "Contact": [0.0, 1.0] * 6})
    frame["Bitterness"] = ["2"] * 4 + ["3"] * 4 + ["5"] * 4
    model = fit(made, made.results(frame))["Bitterness"]
    assert "grades-parted" in [finding.code for finding in model.findings]
    assert np.isfinite(model.terms["estimate"].to_numpy(dtype=float)).all()


def test_grades_of_one_batch_share_a_score_of_its_own():
    """The nine judges' grades of wines, each judge taken for a batch: slopes, thresholds, errors and the shared sd are
    those of independent quadrature (data/README.md).
    """
    frame = pd.read_csv(DATA / "randall_wine.csv")
    X = np.column_stack([frame["temp"] == "warm", frame["contact"] == "yes"]).astype(float)
    found = ordinal_shared(X, frame["rating"].to_numpy() - 1, 5, frame["judge"])
    cuts = ["1|2", "2|3", "3|4", "4|5"]
    assert found.fit.thresholds == pytest.approx([JUDGES["estimate"][k] for k in cuts], rel=1e-6)
    assert found.fit.estimate == pytest.approx([JUDGES["estimate"][k] for k in ("tempwarm", "contactyes")], rel=1e-6)
    errors = [JUDGES["se"][k] for k in (*cuts, "tempwarm", "contactyes")]
    assert np.sqrt(np.diag(found.fit.covariance)) == pytest.approx(errors, rel=1e-5)
    assert found.sd == pytest.approx(JUDGES["judge_sd"], rel=1e-6)
    assert found.sd_error / found.sd == pytest.approx(JUDGES["log_judge_sd_se"], rel=1e-5)
    assert found.fit.log_likelihood == pytest.approx(JUDGES["loglik"], abs=1e-7)


def panel(n=30, judges=5, own=1.5):
    """n simulated batches, each graded by a panel; batches differ by a score of their own."""
    rng = np.random.default_rng(3)
    x = rng.choice([0.0, 0.5, 1.0], (n, 2))
    score = 3 * x[:, 0] + x[:, 1] - 2 + own * rng.normal(size=n)
    seen = score[:, None] + rng.logistic(size=(n, judges))
    grade = 1 + np.searchsorted([-2.0, 0.0, 2.0, 4.0], seen)
    batch = np.repeat([f"B{i}" for i in range(n)], judges)
    rows = pd.DataFrame({"batch": batch, "reading": np.tile(np.arange(1, judges + 1), n)})
    rows[["Warm", "Contact"]] = np.repeat(x, judges, axis=0)
    return rows.assign(Bitterness=grade.ravel().astype(str))


def test_a_panel_does_not_count_for_as_many_batches():
    made = study()
    models = fit(made, made.results(panel()))
    model = models["Bitterness"]
    codes = [finding.code for finding in model.findings]
    assert "grades-of-one-batch" in codes
    assert "grades-as-numbers" not in codes
    assert model.n == 30
    assert 0.7 < np.sqrt(model.variance["batch"]) < 2.5
    # As if each grade came from a batch of its own the slopes would look surer.
    alone = made.results(panel().drop(columns=["batch", "reading"]))
    apart = fit(made, alone)["Bitterness"].terms.set_index("term")
    assert model.terms.set_index("term").loc["Warm", "se"] > 1.3 * apart.loc["Warm", "se"]
    chance = models.predict(pd.DataFrame({"Warm": [1.0, 0.0], "Contact": [1.0, 0.0]}))[("Bitterness", "chance")]
    assert 0 < chance.iloc[1] < chance.iloc[0] < 1


def test_scores_and_grades_map_both_ways():
    scale = Scale("grades", cuts=(-1.0, 0.0, 2.0), marks=(1.0, 1.5, 2.5, 3.5, 4.0))
    assert scale.back([-1.0, 0.0, 2.0]) == pytest.approx([1.5, 2.5, 3.5])
    assert scale.back([-50.0, 50.0]) == pytest.approx([1.0, 4.0])
    where = np.array([-1.2, -0.4, 1.1, 2.3])
    assert scale.forward(scale.back(where)) == pytest.approx(where)
    step = 1e-6
    slope = (scale.back(where + step) - scale.back(where - step)) / (2 * step)
    assert scale.back_slope(where) == pytest.approx(slope, rel=1e-6)
