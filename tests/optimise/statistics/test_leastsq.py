"""Least squares against certified problems (NIST StRD), reference influence measures and a reference library."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st

from optimise.statistics.leastsq import contains_constant, independent, solve, spans, two_sided

DATA = Path(__file__).parents[1] / "data"
CERTIFIED = pd.read_csv(DATA / "strd_certified.csv")


def polynomial(x):
    return np.vander(np.asarray(x, dtype=float), 6, increasing=True)


def problem(name):
    """Model matrix and values of a certified problem."""
    if name.startswith("Wampler"):
        frame = pd.read_csv(DATA / "strd_wampler.csv")
        return polynomial(frame["x"]), frame["y" + name[-1]].to_numpy(dtype=float)
    frame = pd.read_csv(DATA / f"strd_{name.lower()}.csv")
    columns = frame.drop(columns="y").to_numpy(dtype=float)
    if name != "NoInt1":
        columns = np.column_stack([np.ones(len(frame)), columns])
    return columns, frame["y"].to_numpy(dtype=float)


def certified(name, kind):
    rows = CERTIFIED[CERTIFIED["dataset"] == name]
    if kind == "coefficients":
        rows = rows[rows["parameter"].str.match(r"B\d")]
        return rows["estimate"].to_numpy(dtype=float), rows["sd_of_estimate"].to_numpy(dtype=float)
    return float(rows.loc[rows["parameter"] == kind, "estimate"].iloc[0])


def digits(got, wanted):
    """Log relative error, the measure of agreement of the StRD; log absolute error for zero."""
    gap = np.abs(np.asarray(got) - wanted)
    scale = np.where(np.asarray(wanted) == 0, 1.0, np.abs(wanted))
    return float(np.min(-np.log10(np.maximum(gap / scale, 1e-17))))


@pytest.mark.parametrize("name", ["Norris", "NoInt1", "Longley", *(f"Wampler{i}" for i in range(1, 6))])
def test_certified_problems(name):
    X, y = problem(name)
    fit = solve(X, y)
    estimates, errors = certified(name, "coefficients")
    assert digits(fit.estimate, estimates) >= 12
    assert digits(fit.sd, certified(name, "residual_sd")) >= 12
    assert digits(fit.standard_error(), errors) >= 12
    reference = sm.OLS(y, X).fit()
    assert digits(fit.estimate, estimates) >= digits(reference.params, estimates) - 1


def test_a_fit_through_the_origin_agrees_with_its_uncorrected_r2():
    X, y = problem("NoInt1")
    fit = solve(X, y)
    # The certified R² of NoInt1 is about zero; the one shown to users is always about the mean.
    assert digits(1 - fit.rss / float(y @ y), certified("NoInt1", "r_squared")) >= 12


def test_exact_fits_are_told_from_good_ones():
    assert solve(*problem("Wampler1")).exact
    assert solve(*problem("Wampler2")).exact
    assert solve(*problem("Wampler1")).sd == 0
    assert not solve(*problem("Norris")).exact
    X, y = problem("Norris")
    assert not solve(X, y + 1e6 * X[:, 1]).exact


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.sampled_from([1e-12, 1.0, 1e12]), st.sampled_from([1e-12, 1.0, 1e12]))
def test_scales_of_values_and_columns_change_no_digit_that_matters(seed, size_y, size_x):
    rng = np.random.default_rng(seed)
    X, y = rng.normal(size=(12, 4)), rng.normal(size=12)
    plain, scaled = solve(X, y), solve(X * size_x, y * size_y)
    assert scaled.estimate * size_x == pytest.approx(plain.estimate * size_y, rel=1e-9)
    assert scaled.leverage == pytest.approx(plain.leverage, rel=1e-9)
    assert scaled.sd == pytest.approx(plain.sd * size_y, rel=1e-9)
    assert not scaled.exact


def test_weighted_fit_and_influence_agree_with_the_reference_library():
    rng = np.random.default_rng(3)
    X = np.column_stack([np.ones(14), rng.normal(size=(14, 3))])
    y, w = rng.normal(size=14), rng.uniform(0.5, 4, size=14)
    fit, reference = solve(X, y, w), sm.WLS(y, X, weights=w).fit()
    assert fit.estimate == pytest.approx(reference.params, rel=1e-10)
    assert fit.standard_error() == pytest.approx(reference.bse, rel=1e-10)
    assert fit.log_likelihood == pytest.approx(reference.llf, rel=1e-10)
    plain = solve(X, y)
    influence, seen = plain.influence(), sm.OLS(y, X).fit().get_influence()
    assert plain.leverage == pytest.approx(seen.hat_matrix_diag, rel=1e-10)
    assert influence.studentised == pytest.approx(seen.resid_studentized_internal, rel=1e-9)
    assert influence.deleted == pytest.approx(seen.resid_studentized_external, rel=1e-9)
    assert influence.cook == pytest.approx(seen.cooks_distance[0], rel=1e-9)
    assert plain.press == pytest.approx(float(np.sum(seen.resid_press**2)), rel=1e-9)


def test_press_is_what_leaving_each_row_out_gives():
    rng = np.random.default_rng(5)
    X, y = np.column_stack([np.ones(9), rng.normal(size=(9, 2))]), rng.normal(size=9)
    left_out = [y[i] - X[i] @ solve(np.delete(X, i, 0), np.delete(y, i)).estimate for i in range(9)]
    assert solve(X, y).press == pytest.approx(float(np.sum(np.square(left_out))), rel=1e-10)


def test_dependent_columns_are_dropped_in_order_and_change_nothing_else():
    rng = np.random.default_rng(7)
    X = np.column_stack([np.ones(10), rng.normal(size=(10, 2))])
    y = rng.normal(size=10)
    wide = np.column_stack([X[:, :2], X[:, 1], X[:, 2], 2 * X[:, 0] - 3 * X[:, 2], np.zeros(10)])
    fit = solve(wide, y)
    assert fit.kept.tolist() == [0, 1, 3]
    assert fit.dropped.tolist() == [2, 4, 5]
    assert fit.estimate == pytest.approx(solve(X, y).estimate, rel=1e-12)
    assert independent(wide)[0].tolist() == [0, 1, 3]


def test_more_columns_than_rows_leave_no_error_and_no_nan():
    rng = np.random.default_rng(1)
    fit = solve(rng.normal(size=(3, 5)), rng.normal(size=3))
    assert (fit.rank, fit.df, fit.has_error, fit.sd) == (3, 0, False, 0.0)
    influence = fit.influence()
    assert not influence.defined.any()
    assert np.isfinite(influence.studentised).all()
    one = solve([[1.0]], [2.0])
    assert (one.rank, one.df, float(one.estimate[0])) == (1, 0, 2.0)


def test_results_cannot_be_changed():
    fit = solve(*problem("Norris"))
    with pytest.raises(ValueError, match="read-only"):
        fit.estimate[0] = 0


@pytest.mark.parametrize(
    "X, y, w, said",
    [
        ([[1.0], [2.0]], [1.0], None, "belong together"),
        ([[1.0], [np.nan]], [1.0, 2.0], None, "finite"),
        ([[1.0], [2.0]], [1.0, 2.0], [1.0, 0.0], "positive"),
        (np.empty((0, 1)), [], None, "no row"),
    ],
)
def test_bad_arrays_are_refused_with_the_reason(X, y, w, said):
    with pytest.raises(ValueError, match=said):
        solve(X, y, w)


def test_a_blend_contains_a_constant_and_a_line_through_the_origin_does_not():
    blend = np.array([[1, 0, 0], [0, 1, 0], [0.2, 0.3, 0.5], [0, 0, 1]], dtype=float)
    assert contains_constant(blend)
    assert not contains_constant(np.arange(1.0, 5)[:, None])
    assert spans(blend, blend @ np.array([1.0, 2, 3]))


def test_tail_probabilities_do_not_vanish():
    # Normal limit from memory: 2 Q(9) = 2.3e-19.
    assert float(two_sided(9.0, 1e9)) == pytest.approx(2.26e-19, rel=1e-2)
