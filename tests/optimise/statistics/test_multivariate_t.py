"""The multivariate t law: chances of boxes by independent software, tables, closed forms, coverage by simulation."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import integrate, optimize, special, stats

from optimise.statistics.leastsq import solve
from optimise.statistics.multivariate_t import box_chance, joint_factor

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
