"""Cumulative link models against independent software on published scores. Sources: data/README.md."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from optimise.statistics.ordinal import ordinal_fit

DATA = Path(__file__).parents[1] / "data"
REFERENCE = json.loads((DATA / "structures.json").read_text(encoding="utf-8"))["ordinal"]


def wine():
    frame = pd.read_csv(DATA / "randall_wine.csv")
    X = np.column_stack([frame["temp"] == "warm", frame["contact"] == "yes"]).astype(float)
    return X, frame["rating"].to_numpy() - 1


@pytest.mark.parametrize("link", ["logit", "probit"])
def test_wine(link):
    X, y = wine()
    fit, wanted = ordinal_fit(X, y, 5, link), REFERENCE["wine"][f"clm_{link}"]
    assert np.append(fit.thresholds, fit.estimate) == pytest.approx(
        list(wanted["table"]["Estimate"].values()), rel=1e-9
    )
    errors = np.sqrt(np.diag(fit.covariance))
    assert errors == pytest.approx(list(wanted["table"]["Std. Error"].values()), rel=1e-8)
    assert fit.log_likelihood == pytest.approx(wanted["loglik"], abs=1e-10)
    assert fit.chances(X).sum(axis=1) == pytest.approx(np.ones(72))


def test_wine_with_a_product():
    X, y = wine()
    fit = ordinal_fit(np.column_stack([X, X[:, 0] * X[:, 1]]), y, 5)
    wanted = list(REFERENCE["wine"]["clm_logit_interaction"]["table"]["Estimate"].values())
    assert np.append(fit.thresholds, fit.estimate) == pytest.approx(wanted, rel=1e-8)


@pytest.mark.parametrize("link", ["logit", "probit"])
def test_housing_with_counts(link):
    entry = REFERENCE["housing"]
    frame, levels = pd.DataFrame(entry["data"]), entry["levels"]
    columns = [frame[name] == level for name in ("Infl", "Type", "Cont") for level in levels[name][1:]]
    y = [levels["Sat"].index(value) for value in frame["Sat"]]
    fit, wanted = ordinal_fit(np.column_stack(columns).astype(float), y, 3, link, frame["Freq"]), entry[link]["clm"]
    assert np.append(fit.thresholds, fit.estimate) == pytest.approx(
        list(wanted["table"]["Estimate"].values()), rel=1e-7
    )
    assert fit.covariance == pytest.approx(np.array(wanted["cov"]), rel=1e-6)
    assert fit.log_likelihood == pytest.approx(wanted["loglik"], abs=1e-9)


def test_two_grades_are_logistic_regression():
    """Closed form: with one two-level column the slope is the log odds ratio."""
    x = np.repeat([0.0, 1.0], 10)
    y = np.array([0] * 7 + [1] * 3 + [0] * 2 + [1] * 8)
    fit = ordinal_fit(x[:, None], y, 2)
    assert fit.estimate[0] == pytest.approx(np.log((8 / 2) / (3 / 7)), rel=1e-9)
    assert fit.thresholds[0] == pytest.approx(np.log(7 / 3), rel=1e-9)


def test_units_of_a_column_do_not_matter():
    X, y = wine()
    plain, scaled = ordinal_fit(X, y, 5), ordinal_fit(X * 1e4 + 7, y, 5)
    assert scaled.estimate * 1e4 == pytest.approx(plain.estimate, rel=1e-8)
    assert scaled.chances(X * 1e4 + 7) == pytest.approx(plain.chances(X), rel=1e-8)


def test_separated_grades_are_told_and_held_by_a_prior():
    x, y = np.arange(9.0)[:, None], np.arange(9) // 3
    with pytest.raises(ValueError, match="parts the grades"):
        ordinal_fit(x, y, 3)
    # Two grades far apart: the likelihood is all but 1 long before its slopes are large.
    far = np.repeat([0.3, 0.8], 6)[:, None] + np.linspace(0, 0.01, 12)[:, None]
    with pytest.raises(ValueError, match="parts the grades"):
        ordinal_fit(far, np.repeat([0, 1], 6), 2)
    held = ordinal_fit(x, y, 3, prior=1.0)
    assert held.held
    assert (held.chances(x).argmax(axis=1) == y).all()


def test_refusals():
    X, y = wine()
    with pytest.raises(ValueError, match="never occurs"):
        ordinal_fit(X, y, 6)
    with pytest.raises(ValueError, match="constant"):
        ordinal_fit(np.column_stack([X, np.ones(72)]), y, 5)
