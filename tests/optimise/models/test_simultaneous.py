"""Simultaneous limits of terms and of responses: closed forms (factors: tests of `optimise.statistics`)."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from doe import Study
from doe.problems import Unavailable
from optimise import fit
from optimise.models.simultaneous import limits_of_terms, shared_level
from optimise.statistics.leastsq import solve


def test_factors_lie_in_their_known_order():
    """t < joint < Bonferroni < Scheffé; Scheffé's is sqrt(p F)."""
    rng = np.random.default_rng(1)
    X = np.column_stack([np.ones(20), rng.normal(size=(20, 5))])
    fitted = solve(X, rng.normal(size=20))
    se = fitted.standard_error()
    names = [f"x{j}" for j in range(6)]
    found = limits_of_terms(names, fitted.estimate, se, np.full(6, 14.0), fitted.sd**2 * fitted.unscaled)
    assert stats.t.isf(0.025, 14) < found.factor < stats.t.isf(0.025 / 6, 14) < found.everywhere
    assert found.everywhere == pytest.approx(np.sqrt(6 * stats.f.isf(0.05, 6, 14)), rel=1e-12)
    low, high = found.terms["x3"]
    assert high - low == pytest.approx(2 * found.factor * se[3], rel=1e-12)


def test_terms_with_their_own_degrees_of_freedom_share_the_error_out():
    df = np.array([3.0, 20.0])
    found = limits_of_terms(["a", "b"], np.zeros(2), np.ones(2), df, np.eye(2))
    assert "Bonferroni" in found.method
    assert found.terms["a"][1] == pytest.approx(stats.t.isf(0.0125, 3))
    assert found.factor is None
    assert isinstance(found.everywhere, Unavailable)
    assert shared_level(4) == pytest.approx(0.9875)


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
