"""Many recipes at once: done part by part, whoever does the parts, and the same as each one alone. Data invented."""

import joblib
import numpy as np
import pandas as pd
import pytest

from doe import Study
from optimise import fit
from optimise.models import points as module

MANY, PART = 50, 20


@pytest.fixture(scope="module")
def models():
    study = Study.from_dict(
        {
            "study": {"name": "two factors"},
            "factor": [{"name": n, "low": -1, "high": 1} for n in "AB"],
            "response": [
                {"name": "Y", "unit": "u", "method": "m", "aim": "above", "low": 4.5},
                {"name": "Z", "unit": "u", "method": "m", "aim": "within", "low": 4.0, "high": 6.0},
            ],
            "plan": {"model": "quadratic"},
        }
    )
    rng = np.random.default_rng(2)
    A, B = np.array([(a, b) for a in (-1, 0, 1) for b in (-1, 0, 1)] + [(0, 0), (1, -1)], dtype=float).T
    frame = pd.DataFrame({"A": A, "B": B, "Y": 5 + A - B**2 + 0.1 * rng.normal(size=11),
                          "Z": 5 - A * B + 0.2 * rng.normal(size=11)}, index=[f"H{i}" for i in range(11)])  # fmt: skip
    return fit(study, study.results(frame))


@pytest.fixture(scope="module")
def many():
    return pd.DataFrame(np.random.default_rng(4).uniform(-1, 1, (MANY, 2)).round(2), columns=list("AB"))


@pytest.fixture(autouse=True)
def small_parts(monkeypatch):
    monkeypatch.setattr(module, "_PART", PART)


def numbers(points):
    out = []
    for point in points:
        out += [point["chance_all"], *point["chance_interval"]]
        for entry in point["responses"].values():
            out += [entry["predicted"], *entry["confidence"], *entry["prediction"], *entry["tolerance"]]
            out += [entry["chance"], *entry["together"]["prediction"]]
    return np.array(out)


def test_how_far_it_is_is_told_and_who_does_the_parts_does_not_matter(models, many):
    heard = []
    watched = models.points(many, heard.append)
    assert heard == [20, 40, MANY]
    with joblib.parallel_config(backend="threading", n_jobs=2):
        shared = models.points(many, heard.append)
    assert len(heard) == 3
    assert watched == shared == models.points(many)


def test_a_recipe_is_predicted_alone_as_among_others(models, many):
    among = models.points(many)
    for row in (0, 19, 20, 49):
        alone = numbers(models.points(many.iloc[[row]]))
        assert alone == pytest.approx(numbers([among[row]]), rel=1e-11)


def test_what_is_computed_from_the_recipe_says_why_it_has_no_interval():
    """The keys of a response in `predict --json` are the same for all; a number that does not exist says why."""
    study = Study.from_dict(
        {
            "study": {"name": "one ingredient"},
            "ingredient": [
                {"name": "Water", "qs": True, "price_per_kg": 0.0},
                {"name": "Gum", "low": 0, "high": 10, "price_per_kg": 20.0},
            ],
            "response": [
                {"name": "Y", "unit": "u", "method": "m", "aim": "above", "low": 4.5},
                {"name": "Cost", "from": "cost_per_kg", "aim": "below", "high": 3.0},
            ],
            "plan": {"model": "linear"},
        }
    )
    frame = pd.DataFrame({"Gum": [0.0, 5, 10, 0, 5, 10], "Y": [4.0, 5.1, 6.0, 4.1, 5.0, 6.1]}, index=list("abcdef"))
    found = fit(study, study.results(frame)).points(pd.DataFrame({"Gum": [5.0]}))[0]["responses"]
    for name in ("predicted", "confidence", "prediction", "tolerance", "chance"):
        assert name in found["Y"]
        assert name in found["Cost"]
    assert found["Cost"]["predicted"] == pytest.approx(1.0)  # 5 % of 20 a kg
    assert set(found["Cost"]["prediction"]) == {"unavailable", "do"}
