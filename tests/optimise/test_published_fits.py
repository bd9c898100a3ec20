"""Fits of published trials, on plain arrays, to the digits published. Sources: data/README.md.

Known faults of the sources are not matched: the x2² coefficient of the tyre's modulus is printed -124.92 (the data
give -124.82); the R² of the first chemical phase is 0.6504 on one page and 0.6580 on another; the transformed
ceramic model prints its two-factor interactions with reversed sign; the yarn anova counts 5 model degrees of freedom
against the uncorrected sum of squares.
"""

import json
from itertools import combinations
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from optimise.models.scales import box_cox
from optimise.statistics.diagnosis import analysis_of_variance, lack_of_fit, pure_error, r_squared, total_ss
from optimise.statistics.leastsq import solve
from optimise.statistics.stationary import canonical, quadratic_of

DATA = Path(__file__).parent / "data"
REFERENCE = json.loads((DATA / "reference.json").read_text(encoding="utf-8"))


def close(got, published, places):
    return np.all(np.abs(np.asarray(got) - np.asarray(published)) <= 0.5 * 10.0**-places * (1 + 1e-9))


def quadratic(*x):
    pairs = combinations(range(len(x)), 2)
    return np.column_stack([np.ones(len(x[0])), *x, *(c**2 for c in x), *(x[i] * x[j] for i, j in pairs)])


def blend(x, cubic=False):
    q = x.shape[1]
    columns = [x[:, i] for i in range(q)] + [x[:, i] * x[:, j] for i, j in combinations(range(q), 2)]
    if cubic:
        columns += [x[:, i] * x[:, j] * x[:, k] for i, j, k in combinations(range(q), 3)]
    return np.column_stack(columns)


def test_yarn():
    frame = pd.read_csv(DATA / "nist_yarn.csv")
    y = frame["elongation"].to_numpy()
    fit = solve(blend(frame.iloc[:, :3].to_numpy(dtype=float)), y)
    assert close(fit.estimate, [11.7, 9.4, 16.4, 19.0, 11.4, -9.6], 1)
    assert close(fit.standard_error(), [0.603692] * 3 + [2.608249] * 3, 6)
    assert close(fit.sd, 0.85375, 5)
    r2, adjusted, *_ = r_squared(y, fit)
    assert close(r2, 0.951356, 6)
    assert close(adjusted, 0.924331, 6)
    assert close(float(y @ y) - fit.rss, 2878.27, 2)
    assert close(fit.rss, 6.56, 2)


def test_tyre_tread():
    frame = pd.read_csv(DATA / "nist_tire_tread.csv")
    x = [np.where(np.abs(c) > 1.6, np.sign(c) * 1.633, c) for c in frame.iloc[:, 1:4].to_numpy(dtype=float).T]
    published = {
        "y1_abrasion": [139.12, 16.49, 17.88, 2.21, -4.01, -3.45, -1.57, 5.12, -7.88, -7.13],
        "y2_modulus200": [1261.13, 268.15, 246.5, -102.6, -83.57, -124.82, 199.2, 69.37, -104.38, -94.13],
        "y4_hardness": [68.91, -1.41, 4.32, 0.21, 1.56, 0.058, -0.32, -1.62, 0.25, -0.12],
    }
    r2 = {"y1_abrasion": (0.8369, 0.6903), "y2_modulus200": (0.7137, 0.4562), "y4_hardness": (0.8667, 0.7466)}
    for name, values in published.items():
        y = frame[name].to_numpy(dtype=float)
        fit = solve(quadratic(*x), y)
        # One unit of the second place, where the page's own rounding of the axial distance shows; -102.6 and 199.2
        # are printed to one place.
        for got, value in zip(fit.estimate, values, strict=True):
            assert got == pytest.approx(value, abs=0.05 if value in (-102.6, 199.2) else 0.0101)
        assert r_squared(y, fit)[:2] == pytest.approx(r2[name], abs=1.1e-4)
    y = frame["y3_elongation"].to_numpy(dtype=float)
    fit = solve(quadratic(*x)[:, :4], y)
    assert fit.estimate == pytest.approx([417.5, -99.67, -31.4, -27.42], abs=0.0101)
    assert r_squared(y, fit)[:2] == pytest.approx((0.682, 0.6224), abs=1.1e-4)


