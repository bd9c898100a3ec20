"""Diagnosis: sums of squares that add up, tests against the reference library, and what is not available."""

import numpy as np
import pytest
import statsmodels.api as sm
from statsmodels.stats.diagnostic import het_breuschpagan

from doe.problems import Unavailable
from optimise.models.findings import outlier_findings, quality_findings, trend_findings
from optimise.models.scales import Scale
from optimise.statistics.diagnosis import (
    LackOfFit,
    added,
    analysis_of_variance,
    influence_limit,
    lack_of_fit,
    outlier_limit,
    pure_error,
    r_squared,
    spread_with_level,
    total_ss,
)
from optimise.statistics.leastsq import solve

LINEAR = Scale()


def blocked(seed=0):
    """Two blocks of eight batches, recipes 0..5, the first two made twice in each block."""
    rng = np.random.default_rng(seed)
    recipe = np.array([0, 1, 2, 3, 4, 5, 0, 1] * 2)
    x = np.linspace(-1, 1, 6)[recipe]
    block = np.repeat([1.0, -1.0], 8)
    y = 3 + 2 * x + x**2 + 4 * block + rng.normal(scale=0.3, size=16)
    return x, block[:, None], [f"R{i}" for i in recipe], y


def test_the_parts_add_up_with_blocks():
    x, block, groups, y = blocked()
    X = np.column_stack([np.ones(16), x, x**2, block])
    fit, pure = solve(X, y), pure_error(y, groups, block)
    lines = {line.source: line for line in analysis_of_variance(X, y, fit, {"x": [1], "x²": [2]}, pure, 1)}
    total = lines["blocks"].ss + lines["model"].ss + lines["residual"].ss
    assert total == pytest.approx(total_ss(y, np.ones(16)))
    assert lines["lack of fit"].ss + lines["pure error"].ss == pytest.approx(lines["residual"].ss)
    assert [lines[s].df for s in ("blocks", "model", "residual", "lack of fit", "pure error", "total")] == [
        1, 2, 12, 3, 9, 15,
    ]  # fmt: skip
    reference = sm.OLS(y, X).fit()
    tested = reference.f_test(np.eye(4)[1:3])
    assert lines["model"].f == pytest.approx(float(tested.fvalue))
    assert lines["model"].p == pytest.approx(float(tested.pvalue), rel=1e-8)
    assert lines["x²"].f == pytest.approx(float(reference.tvalues[2] ** 2))
    assert lines["blocks"].f == pytest.approx(float(reference.tvalues[3] ** 2))


def test_blocks_of_different_recipes_have_no_test_of_their_own():
    """Twenty batches alike but for x, which the second block has higher: its mean differs, the block does not."""
    rng = np.random.default_rng(2)
    x, block = np.r_[np.linspace(-1, 0.5, 10), np.linspace(-0.5, 1, 10)], np.repeat([1.0, -1.0], 10)[:, None]
    X = np.column_stack([np.ones(20), x, block])
    y = 3 + 2 * x + rng.normal(scale=0.1, size=20)
    fit = solve(X, y)
    lines = {
        line.source: line for line in analysis_of_variance(X, y, fit, {}, pure_error(y, list(map(str, x)), block), 1)
    }
    assert lines["blocks"].ss > 100 * fit.sd**2
    assert isinstance(lines["blocks"].f, Unavailable)
    assert sum(lines[name].ss for name in ("blocks", "model", "residual")) == pytest.approx(lines["total"].ss)


def test_lack_of_fit_is_the_comparison_with_a_mean_for_each_recipe():
    x, block, groups, y = blocked()
    X = np.column_stack([np.ones(16), x, block])
    fit = solve(X, y)
    found = lack_of_fit(fit, pure_error(y, groups, block))
    member = np.array([[float(g == name) for name in sorted(set(groups))] for g in groups])
    f, p, df = sm.OLS(y, np.column_stack([member, block])).fit().compare_f_test(sm.OLS(y, X).fit())
    assert (found.f, found.p, found.df[0]) == pytest.approx((f, p, df))


def test_r2_is_about_the_mean_without_an_intercept():
    x = np.arange(1.0, 9)
    y = 10 + 0.1 * x + np.array([0.1, -0.2, 0.3, -0.1, 0, 0.2, -0.3, 0.1])
    r2, *_ = r_squared(y, solve(x[:, None], y))
    assert r2 < 0  # a line through the origin is worse than the mean; about zero it would look like 0.8
    lines = analysis_of_variance(
        x[:, None], y, solve(x[:, None], y), {}, pure_error(y, list("abcdefgh"), np.empty((8, 0))), 0
    )
    assert isinstance(lines[0].f, Unavailable)
    assert lines[0].ss + lines[1].ss == pytest.approx(lines[-1].ss)


@pytest.mark.parametrize(
    "groups, y, said",
    [
        (list("abcdef"), [1.0, 2, 2.5, 4, 5.5, 6], "no recipe was made as two"),
        (list("aabbcc"), [1.0, 1, 2, 2, 4, 4], "agree to the last digit"),
    ],
)
def test_lack_of_fit_says_why_it_is_not_there(groups, y, said):
    x = np.array([0.0, 0, 1, 1, 2, 2]) if groups[0] == groups[1] else np.arange(6.0)
    fit = solve(np.column_stack([np.ones(6), x]), y)
    found = lack_of_fit(fit, pure_error(np.array(y), groups, np.empty((6, 0))))
    assert isinstance(found, Unavailable)
    assert said in found.reason
    assert found.do


