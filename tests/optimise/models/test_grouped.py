"""Batches that share whole plots, through `fit`: the errors and tests of independent software, and what predicts.

Sources: data/README.md (fish patties, Cornell 2002, with a constructed assignment to whole plots).
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from doe import Study
from doe.problems import Unavailable
from optimise import fit
from optimise.models.batchdata import Sharing
from optimise.models.grouped import as_if_alone
from optimise.statistics.leastsq import solve
from optimise.statistics.marginal import Groups
from optimise.statistics.mixed import reml
from optimise.statistics.posterior import Posterior

DATA = Path(__file__).parents[1] / "data"
REFERENCE = json.loads((DATA / "structures.json").read_text(encoding="utf-8"))["mixed"]
BLEND, FACTORS = ("Mullet", "Sheepshead", "Croaker"), ("Cook temp", "Cook time", "Fry time")


def study():
    return Study.from_dict(
        {
            "study": {"name": "Patties", "total": 1, "unit": "proportion"},
            "ingredient": [{"name": name, "low": 0, "high": 1} for name in BLEND],
            "factor": [{"name": n, "low": -1, "high": 1, "hard_to_change": n == "Fry time"} for n in FACTORS],
            "plan": {"model": {"blend": "linear", "process": "linear", "cross": "full"}},
            "response": [{"name": "Texture", "aim": "watch", "method": "puncture force"}],
        }
    )


def results(made, plots):
    frame = pd.read_csv(DATA / "cornell_fish_patties.csv")
    frame.columns = [*BLEND, *FACTORS, "Texture"]
    return made.results(frame.assign(whole_plot=plots))


@pytest.mark.parametrize("name", ["blend_batches_linear", "process_runs_zero"])
def test_errors_and_tests_are_those_of_independent_software(name):
    made, entry = study(), REFERENCE[name]
    model = fit(made, results(made, entry["whole_plot_by_row"]), terms="all")["Texture"]
    short = dict(zip(("x1", "x2", "x3", "z1", "z2", "z3"), (*BLEND, *FACTORS), strict=True))
    table = model.terms.set_index("term")
    assert len(table) == entry["p"]
    for column in entry["x_columns"]:
        term = " × ".join(short[part] for part in column.split(":"))
        wanted = entry["fixed_effects"]
        row = table.loc[term]
        assert row["estimate"] == pytest.approx(wanted["estimate"][column], rel=1e-6)
        assert row["se"] == pytest.approx(wanted["se_kr"][column], rel=1e-6)
        assert row["df"] == pytest.approx(wanted["df_kr"][column], rel=1e-6)
        assert row["p"] == pytest.approx(wanted["p_kr"][column], rel=1e-4, abs=1e-12)
    plot, batch = entry["variance_components"].values()
    assert model.variance == pytest.approx({"whole_plot": plot, "batch": batch}, rel=1e-6, abs=1e-12)
    said = next(finding for finding in model.findings if finding.code == "whole-plots")
    assert ("nothing" in said.got) == (plot == 0)
    assert isinstance(model.lack_of_fit, Unavailable)
    assert set(model.anova["source"]) <= {"linear terms", "squares", "products"}
    assert all(isinstance(value, Unavailable) for name in ("ss", "ms") for value in model.anova[name])
    assert all(0 <= p <= 1 for p in model.anova["p"])


@pytest.mark.parametrize("name", ["corrosion", "zero_variance", "zero_variance_unbalanced"])
def test_the_contrasts_of_a_category_are_tested_together(name):
    """Of a level by itself the test hangs on which level it is compared with; of the category it does not."""
    entry = REFERENCE[name]
    if name == "corrosion":
        frame = pd.read_csv(DATA / "bhh_corrosion_splitplot.csv").astype(str).astype({"resistance": float})
        frame = frame[["temperature", "coating", "heat_run", "resistance"]]
    else:
        frame = pd.DataFrame(entry["data"])[["A", "B", "wp", "y"]]
    names = list(frame.columns[:2])
    frame.columns = [*names, "whole_plot", "y"]
    crossed = len(entry["term_tests"]) == 3
    made = Study.from_dict(
        {
            "study": {"name": "Split plot"},
            "factor": [{"name": n, "levels": sorted(set(frame[n])), "hard_to_change": n == names[0]} for n in names],
            "plan": {"model": {"process": "factorial" if crossed else "linear"}},
            "response": [{"name": "y", "aim": "watch", "method": "as published", "scale": "linear"}],
        }
    )
    rows = fit(made, made.results(frame), terms="all")["y"].anova.set_index("source")
    assert len(rows) == len(entry["term_tests"])
    for term, wanted in entry["term_tests"].items():
        row = rows.loc[" × ".join(f"[{part}]" for part in term.split(":"))]
        assert row["df"] == wanted["ndf"]
        assert row["df_error"] == pytest.approx(wanted["ddf_kr"], rel=1e-6)
        assert row["f"] == pytest.approx(wanted["F_kr"], rel=1e-6)
        assert row["p"] == pytest.approx(wanted["p_kr"], rel=1e-5)


def test_many_blocks_are_taken_as_drawn_anew():
    """The same batches named as 14 blocks: the same likelihood; of few blocks each has an effect of its own."""
    made, entry = study(), REFERENCE["blend_batches_linear"]
    frame = pd.read_csv(DATA / "cornell_fish_patties.csv")
    frame.columns = [*BLEND, *FACTORS, "Texture"]
    names = [f"day {n}" for n in entry["whole_plot_by_row"]]
    model = fit(made, made.results(frame.assign(block=names)), terms="all")["Texture"]
    assert list(model.variance) == ["batch", "block"]
    assert list(model.variance.values()) == pytest.approx(list(entry["variance_components"].values())[::-1], rel=1e-6)
    row = model.terms.set_index("term").loc["Mullet × Fry time"]
    assert row["df"] == pytest.approx(entry["fixed_effects"]["df_kr"]["x1:z3"], rel=1e-6)
    few = fit(made, made.results(frame.assign(block=[f"day {i % 3}" for i in range(56)])), terms="all")["Texture"]
    assert list(few.blocks) == ["day 0", "day 1", "day 2"]


def test_size_of_a_test_of_a_hard_to_change_factor():
    """Nothing acts; 8 whole plots of 3, sd 1 between and 1 within: a 5 % test is wrong in about 5 studies of 100.

    Fitted as if randomised it finds something in about 20. 300 studies here, 4 000 in tests/benchmarks.
    """
    plots = np.repeat(np.arange(8), 3)
    X = np.column_stack([np.ones(24), np.repeat([-1.0, 1] * 4, 3), np.tile([-1.0, 0, 1], 8)])
    found, ignored = 0, 0
    for seed in range(300):
        rng = np.random.default_rng(seed)
        y = rng.normal(size=8)[plots] + rng.normal(size=24)
        found += reml(X, y, [plots]).contrast([0, 1, 0]).p < 0.05
        plain = solve(X, y)
        ignored += 2 * stats.t.sf(abs(plain.estimate[1] / plain.standard_error()[1]), plain.df) < 0.05
    assert 0.02 <= found / 300 <= 0.085
    assert ignored / 300 > 0.12


def test_terms_are_chosen_among_values_whose_errors_are_alike_and_apart():
    """Drawing in the means of whole plots is the inverse root of their covariance: A V A' = I for V = I + ratio ZZ'."""
    rng = np.random.default_rng(6)
    plots = tuple(np.repeat(["a", "b", "c", "d", "e", "f"], [4, 3, 5, 4, 2, 4]))
    n = len(plots)
    X = np.column_stack([np.ones(n), rng.normal(size=n)])
    apart = dict(zip("abcdef", rng.normal(0, 3, 6), strict=True))
    y = X @ [1.0, 2.0] + [apart[plot] for plot in plots] + rng.normal(0, 0.5, n)
    A, turned = as_if_alone(X, np.eye(n), y, Sharing("whole_plot", plots))
    between, within = reml(X, y, [plots]).variance
    Z = np.equal.outer(np.array(plots), np.array(plots)).astype(float)
    assert A @ (np.eye(n) + between / within * Z) @ A.T == pytest.approx(np.eye(n), abs=1e-9)
    assert turned == pytest.approx(A @ y)


def test_a_new_batch_has_the_error_of_its_own_setting_up():
    made, entry = study(), REFERENCE["blend_batches_linear"]
    model = fit(made, results(made, entry["whole_plot_by_row"]), terms="all")["Texture"]
    recipe = pd.DataFrame([dict.fromkeys(FACTORS, 0.0) | {"Mullet": 1.0, "Sheepshead": 0.0, "Croaker": 0.0}])
    law = model.predictive(recipe)
    plot, batch = entry["variance_components"].values()
    assert law.residual[0] == pytest.approx(np.sqrt(plot + batch), rel=1e-6)
    # At the middle of the factors the mean is the coefficient of the pure blend.
    assert law.mean_scale[0, 0] == pytest.approx(entry["fixed_effects"]["se_kr"]["x1"], rel=1e-6)


def test_whole_plots_widen_what_the_posterior_says_of_a_new_batch():
    rng = np.random.default_rng(3)
    plots = np.repeat(np.arange(8), 4)
    # Two plots at each level of the hard factor, so that no curve of it can stand for what lies between them.
    z = np.column_stack([np.repeat(np.tile([-1.0, -0.4, 0.4, 1.0], 2), 4), rng.uniform(-1, 1, 32)])
    y = z @ [1.0, 2.0] + rng.normal(0, 2.0, 8)[plots] + rng.normal(0, 0.3, 32)
    alone, shared = Posterior.fit(z, y), Posterior.fit(z, y, Groups(plots=plots))
    where = np.array([[0.9, 0.0], [-0.9, 0.0]])
    # How the hard factor acts is far less sure than 32 separate batches would make it; the easy one is surer.
    apart = np.array([1.0, -1.0])
    batch = [p.s2[0] * (1 + p.between[0] ** 2) for p in (alone, shared)]
    hard = [apart @ p.covariance(where)[0] @ apart * v for p, v in zip((alone, shared), batch, strict=True)]
    easy = [apart @ p.covariance(where[:, ::-1])[0] @ apart * v for p, v in zip((alone, shared), batch, strict=True)]
    assert hard[1] > 1.3 * hard[0]
    assert easy[1] < 0.5 * easy[0]
    typical = float(shared.at(where).residual @ shared.weights)
    assert 1.0 < typical < 4.0
    again = Posterior.from_dict(json.loads(json.dumps(shared.to_dict()))).at(where)
    assert again.median() == pytest.approx(shared.at(where).median(), rel=1e-12)
    assert again.residual == pytest.approx(shared.at(where).residual, rel=1e-12)


def test_too_few_whole_plots_are_said():
    made = study()
    model = fit(made, results(made, np.arange(56) // 28), terms="all")["Texture"]
    said = next(finding for finding in model.findings if finding.code == "whole-plots")
    assert said.level == "warn"
    assert set(model.variance) == {"batch"}


def test_whole_plots_with_readings_beyond_reach():
    """Both at once: coefficients and what predicts allow for the error that batches of one whole plot share."""
    rng = np.random.default_rng(9)
    made = Study.from_dict(
        {
            "study": {"name": "Both"},
            "factor": [
                {"name": "x", "low": -1, "high": 1, "hard_to_change": True},
                {"name": "z", "low": -1, "high": 1},
            ],
            "plan": {"model": "linear"},
            "response": [{"name": "Y", "aim": "watch", "method": "simulated"}],
        }
    )
    plots = np.repeat(np.arange(8), 3)
    x, z = np.repeat([-1.0, 1, -1, 1, -1, 1, -1, 1], 3), np.tile([-1.0, 0, 1], 8)
    y = 5 + x + z + 2 * rng.normal(size=8)[plots] + 0.3 * rng.normal(size=24)
    top = np.quantile(y, 0.85)
    frame = pd.DataFrame({"x": x, "z": z, "whole_plot": plots})
    results = made.results(frame.assign(Y=[f">{top:.6f}" if v > top else f"{v:.6f}" for v in y]))
    model = fit(made, results)["Y"]
    said = [f.got for f in model.findings if f.code == "whole-plots"]
    assert len(said) == 1
    assert "allow for both" in said[0]
    assert model.n == 24
    table = model.terms.set_index("term")
    assert table.loc["x", "df"] <= 6 < table.loc["z", "df"]
    assert table.loc["x", "se"] > 5 * table.loc["z", "se"]
    seen = results.observed("Y")["value"].to_numpy()
    alone = fit(made, made.results(frame.drop(columns="whole_plot").assign(Y=seen)))["Y"]

    def hard_beside_easy(one):
        """Variance of what the hard factor does over that of the easy one."""
        apart = np.array([1.0, -1.0])
        ends = [np.array([[1.0, 0], [-1, 0]]), np.array([[0, 1.0], [0, -1]])]
        hard, easy = (apart @ one.predictor.covariance(X, {}) @ apart for X in ends)
        return hard / easy

    # 24 batches of their own would tell of both factors alike; 8 set-ups tell far less of the hard one.
    assert hard_beside_easy(alone) < 2
    assert hard_beside_easy(model) > 4


def test_diagnosis_of_batches_that_share_whole_plots_knows_of_it():
    """Each batch against all others, its whole plot's too; R² about the mean; a batch that went wrong is found.

    With whole plots 3 apart and batches 0.2, a batch off by 1.5 hides among plain residuals.
    """
    rng = np.random.default_rng(1)
    made = Study.from_dict(
        {
            "study": {"name": "Plots"},
            "factor": [{"name": "Heat", "low": -1, "high": 1, "hard_to_change": True},
                       {"name": "Speed", "low": -1, "high": 1}],
            "plan": {"model": "linear"},
            "response": [{"name": "Foam", "method": "cylinder", "aim": "watch"}],
        }
    )  # fmt: skip
    heat, speed = np.repeat(np.tile([-1.0, 1.0], 4), 4), np.tile([-1.0, -0.3, 0.3, 1.0], 8)
    y = 20 + heat + speed + np.repeat(rng.normal(0, 3, 8), 4) + rng.normal(0, 0.2, 32)
    y[9] += 1.5
    frame = pd.DataFrame({"Heat": heat, "Speed": speed, "whole_plot": np.repeat(np.arange(8), 4), "Foam": y})
    model = fit(made, made.results(frame), terms="all")["Foam"]
    said = [f.got for f in model.findings if f.code == "outlier"]
    assert len(said) == 1
    assert said[0].startswith(model.trials["batch"][9])
    fitted = model.trials["fitted"].to_numpy()
    assert model.trials["residual"].to_numpy() == pytest.approx(y - fitted)
    assert model.r2 == pytest.approx(1 - np.sum((y - fitted) ** 2) / np.sum((y - y.mean()) ** 2))
    assert np.abs(model.trials["deleted"].to_numpy(dtype=float)).argmax() == 9