FACTORS = ("speed", "rate", "grit", "direction", "batch")
TWELVE = {
    "speed": 894.33, "rate": 3497.2, "speed:rate": 4872.57, "grit": 12663.96, "speed:grit": 1838.76,
    "direction": 315132.65, "speed:direction": 1637.21, "rate:direction": 1972.71, "speed:rate:direction": 5895.62,
    "grit:direction": 3158.34, "batch": 33653.91, "direction:batch": 1328.83,
}  # fmt: skip


def ceramic(effects):
    frame = pd.read_csv(DATA / "nist_ceramic.csv")
    columns = [np.prod([frame[f].to_numpy(dtype=float) for f in e.split(":")], axis=0) for e in effects]
    return np.column_stack([np.ones(len(frame)), *columns]), frame["strength"].to_numpy()


def test_ceramic_third_order():
    effects = [":".join(c) for size in (1, 2, 3) for c in combinations(FACTORS, size)]
    X, y = ceramic(effects)
    fit = solve(X, y)
    assert close(fit.sd, 17.81632, 5)
    assert close(r_squared(y, fit)[:2], [0.995127, 0.974821], 6)


def test_ceramic_twelve_effects_and_their_partial_sums_of_squares():
    X, y = ceramic(TWELVE)
    fit = solve(X, y)
    assert close(fit.estimate[0], 546.8959, 4)
    assert close(fit.sd, 14.96346, 5)
    assert close(r_squared(y, fit)[:2], [0.989114, 0.982239], 6)
    groups = {name: [j + 1] for j, name in enumerate(TWELVE)}
    rows = [str(i) for i in range(len(y))]
    lines = analysis_of_variance(X, y, fit, groups, pure_error(y, rows, np.empty((len(y), 0))), 0)
    got = {line.source: line.ss for line in lines}
    assert all(close(got[name], ss, 2) for name, ss in TWELVE.items())


def test_ceramic_box_cox():
    X, y = ceramic(TWELVE)
    found = box_cox(X, y)
    # Read off a plot as 0.2.
    assert found.power == pytest.approx(0.2, abs=0.1)
    assert found.low < 0.2 < found.high < 1
    effects = [name for name in TWELVE if name != "direction:batch"]
    X, y = ceramic(effects)
    centre = np.exp(np.mean(np.log(y)))
    powered = (y**0.2 - 1) / (0.2 * centre ** (0.2 - 1))
    fit = solve(X, powered)
    assert close(fit.estimate[0], 1917.115, 3)
    assert close(fit.sd, 13.81065, 5)
    assert close(r_squared(powered, fit)[0], 0.99041, 5)
    main = dict(zip(effects, fit.estimate[1:], strict=True))
    for name, value in {
        "speed": 5.777,
        "rate": 11.691,
        "grit": -21.649,
        "direction": -99.272,
        "batch": -31.871,
    }.items():
        assert close(main[name], value, 3)
    # Printed with reversed sign.
    for name, value in {"speed:rate": -14.467, "speed:grit": 7.339, "rate:direction": -9.16}.items():
        assert abs(abs(main[name]) - abs(value)) <= 6e-4


@pytest.mark.parametrize(
    "name, effects",
    [
        ("ceramic_main", FACTORS),
        ("ceramic_main_2fi", [":".join(c) for size in (1, 2) for c in combinations(FACTORS, size)]),
    ],
)
def test_box_cox_profile_agrees_with_the_reference(name, effects):
    found, wanted = box_cox(*ceramic(effects)), REFERENCE["box_cox"][name]
    assert found.power == pytest.approx(wanted["lambda_hat"], abs=1e-4)
    assert (found.low, found.high) == pytest.approx(wanted["ci95"], abs=1e-5)


def test_box_cox_of_the_trees_takes_in_the_logarithm():
    given = REFERENCE["box_cox"]["trees"]
    data = {k: np.array(v, dtype=float) for k, v in given["data"].items()}
    found = box_cox(np.column_stack([np.ones(31), np.log(data["Height"]), np.log(data["Girth"])]), data["Volume"])
    assert found.power == pytest.approx(given["lambda_hat"], abs=1e-4)
    assert (found.low, found.high) == pytest.approx(given["ci95"], abs=1e-5)


