"""Limits of the planned model beside terms that were chosen: plain least squares, checked against statsmodels."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats

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


def test_limits_that_hold_together_are_those_of_every_planned_term_at_once():
    """The chance that six correlated t estimates lie within the factor is 95 %, by scipy's multivariate t law."""
    frame, table = batches(20)
    models = fit(STUDY, STUDY.results(table))
    found, single = models.together("Y"), models.planned_limits("Y")
    assert found.planned
    assert set(found.terms) == single.alike
    a, b = frame["a"], frame["b"]
    reference = sm.OLS(table["Y"], np.column_stack([np.ones(20), a, b, a * b, a**2, b**2])).fit()
    size = np.sqrt(np.diag(reference.cov_params()))
    alike = np.ascontiguousarray(reference.cov_params() / np.outer(size, size))
    law = stats.multivariate_t(np.zeros(6), alike, df=14, seed=1)
    reach = np.full(6, found.factor)
    assert law.cdf(reach, lower_limit=-reach, random_state=1) == pytest.approx(0.95, abs=2e-3)
    low, high = found.terms["a²"]
    assert (high - low) / 2 == pytest.approx(found.factor * size[4], rel=1e-6)
    entry = models.entry("Y")
    told = words.together_line(entry)
    assert "whatever was chosen" in told
    assert f"{found.factor / found.alone:.3g} times as wide" in told
    assert "of those kept because they came out large fewer do" in words.planned_line(entry)


def test_where_no_kept_term_means_the_same_its_own_limits_are_said_to_be_too_narrow():
    frame, _ = batches(14, seed=1)
    noise = np.random.default_rng(5).normal(size=14)
    models = fit(STUDY, STUDY.results(frame.assign(Y=5 + noise)))
    assert set(models["Y"].terms["term"]) == {"1", "a", "b"}
    assert not models.together("Y").planned
    assert "after a choice it is too narrow" in words.together_line(models.entry("Y"))


def test_without_a_term_that_could_go_nothing_is_said_of_a_choice():
    straight = Study.from_dict({**STUDY.to_dict(), "plan": {"model": "linear"}})
    entry = fit(straight, straight.results(batches(20)[1])).entry("Y")
    assert words.shares(entry) == {}
    assert words.chosen_line(entry) == words.planned_line(entry) == ""
    assert "choice" not in words.together_line(entry)
    assert "chosen" not in words.together_line(entry)


def test_there_are_none_where_nothing_was_chosen_or_the_batches_are_too_few():
    assert isinstance(fit(STUDY, STUDY.results(batches(20)[1]), terms="all").planned_limits("Y"), Unavailable)
    assert isinstance(fit(STUDY, STUDY.results(batches(6)[1])).planned_limits("Y"), Unavailable)
    assert isinstance(fit(STUDY, STUDY.results(batches(5)[1])).planned_limits("Y"), Unavailable)
