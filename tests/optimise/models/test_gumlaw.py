"""The gum's exponent: found again from data that follow a power law exactly, and silent where little is known."""

import numpy as np
import pandas as pd
import pytest

from doe import Study
from doe.problems import Unavailable
from optimise import fit
from optimise.models.gumlaw import exponent, gum_findings

SOURCE = {
    "study": {"name": "Invented"},
    "ingredient": [
        {"name": "Water", "qs": True, "inci": "Aqua"},
        {"name": "Gum", "low": 0.2, "high": 1.0, "inci": "Xanthan Gum"},
        {"name": "Wax", "low": 1.0, "high": 6.0},
    ],
    "response": [{"name": "Viscosity", "unit": "mPa.s", "method": "invented", "scale": "log"}],
}


def trials(study, n=14):
    return study.complete(pd.DataFrame(study.region.sample(n, 2), columns=list(study.region.names)))


def test_an_exact_power_law_gives_its_exponent_whatever_the_wax_does():
    study = Study.from_dict(SOURCE)
    levels = trials(study)
    value = 5000 * (levels["Gum"] / levels["Water"] * 100) ** 2.7 * np.exp(0.08 * levels["Wax"])
    slope, low, high, count = exponent(study, "Gum", levels, value.to_numpy())
    assert slope == pytest.approx(2.7, abs=1e-9)
    assert (low, high) == pytest.approx((2.7, 2.7), abs=1e-6)
    assert count == 14


def test_confidence_holds_the_truth_about_as_often_as_it_says():
    """95 % of intervals of many invented series hold the exponent: between 92 and 98 of 100 in 400 (binomial)."""
    study = Study.from_dict(SOURCE)
    levels = trials(study)
    rng = np.random.default_rng(8)
    base = 2.7 * np.log(levels["Gum"] / levels["Water"]).to_numpy()
    hits = 0
    for _ in range(400):
        _, low, high, _ = exponent(study, "Gum", levels, np.exp(base + 0.1 * rng.standard_normal(len(base))))
        hits += low <= 2.7 <= high
    assert 0.92 <= hits / 400 <= 0.98


def test_it_is_said_of_a_fit_with_numbers_and_only_of_thickness():
    study = Study.from_dict(
        {**SOURCE, "response": [*SOURCE["response"], {"name": "pH", "unit": "pH", "method": "meter"}]}
    )
    levels = trials(study)
    value = 5000 * (levels["Gum"] / levels["Water"] * 100) ** 2.0
    results = study.results(levels.assign(Viscosity=value, pH=5.5))
    (found,) = gum_findings(study, results)
    assert (found.code, found.where, found.level) == ("K28", "Viscosity", "inform")
    assert dict(found.numbers)["exponent"] == pytest.approx(2.0, abs=1e-6)
    assert "twice the gum is 4 times as much" in found.got


def test_it_is_silent_without_a_gum_or_with_too_few_batches():
    study = Study.from_dict(SOURCE)
    few = trials(study, 5)
    assert exponent(study, "Gum", few, np.ones(5)) is None
    flat = few.assign(Gum=0.5)
    assert exponent(study, "Gum", pd.concat([flat] * 3), np.ones(15)) is None
    bare = {**SOURCE, "ingredient": [{"name": "Water", "qs": True}, {"name": "Salt", "low": 0.2, "high": 1.0}]}
    other = Study.from_dict(bare)
    levels = trials(other)
    assert gum_findings(other, other.results(levels.assign(Viscosity=100.0))) == ()


def thick(noise, power=3.0, scale="log", n=24):
    source = {**SOURCE, "response": [{**SOURCE["response"][0], "scale": scale}], "plan": {"model": "quadratic"}}
    study = Study.from_dict(source)
    levels = trials(study, n)
    rng = np.random.default_rng(3)
    log = power * np.log(levels["Gum"] / levels["Water"] * 100) + 0.05 * levels["Wax"]
    return study, study.results(levels.assign(Viscosity=5000 * np.exp(log + noise * rng.standard_normal(n))))


@pytest.mark.parametrize("scale", ["log", "linear"])
def test_the_law_is_set_beside_the_terms_that_are_read(scale):
    """What was made by the law is read better by it; AICc by its own formula, on the density of the values."""
    study, results = thick(0.05, scale=scale)
    models = fit(study, results)
    law, model = models.power_law("Viscosity"), models["Viscosity"]
    assert law.exponent == pytest.approx(3.0, abs=0.12)  # five standard errors
    assert law.terms == ("1", "ln(Gum / water)", "Wax")
    assert law.beside < -2
    assert "better than the terms above" in law.says

    def minus_twice(sd2, n, k):
        return n * np.log(sd2) + 2 * k + 2 * k * (k + 1) / (n - k - 1)

    y = model.trials["observed"].to_numpy(float)
    ours = minus_twice(law.sd**2 * law.df / 24, 24, 4) + (2 * np.log(y).sum() if scale == "linear" else 0)
    k = len(model.terms) + 1
    theirs = minus_twice(float(model.residual_sd) ** 2 * model.df_residual / 24, 24, k)
    assert law.beside == pytest.approx(ours - theirs, abs=1e-6)
    assert models.entry("Viscosity")["power_law"]["delta_aicc"] == law.beside


def test_no_law_is_offered_where_there_is_none():
    study, _ = thick(0.05)
    other = Study.from_dict({**SOURCE, "response": [{"name": "Viscosity", "unit": "pH", "method": "meter"}]})
    assert isinstance(
        fit(other, other.results(trials(other).assign(Viscosity=5.0))).power_law("Viscosity"), Unavailable
    )
    few = study.results(trials(study, 5).assign(Viscosity=[1.0, 2.0, 3.0, 4.0, 5.0]))
    assert isinstance(fit(study, few).power_law("Viscosity"), Unavailable)