def test_lack_of_fit_needs_more_recipes_than_terms():
    y = np.array([1.0, 1.2, 3, 3.3])
    fit = solve([[1, 0], [1, 0], [1, 1], [1, 1]], y)
    found = lack_of_fit(fit, pure_error(y, list("aabb"), np.empty((4, 0))))
    assert isinstance(found, Unavailable)
    assert "distinct recipes" in found.reason


def test_equal_values_have_no_r2():
    y = np.full(5, 2.0)
    r2, adjusted, predicted, _ = r_squared(y, solve(np.column_stack([np.ones(5), np.arange(5.0)]), y))
    assert all(isinstance(v, Unavailable) for v in (r2, adjusted, predicted))


def test_a_batch_that_alone_decides_a_term_leaves_no_press():
    X = np.column_stack([np.ones(6), [0, 0, 0, 0, 0, 1.0]])
    y = np.array([1.0, 2, 3, 2, 1, 9])
    _, _, predicted, press = r_squared(y, solve(X, y))
    assert isinstance(predicted, Unavailable)
    assert "alone decides" in press.reason


def test_limits_of_outliers_and_influence():
    """Against simulated t and F values."""
    rng = np.random.default_rng(0)
    fit = solve(np.column_stack([np.ones(16), rng.normal(size=(16, 2))]), rng.normal(size=16))
    big = np.random.default_rng(1).standard_t(12, size=(40_000, 16))
    beyond = np.mean(np.abs(big).max(axis=1) > outlier_limit(fit))
    assert beyond == pytest.approx(0.05, abs=0.004)  # independent t values: Bonferroni is nearly exact
    assert np.mean(np.random.default_rng(2).f(3, 13, 200_000) > influence_limit(fit)) == pytest.approx(0.5, abs=0.005)


def test_an_outlier_is_told_with_what_changes():
    rng = np.random.default_rng(4)
    x = np.linspace(-1, 1, 16)
    X = np.column_stack([np.ones(16), x])
    y = 5 + x + 0.1 * rng.normal(size=16)
    y[3] += 2
    fit = solve(X, y)
    said = outlier_findings("Foam", X, y, fit, fit.influence(), [f"T{i:02}" for i in range(16)], LINEAR)
    assert [f.code for f in said] == ["outlier"]
    assert "T03" in said[0].got
    assert "higher" in said[0].got
    assert "residual sd would be" in said[0].got


def test_drift_with_the_order_is_seen_and_noise_is_not():
    rng = np.random.default_rng(6)
    x = np.tile([-1.0, 1], 10)
    X = np.column_stack([np.ones(20), x])
    order = np.arange(20.0)
    noise = rng.normal(scale=0.5, size=20)
    drifting, steady = x + 0.2 * order + noise, x + noise
    codes = [f.code for f in trend_findings("pH", X, drifting, solve(X, drifting), order, LINEAR)]
    assert codes == ["drift"]
    assert trend_findings("pH", X, steady, solve(X, steady), order, LINEAR) == []
    wide = sm.OLS(drifting, np.column_stack([X, order])).fit()
    found = added(X, drifting, solve(X, drifting), order)
    assert (found.slope, found.p) == pytest.approx((wide.params[2], wide.pvalues[2]), rel=1e-6)


def test_growing_scatter_agrees_with_the_original_score_test():
    rng = np.random.default_rng(9)
    x = np.linspace(1, 20, 80)
    X = np.column_stack([np.ones(80), x])
    y = x * np.exp(0.3 * rng.normal(size=80))
    fit = solve(X, y)
    exog = np.column_stack([np.ones(80), fit.fitted])
    _, p, _, _ = het_breuschpagan(fit.residual, exog, robust=False)
    found = spread_with_level(fit)
    assert found.p == pytest.approx(p, rel=1e-8)
    said = trend_findings("Viscosity", X, y, fit, None, LINEAR)
    assert [f.code for f in said] == ["spread"]
    assert "log" in said[0].do


@pytest.mark.parametrize("n, code", [(2, "no-error"), (3, "few-df"), (4, "few-df")])
def test_few_degrees_of_freedom_are_said(n, code):
    fit = solve(np.column_stack([np.ones(n), np.arange(float(n))]), np.array([1.0, 3, 2, 5])[:n])
    none = Unavailable("", "")
    assert quality_findings("pH", fit, none, none, none)[0].code == code


def test_a_bad_shape_and_a_model_worse_than_the_mean_are_said():
    x = np.repeat(np.linspace(-1, 1, 5), 2)
    y = 5 * x**2 + np.tile([-0.01, 0.01], 5)
    X = np.column_stack([np.ones(10), x])
    fit = solve(X, y)
    lack = lack_of_fit(fit, pure_error(y, [f"{v}" for v in x], np.empty((10, 0))))
    assert isinstance(lack, LackOfFit)
    r2, _, predicted, _ = r_squared(y, fit)
    assert {f.code for f in quality_findings("pH", fit, r2, predicted, lack)} == {"predicts-badly", "lack-of-fit"}
