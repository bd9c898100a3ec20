"""Limits that hold together: multivariate t chances of independent software, closed forms, coverage by simulation."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, optimize, special, stats

from doe import Study
from doe.problems import Unavailable
from optimise import fit
from optimise.models.together import box_chance, joint_factor, shared_level, terms_together
from optimise.statistics.leastsq import solve

# Computed in R (mvtnorm), and a second way by deterministic integrals: data/README.md.
REFERENCE = json.loads((Path(__file__).parents[1] / "data" / "multivariate_t.json").read_text(encoding="utf-8"))


def end(values, infinite):
    return np.array([infinite if not isinstance(v, int | float) else v for v in values], dtype=float)


@pytest.mark.parametrize("case", REFERENCE["cases"], ids=lambda c: f"{c['correlation']} {c['box']} {c['df']}")
def test_chances_of_boxes(case):
    root = np.linalg.cholesky(np.array(REFERENCE["correlations"][case["correlation"]], dtype=float))
    got = box_chance(end(case["upper"], np.inf), root, float(case["df"]), end(case["lower"], -np.inf))
    assert got == pytest.approx(case["p"], abs=1e-3)


def modulus(k, df):
    """The 95 % point of the largest of k independent |t| with one sd (studentised maximum modulus), by quadrature."""

    def held(c):
        def inside(s):
            return (2 * special.ndtr(c * s) - 1) ** k * stats.chi.pdf(s * np.sqrt(df), df) * np.sqrt(df)

        return integrate.quad(inside, 0, 6, limit=200)[0] - 0.95

    return optimize.brentq(held, 1, 20)


@pytest.mark.parametrize("k, df", [(2, 5), (3, 10), (6, 20), (15, 12), (28, 30)])
def test_uncorrelated_terms_take_the_studentised_maximum_modulus(k, df):
    assert joint_factor(np.eye(k), df) == pytest.approx(modulus(k, df), abs=5e-3)


def test_table_of_the_studentised_maximum_modulus():
    """Stoline & Ury (1979) Technometrics 21, 87-93: 5 %, 5 means, 10 degrees of freedom, 3.10 (from memory)."""
    assert joint_factor(np.eye(5), 10) == pytest.approx(3.10, abs=0.006)


def test_equal_correlations_agree_with_the_comparison_with_a_control():
    """scipy.stats.multivariate_t over the same box."""
    R = np.full((4, 4), 0.5) + 0.5 * np.eye(4)
    c = joint_factor(R, 12)
    law = stats.multivariate_t(shape=R, df=12, seed=3)
    assert law.cdf(np.full(4, c), lower_limit=np.full(4, -c), maxpts=400_000) == pytest.approx(0.95, abs=1e-3)


def test_one_term_and_terms_that_repeat_each_other_take_the_plain_t():
    assert joint_factor(np.eye(1), 7) == pytest.approx(stats.t.isf(0.025, 7), rel=1e-12)
    assert joint_factor(np.ones((3, 3)), 7) == pytest.approx(stats.t.isf(0.025, 7), rel=5e-3)


def test_factors_lie_in_their_known_order():
    """t < joint < Bonferroni < Scheffé; Scheffé's is sqrt(p F)."""
    rng = np.random.default_rng(1)
    X = np.column_stack([np.ones(20), rng.normal(size=(20, 5))])
    fitted = solve(X, rng.normal(size=20))
    se = fitted.standard_error()
    names = [f"x{j}" for j in range(6)]
    found = terms_together(names, fitted.estimate, se, np.full(6, 14.0), fitted.sd**2 * fitted.unscaled)
    assert stats.t.isf(0.025, 14) < found.factor < stats.t.isf(0.025 / 6, 14) < found.everywhere
    assert found.everywhere == pytest.approx(np.sqrt(6 * stats.f.isf(0.05, 6, 14)), rel=1e-12)
    low, high = found.terms["x3"]
    assert high - low == pytest.approx(2 * found.factor * se[3], rel=1e-12)


def test_terms_with_their_own_degrees_of_freedom_share_the_error_out():
    df = np.array([3.0, 20.0])
    found = terms_together(["a", "b"], np.zeros(2), np.ones(2), df, np.eye(2))
    assert "Bonferroni" in found.method
    assert found.terms["a"][1] == pytest.approx(stats.t.isf(0.0125, 3))
    assert found.factor is None
    assert isinstance(found.everywhere, Unavailable)
    assert shared_level(4) == pytest.approx(0.9875)


def test_all_terms_lie_within_their_joint_limits_as_often_as_said():
    """2 000 simulated fits of one plan of 6 terms on 12 rows: 95 %; one by one only about 80 % have all inside."""
    rng = np.random.default_rng(5)
    X = np.column_stack([np.ones(12), rng.uniform(-1, 1, (12, 5))])
    plain = solve(X, rng.normal(size=12))
    size = np.sqrt(np.diag(plain.unscaled))
    c = joint_factor(plain.unscaled / np.outer(size, size), 6.0)
    worst = []
    for _ in range(2000):
        b, rss = np.linalg.lstsq(X, rng.normal(size=12), rcond=None)[:2]
        worst.append(np.max(np.abs(b) / (np.sqrt(rss[0] / 6) * size)))
    assert np.mean(np.array(worst) <= c) == pytest.approx(0.95, abs=0.015)
    assert np.mean(np.array(worst) <= stats.t.isf(0.025, 6)) < 0.85


def study():
    return Study.from_dict(
        {
            "study": {"name": "Three"},
            "factor": [{"name": "x", "low": -1, "high": 1}],
            "plan": {"model": "linear"},
            "response": [{"name": n, "aim": "watch", "method": "simulated"} for n in ("A", "B", "C")],
        }
    )


def test_predictions_of_one_recipe_hold_together_by_sharing_the_error_out():
    rng = np.random.default_rng(2)
    frame = pd.DataFrame({"x": np.linspace(-1, 1, 10)})
    frame[["A", "B", "C"]] = rng.normal(size=(10, 3))
    models = fit(study(), study().results(frame), terms="all")
    (point,) = models.points(pd.DataFrame({"x": [0.3]}))
    recipe = pd.DataFrame({"x": [0.3]})
    for name in "ABC":
        law = models.predictive(name, recipe)
        together = point["responses"][name]["together"]
        assert together["prediction"] == pytest.approx(law.batch_interval(1 - 0.05 / 3)[0])
        assert together["confidence"] == pytest.approx(law.mean_interval(1 - 0.05 / 3)[0])
        assert together["prediction"][0] < point["responses"][name]["prediction"][0]
    entry = models.entry("A")
    assert entry["together"]["factor"] > stats.t.isf(0.025, 8)
    assert set(entry["together"]["terms"]) == {"1", "x"}