def test_box_cox_of_the_chemical_yield_agrees_with_the_reference():
    x1, x2, y, _ = chemical("phase2_factorial", "phase2_axial")
    found, wanted = box_cox(quadratic(x1, x2), y), REFERENCE["box_cox"]["chemical_yield_quadratic"]
    assert found.power == pytest.approx(wanted["lambda_hat"], abs=1e-4)
    assert (found.low, found.high) == pytest.approx(wanted["ci95"], abs=1e-5)
    assert found.at_best == pytest.approx(wanted["loglik_at_hat"], abs=1e-9)


def test_box_cox_of_its_own_first_example():
    """Survival of 48 animals under 3 poisons and 4 treatments (Box & Cox 1964, section 5): power -0.75 without the
    interaction, so that the reciprocal lies in the interval and the values as they are lie far outside.
    """
    given = REFERENCE["box_cox"]["poisons_additive"]
    data = given["data"]
    rows = [np.ones(48)]
    rows += [np.array(data["poison"]) == v for v in ("2", "3")] + [np.array(data["treat"]) == v for v in "BCD"]
    found = box_cox(np.column_stack(rows).astype(float), np.array(data["time"]))
    assert close(found.power, -0.75, 2)
    assert found.power == pytest.approx(given["lambda_hat"], abs=1e-4)
    assert (found.low, found.high) == pytest.approx(given["ci95"], abs=1e-5)
    assert found.at_best == pytest.approx(given["loglik_at_hat"], abs=1e-9)
    assert found.low < -1 < found.high < 0
    assert found.loss("linear") > found.loss("log") > 0


def chemical(*phases):
    frame = pd.read_csv(DATA / "nist_chemical_yield.csv")
    frame = frame[frame["phase"].isin(phases)]
    x1, x2 = frame["x1"].to_numpy(dtype=float), frame["x2"].to_numpy(dtype=float)
    groups = [f"{a:g} {b:g}" for a, b in zip(x1, x2, strict=True)]
    return x1, x2, frame["yield_pct"].to_numpy(), groups


def test_chemical_yield_phase_one():
    x1, x2, y, groups = chemical("phase1_first_order")
    X = np.column_stack([np.ones(9), x1, x2])
    fit = solve(X, y)
    pure = pure_error(y, groups, np.empty((9, 0)))
    lack = lack_of_fit(fit, pure)
    assert close(fit.estimate[0], 40.644, 2)
    assert close(fit.estimate[1:], [-1.2925, 11.14], 2)
    slope = fit.estimate[1:] / np.linalg.norm(fit.estimate[1:])
    assert close(slope, [-0.1152, 0.9933], 4)
    # Curvature is the model with x1² (the factorial against the centre); the residual stands after it.
    bent = solve(np.column_stack([X, x1**2]), y)
    assert close(total_ss(y, np.ones(9)) - fit.rss, 503.3035, 2)
    assert close(fit.rss - bent.rss, 8.2733, 2)
    assert close(fit.rss, 262.2893 + 8.2733, 1) or close(fit.rss, 262.2893, 2)
    assert close(pure.ss, 224.6511, 2)
    assert lack.df == (2, 4)


def test_chemical_yield_phase_two():
    x1, x2, y, groups = chemical("phase2_factorial")
    X = np.column_stack([np.ones(9), x1, x2])
    fit, bent = solve(X, y), solve(np.column_stack([X, x1**2]), y)
    pure = pure_error(y, groups, np.empty((9, 0)))
    assert close(total_ss(y, np.ones(9)) - fit.rss, 505.376, 2)
    assert close(fit.rss - bent.rss, 336.364, 2)
    assert close(pure.ss, 173.179, 2)
    assert close(bent.rss, 267.075, 2)
    assert close(bent.rss - pure.ss, 93.896, 2)


