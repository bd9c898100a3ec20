"""Limits of the planned model beside terms that were chosen: plain least squares, checked against statsmodels."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from doe import Study
from doe.problems import Unavailable
from optimise import fit
from reports.wording import fit as words

STUDY = Study.from_dict(
    {
        "study": {"name": "Simulated"},
        "factor": [{"name": name, "low": -1, "high": 1} for name in ("a", "b")],
        "plan": {"model": "quadratic"},
        "response": [{"name": "Y", "aim": "watch", "method": "simulated"}],
    }
)


def batches(n, seed=4):
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame(rng.uniform(-1, 1, (n, 2)), columns=["a", "b"])
    return frame, frame.assign(Y=5 + 2 * frame["a"] + 3 * frame["a"] ** 2 + 0.3 * rng.normal(size=n))


def test_they_are_those_of_ordinary_least_squares_with_every_term():
    frame, table = batches(20)
    models = fit(STUDY, STUDY.results(table))
    found = models.planned_limits("Y")
    a, b = frame["a"], frame["b"]
    X = pd.DataFrame({"1": 1.0, "a": a, "b": b, "a × b": a * b, "a²": a**2, "b²": b**2})
    reference = sm.OLS(table["Y"], X).fit()
    ends = reference.conf_int()
    for term in X:
        assert found.terms[term] == pytest.approx((reference.params[term], *ends.loc[term]), rel=1e-9, abs=1e-12)


def test_only_what_means_the_same_is_set_beside_a_chosen_term():
    models = fit(STUDY, STUDY.results(batches(20)[1]))
    kept = set(models["Y"].terms["term"])
    assert "a²" in kept
    left = {"a × b", "b²"} - kept
    assert left
    found = models.planned_limits("Y")
    assert "a²" in found.alike
    assert left <= found.alike
    assert "1" not in found.alike
    shown = words.planned(models.entry("Y"))
    assert set(shown) == found.alike
    assert shown["a²"][0] < 3 < shown["a²"][1]


def test_there_are_none_where_nothing_was_chosen_or_the_batches_are_too_few():
    assert isinstance(fit(STUDY, STUDY.results(batches(20)[1]), terms="all").planned_limits("Y"), Unavailable)
    assert isinstance(fit(STUDY, STUDY.results(batches(6)[1])).planned_limits("Y"), Unavailable)
    assert isinstance(fit(STUDY, STUDY.results(batches(5)[1])).planned_limits("Y"), Unavailable)
