"""Readings beyond the method's range, through `fit`. Source of the numbers: data/README.md (survival 3.5-3)."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from doe import Study
from doe.problems import ModelError, Unavailable
from optimise import fit
from optimise.models.censored import expected
from optimise.statistics.censored import censored_fit
from optimise.statistics.imputation import _within, completions

REFERENCE = json.loads((Path(__file__).parents[1] / "data" / "structures.json").read_text(encoding="utf-8"))["censored"]


def study(model="linear", scale="linear"):
    return Study.from_dict(
        {
            "study": {"name": "Bounds"},
            "factor": [{"name": name, "low": low, "high": 1} for name, low in (("x1", -1), ("x2", -1), ("x3", 0))],
            "plan": {"model": model},
            "response": [{"name": "Thickness", "aim": "above", "low": 8, "method": "spindle 5", "scale": scale}],
        }
    )


def shown(low, high):
    if low is None:
        return f"<{high:g}"
    if high is None:
        return f">{low:g}"
    return f"{low:g}" if low == high else f"{low:g}..{high:g}"


def one_sided():
    """The constructed data with its intervals at their middle: bounds on one side only, as a table can carry them."""
    data = REFERENCE["constructed"]["data"]
    rows = []
    for low, high in zip(data["lower"], data["upper"], strict=True):
        rows.append(((low + high) / 2,) * 2 if low is not None and high is not None else (low, high))
    frame = pd.DataFrame({name: data[name] for name in ("x1", "x2", "x3")})
    return frame.assign(Thickness=[shown(*row) for row in rows]), rows


def test_bounds_take_part_by_their_likelihood():
    frame, rows = one_sided()
    made = study()
    model = fit(made, made.results(frame), terms="all")["Thickness"]
    assert model.n == 20
    assert not model.excluded
    said = next(finding for finding in model.findings if finding.code == "over-range")
    assert said.level == "inform"
    # The estimates are those of the likelihood, which has its own reference in test_censored.
    X = np.column_stack([np.ones(20), frame[["x1", "x2", "x3"]]])
    low = np.array([-np.inf if a is None else a for a, _ in rows])
    high = np.array([np.inf if b is None else b for _, b in rows])
    best = censored_fit(X, low, high)
    assert model.terms["estimate"].to_numpy(dtype=float) == pytest.approx(best.estimate, rel=1e-8)
    assert model.log_likelihood == pytest.approx(best.log_likelihood, abs=1e-9)
    assert isinstance(model.r2, Unavailable)
    assert list(model.trials["bound"]) == ["none" if a == b else "below" if a is None else "above" for a, b in rows]


@pytest.mark.parametrize("terms", ["all", "select"])
def test_predictions_go_beyond_the_limit_where_the_readings_do(terms):
    rng = np.random.default_rng(8)
    frame = pd.DataFrame(rng.uniform([-1, -1, 0], 1, (26, 3)), columns=["x1", "x2", "x3"])
    true = 10 + 3 * frame["x1"] + frame["x2"]
    made = true + rng.normal(0, 0.4, 26)
    top = 11.0
    frame["Thickness"] = [f">{top:g}" if value > top else f"{value:.3f}" for value in made]
    assert 4 < (made > top).sum() < 12
    model = fit(study(), study().results(frame), terms=terms)["Thickness"]
    corner = pd.DataFrame([{"x1": 1.0, "x2": 1.0, "x3": 0.5}])
    law = model.predictive(corner)
    low, high = law.batch_interval()[0]
    assert low < 14 < high
    assert law.median()[0] == pytest.approx(14, abs=0.8)
    left_out = fit(study(), study().results(frame[made <= top]), terms=terms)["Thickness"].predictive(corner)
    assert abs(law.median()[0] - 14) < abs(left_out.median()[0] - 14) + 0.1


def test_where_bounds_leave_no_maximum_they_are_left_out_and_that_is_said():
    frame = pd.DataFrame({"x1": [-1.0, 0, 1] * 4, "x2": np.linspace(-1, 1, 12), "x3": np.linspace(0, 1, 12) ** 2})
    # All batches with x1 = 1 are above: how far is anyone's guess.
    frame["Thickness"] = [">12" if x == 1 else f"{9 + x + 0.1 * i:.2f}" for i, x in enumerate(frame["x1"])]
    made = study()
    model = fit(made, made.results(frame), terms="all")["Thickness"]
    said = next(finding for finding in model.findings if finding.code == "over-range")
    if model.n == 12:
        assert np.isfinite(model.terms["estimate"].to_numpy(dtype=float)).all()
    else:
        assert said.level == "warn"
        assert len(model.excluded) == 4


def test_expected_value_of_a_normal_law_kept_above_a_limit():
    """Closed form: E[y | y > a] = mu + sd phi(z) / (1 - Phi(z)); at z = 0 the factor is sqrt(2 / pi)."""
    got = expected(np.array([5.0, 5.0]), 2.0, np.array([5.0, 3.0]), np.array([np.inf, 3.0]))
    assert got == pytest.approx([5 + 2 * np.sqrt(2 / np.pi), 3.0], rel=1e-12)


def test_completions_keep_what_was_read_and_stay_within_bounds():
    rng = np.random.default_rng(2)
    z = rng.uniform(-1, 1, (18, 2))
    y = 3 + z @ [2.0, 1.0] + rng.normal(0, 0.2, 18)
    low, high = y.copy(), y.copy()
    over = y > 4
    low[over], high[over] = 4.0, np.inf
    draws = completions(z, low, high, np.where(over, 4.5, y))
    assert draws.shape[1] == 18
    assert draws[:, ~over] == pytest.approx(np.broadcast_to(y[~over], draws[:, ~over].shape), abs=1e-12)
    assert (draws[:, over] >= 4).all()
    assert np.abs(draws[:, over].mean(axis=0) - y[over]).max() < 1.0
    assert (draws == completions(z, low, high, np.where(over, 4.5, y))).all()


def test_a_normal_law_between_two_ends():
    """scipy.stats.truncnorm."""
    for low, high, share in ((-1.0, 2.0, 0.3), (5.0, 6.0, 0.5), (-6.0, -5.0, 0.2), (1.0, np.inf, 0.9)):
        assert _within(0.0, 1.0, low, high, share) == pytest.approx(stats.truncnorm.ppf(share, low, high), rel=1e-8)


def plots_and_bounds(seed=3):
    """Constructed: six whole plots of four, a factor of theirs (slope 1), two within (2 and 1), above 11.5 unread."""
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame(rng.uniform(-1, 1, (24, 2)), columns=["x1", "x2"])
    frame["x3"] = np.repeat([0.0, 0.6, 0.2, 0.8, 0.4, 1.0], 4)
    plot = np.repeat(np.arange(6), 4)
    y = 10 + 2 * frame["x1"] + frame["x2"] + frame["x3"] + rng.normal(0, 0.8, 6)[plot] + rng.normal(0, 0.3, 24)
    frame["Thickness"] = [f">{11.5:g}" if value > 11.5 else f"{value:.3f}" for value in y]
    return frame.assign(whole_plot=[f"P{i}" for i in plot])


@pytest.mark.parametrize("terms", ["all", "select"])
def test_bounds_and_whole_plots_are_fitted_by_one_likelihood(terms):
    made, frame = study(), plots_and_bounds()
    model = fit(made, made.results(frame), terms=terms)["Thickness"]
    apart = fit(made, made.results(frame.drop(columns="whole_plot")), terms=terms)["Thickness"]
    assert {"whole_plot", "batch"} <= set(model.variance)
    table, alone = (one.terms.set_index("term") for one in (model, apart))
    # The factor of the whole plots is judged by these, one within them by batches.
    assert table.loc["x3", "df"] < 6 < table.loc["x1", "df"]
    assert table.loc["x3", "se"] > 1.3 * alone.loc["x3", "se"]
    assert table.loc["x1", "se"] < alone.loc["x1", "se"]
    said = next(finding for finding in model.findings if finding.code == "whole-plots")
    assert said.level == "inform"
    assert "sd" in said.got
    low, high = np.isinf(apart.predictive(frame).batch_interval()).sum(), model.predictive(frame).batch_interval()
    assert low == 0
    assert np.isfinite(high).all()


def test_the_joint_fit_says_the_same_in_every_coding():
    made, frame = study(), plots_and_bounds()
    coded, units = (
        fit(made, made.results(frame), terms="all", coding=name)["Thickness"] for name in ("coded", "units")
    )
    a, b = (one.terms.set_index("term").loc[["x1", "x2", "x3"], ["t", "df", "p"]] for one in (coded, units))
    assert a.to_numpy(dtype=float) == pytest.approx(b.to_numpy(dtype=float), rel=1e-6)
    assert coded.log_likelihood == pytest.approx(units.log_likelihood, abs=1e-8)
    # x3 runs from 0 to 1: its coded unit is half its range.
    assert coded.terms.set_index("term").loc["x3", "estimate"] == pytest.approx(
        units.terms.set_index("term").loc["x3", "estimate"] / 2, rel=1e-6
    )


def test_bounds_alone_are_refused_with_what_they_lack():
    made = study()
    frame = pd.DataFrame({"x1": [-1.0, 1, 0], "x2": [0.0, 1, -1], "x3": [0.0, 1, 0.5], "Thickness": ["<2", "<3", "<2"]})
    with pytest.raises(ModelError) as refused:
        fit(made, made.results(frame))
    (problem,) = refused.value.problems
    assert problem.got.endswith("every reading is only a bound")
    assert "another range" in problem.do
