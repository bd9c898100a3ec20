"""Restricted likelihood and Kenward-Roger tests against published analyses and numbers of independent software.

Sources: data/README.md. The corrosion study is balanced, so that its variance components follow from its mean squares:
whole plots 4813.2083 and error 124.5417 on 4 runs a plot (Box, Hunter & Hunter 2005, table 9.2).
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from optimise.statistics.leastsq import solve
from optimise.statistics.mixed import reml

DATA = Path(__file__).parents[1] / "data"
REFERENCE = json.loads((DATA / "structures.json").read_text(encoding="utf-8"))["mixed"]


def corrosion():
    frame = pd.read_csv(DATA / "bhh_corrosion_splitplot.csv")
    hot = [(frame["temperature"] == t).to_numpy(dtype=float) for t in (370, 380)]
    coat = [(frame["coating"] == c).to_numpy(dtype=float) for c in (2, 3, 4)]
    X = np.column_stack([np.ones(len(frame)), *hot, *coat, *[t * c for c in coat for t in hot]])
    return X, frame["resistance"].to_numpy(dtype=float), frame["heat_run"].to_numpy()


def constructed(name):
    entry = REFERENCE[name]
    frame, levels = pd.DataFrame(entry["data"]), entry["factor_levels"]
    a = (frame["A"].astype(str) == levels["A"][1]).to_numpy(dtype=float)
    b = [(frame["B"].astype(str) == level).to_numpy(dtype=float) for level in levels["B"][1:]]
    products = [a * column for column in b] if "A * B" in entry["formula"] else []
    return np.column_stack([np.ones(len(frame)), a, *b, *products]), frame["y"].to_numpy(dtype=float), frame["wp"]


def patties(name):
    entry = REFERENCE[name]
    frame = pd.read_csv(DATA / "cornell_fish_patties.csv")
    columns = {f"x{i + 1}": frame.iloc[:, i].to_numpy(dtype=float) for i in range(3)}
    columns |= {f"z{i + 1}": frame.iloc[:, 3 + i].to_numpy(dtype=float) for i in range(3)}
    X = np.column_stack([np.prod([columns[c] for c in term.split(":")], axis=0) for term in entry["x_columns"]])
    return X, frame["texture"].to_numpy(dtype=float), np.array(entry["whole_plot_by_row"])


def data_of(name):
    if name == "corrosion":
        return corrosion()
    return patties(name) if "whole_plot_by_row" in REFERENCE[name] else constructed(name)


@pytest.mark.parametrize("name", list(REFERENCE))
def test_components_coefficients_and_tests(name):
    X, y, plots = data_of(name)
    entry, effects = REFERENCE[name], REFERENCE[name]["fixed_effects"]
    fit = reml(X, y, [plots])
    assert fit.variance == pytest.approx(list(entry["variance_components"].values()), rel=2e-7, abs=1e-12)
    assert fit.log_likelihood == pytest.approx(entry["reml_loglik_plus_half_logdet_XtX"], abs=1e-8)
    each = [fit.contrast(row) for row in np.eye(X.shape[1])]
    assert fit.estimate == pytest.approx(list(effects["estimate"].values()), rel=1e-7, abs=1e-9)
    assert np.sqrt(np.diag(fit.plain)) == pytest.approx(list(effects["se_reml"].values()), rel=1e-7)
    assert [c.se for c in each] == pytest.approx(list(effects["se_kr"].values()), rel=1e-7)
    assert [c.df for c in each] == pytest.approx(list(effects["df_kr"].values()), rel=1e-7)
    assert [c.p for c in each] == pytest.approx(list(effects["p_kr"].values()), rel=1e-5, abs=1e-12)
    for case in entry["contrasts"].values():
        got, wanted = fit.contrast(case["L"]), case["result"]
        assert got.estimate == pytest.approx(wanted["estimate"], rel=1e-8, abs=1e-9)
        assert (got.se, got.df, got.p) == pytest.approx((wanted["se_kr"], wanted["df_kr"], wanted["p_kr"]), rel=1e-6)


def test_variance_components_are_those_of_the_mean_squares():
    X, y, plots = corrosion()
    fit = reml(X, y, [plots])
    within = solve(np.column_stack([X, np.eye(6)[plots - 1]]), y)
    over = pd.Series(y - solve(X, y).fitted).groupby(plots).mean()
    between = 4 * float(over @ over) / 3
    assert fit.variance == pytest.approx([(between - within.rss / 9) / 4, within.rss / 9], rel=1e-9)
    assert (round(between), round(within.rss / 9, 1)) == (4813, 124.5)


def test_joint_tests_of_whole_plot_and_subplot_terms():
    """Sum-to-zero coding, in which a test of all columns of a term is the test of its marginal means (type III)."""
    X, y, plots = corrosion()
    hot = np.column_stack([X[:, 1] - (1 - X[:, 1] - X[:, 2]), X[:, 2] - (1 - X[:, 1] - X[:, 2])])
    coat = X[:, 3:6] - (1 - X[:, 3:6].sum(axis=1))[:, None]
    products = [hot[:, i] * coat[:, j] for j in range(3) for i in range(2)]
    fit = reml(np.column_stack([np.ones(24), hot, coat, *products]), y, [plots])
    where = {"temperature": [1, 2], "coating": [3, 4, 5], "temperature:coating": list(range(6, 12))}
    for term, columns in where.items():
        got, wanted = fit.test(np.eye(12)[columns]), REFERENCE["corrosion"]["term_tests"][term]
        assert (got.ndf, got.f, got.ddf) == pytest.approx((wanted["ndf"], wanted["F_kr"], wanted["ddf_kr"]), rel=1e-7)
        assert got.p == pytest.approx(wanted["p_kr"], rel=1e-6)


def test_no_groups_is_least_squares():
    X, y, _ = corrosion()
    fit, plain = reml(X, y, []), solve(X, y)
    assert fit.estimate == pytest.approx(plain.estimate, rel=1e-9)
    got = fit.contrast(np.eye(12)[4])
    assert (got.se, got.df) == pytest.approx((plain.standard_error()[4], plain.df), rel=1e-9)


def test_two_nested_groupings_of_a_balanced_study():
    """Days, plots in days, batches in plots: the components follow from the mean squares of a nested analysis."""
    rng = np.random.default_rng(5)
    day, plot = np.repeat(np.arange(6), 8), np.repeat(np.arange(24), 2)
    y = rng.normal(0, 2, 6)[day] + rng.normal(0, 1, 24)[plot] + rng.normal(0, 0.5, 48) + 10
    fit = reml(np.ones((48, 1)), y, [day, plot])
    means, whole = pd.Series(y).groupby(plot).mean().to_numpy(), pd.Series(y).groupby(day).mean().to_numpy()
    batch = float(((y - means[plot]) ** 2).sum()) / 24
    plots = 2 * float(((means - whole[np.arange(24) // 4]) ** 2).sum()) / 18
    days = 8 * float(((whole - whole.mean()) ** 2).sum()) / 5
    assert fit.variance == pytest.approx([(days - plots) / 8, (plots - batch) / 2, batch], rel=1e-8)
    mean = fit.contrast([1.0])
    assert mean.df == pytest.approx(5, rel=1e-9)
    assert mean.se**2 == pytest.approx(days / 48, rel=1e-9)


def test_units_do_not_matter():
    X, y, plots = patties("process_runs_quadratic")
    plain, tiny = reml(X, y, [plots]), reml(X * 1e-6, y * 1e9, [plots])
    assert tiny.variance == pytest.approx(plain.variance * 1e18, rel=1e-7)
    assert tiny.contrast(np.eye(24)[3]).df == pytest.approx(plain.contrast(np.eye(24)[3]).df, rel=1e-6)


def test_what_cannot_be_told_apart_is_refused():
    X, y, _ = corrosion()
    with pytest.raises(ValueError, match="cannot be told"):
        reml(X, y, [np.arange(24)])
    with pytest.raises(ValueError, match="depend on each other"):
        reml(np.column_stack([X, X[:, 1]]), y, [np.arange(24) // 4])
    with pytest.raises(ValueError, match="degree of freedom"):
        reml(np.eye(4), y[:4], [np.arange(4) // 2])