def test_chemical_yield_quadratic_and_its_stationary_point():
    x1, x2, y, groups = chemical("phase2_factorial", "phase2_axial")
    fit = solve(quadratic(x1, x2), y)
    assert close(fit.estimate, [72.0, -11.78, 0.74, -7.25, -7.55, -4.85], 2)
    assert close(fit.sd, 5.77, 2)
    r2, adjusted, predicted, press = r_squared(y, fit)
    assert close([r2, adjusted, predicted], [0.8898, 0.8111, 0.6708], 4)
    assert close(press, 696.25, 2)
    lack = lack_of_fit(fit, pure_error(y, groups, np.empty((13, 0))))
    assert close(lack.ss, [59.9, 173.2], 1)
    surface = quadratic_of(lambda u: quadratic(u[:, 0], u[:, 1]) @ fit.estimate, 2)
    found = canonical(*surface)
    # The printed point follows from the printed coefficients; those of the data move it in the third decimal.
    b, H = np.array([-11.78, 0.74]), np.array([[-14.5, -4.85], [-4.85, -15.1]])
    assert canonical(72.0, b, H).place == pytest.approx([-0.9285, 0.3472], abs=1e-4)
    assert found.place == pytest.approx([-0.9285, 0.3472], abs=1e-3)
    assert close(found.value, 77.59, 2)
    assert close(found.eigenvalues, [-4.973187, -9.827317], 6)
    assert found.kind == "maximum"


def test_flare():
    frame = pd.read_csv(DATA / "mclean_anderson_flare.csv")
    fit = solve(blend(frame.iloc[:, :4].to_numpy(dtype=float)), frame["brightness"].to_numpy(dtype=float))
    published = [-1558, -2351, -2426, 14372, 8300, 8076, -6625, 3213, -16998, -17127]
    assert fit.estimate == pytest.approx(published, rel=3e-3)  # the data are recalled; see data/README.md
    wanted = REFERENCE["influence"]["flare"]["coefficients"]
    assert fit.estimate == pytest.approx(list(wanted["Estimate"].values()), rel=1e-9)
    assert fit.standard_error() == pytest.approx(list(wanted["Std. Error"].values()), rel=1e-9)


def test_fish_patties():
    frame = pd.read_csv(DATA / "cornell_fish_patties.csv")
    mixed = blend(frame.iloc[:, :3].to_numpy(dtype=float), cubic=True)
    z = frame.iloc[:, 3:6].to_numpy(dtype=float)
    fit = solve(np.column_stack([mixed, *(mixed * z[:, [j]] for j in range(3))]), frame["texture"].to_numpy())
    published = [
        2.87, 1.08, 2.01, -1.14, -1.0, 0.2, 3.18, 0.49, 0.18, 0.25, -0.81, -0.54, -0.14, 0.07,
        0.71, 0.25, 0.4, -0.59, -0.05, 0.07, -1.41, -0.09, -0.08, 0.01, 0.1, -0.03, -0.19, 0.11,
    ]  # fmt: skip
    assert fit.estimate == pytest.approx(published, abs=0.012)


def test_concrete():
    frame = pd.read_csv(DATA / "uci_concrete_slump.csv")
    X = np.column_stack([np.ones(103), frame.iloc[:, :7].to_numpy(dtype=float)])
    y = frame["strength_28d"].to_numpy()
    fit = solve(X, y)
    assert close(r_squared(y, fit)[0], 0.896838, 6)
    assert close(fit.sd, 2.608658, 6)


@pytest.mark.parametrize("name", ["chemical_yield", "flare"])
def test_influence_measures_agree_with_the_reference(name):
    wanted = REFERENCE["influence"][name]
    if name == "flare":
        frame = pd.read_csv(DATA / "mclean_anderson_flare.csv")
        X, y = blend(frame.iloc[:, :4].to_numpy(dtype=float)), frame["brightness"].to_numpy(dtype=float)
    else:
        x1, x2, y, _ = chemical("phase2_factorial", "phase2_axial")
        X = quadratic(x1, x2)
    fit = solve(X, y)
    influence = fit.influence()
    assert fit.df == wanted["df_residual"]
    assert fit.sd == pytest.approx(wanted["sigma"], rel=1e-9)
    assert fit.leverage == pytest.approx(wanted["hat"], rel=1e-9)
    assert influence.studentised == pytest.approx(wanted["studentised_internal"], rel=1e-8)
    assert influence.deleted == pytest.approx(wanted["studentised_external"], rel=1e-8)
    assert influence.cook == pytest.approx(wanted["cooks_distance"], rel=1e-8)
    r2, _, predicted, press = r_squared(y, fit)
    assert press == pytest.approx(wanted["press"], rel=1e-9)
    assert r2 == pytest.approx(wanted["r2_about_mean"], rel=1e-9)
    assert predicted == pytest.approx(wanted["r2_prediction_about_mean"], rel=1e-9)
