"""Trials on the way up: the published path of steepest ascent, weighable steps, and what has no way."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from doe import ModelError, Study
from optimise import fit, next_trials

DATA = Path(__file__).parents[1] / "data"


def study(step=None, aim="above", model="linear"):
    ends = {"low": -1, "high": 1} | ({"step": step} if step else {})
    return Study.from_dict(
        {
            "study": {"name": "Yield"},
            "factor": [{"name": "x1", **ends}, {"name": "x2", **ends}],
            "plan": {"model": model},
            "response": [{"name": "Yield", "aim": aim, "low": 40, "high": 60, "method": "assay"}],
        }
    )


def models(made, phase="phase1"):
    frame = pd.read_csv(DATA / "nist_chemical_yield.csv")
    part = frame[frame["phase"].str.startswith(phase)]
    table = part[["x1", "x2"]].assign(Yield=part["yield_pct"])
    return fit(made, made.results(table), terms="all")


def test_trials_stand_on_the_published_path():
    """NIST/SEMATECH e-Handbook 5.5.3.1.1: the unit step is (-0.1152, 0.9933)."""
    made = study()
    upcoming = next_trials(made, models(made), learn=4, way="Yield")
    X = upcoming.table[["x1", "x2"]].to_numpy()
    ways = X / np.linalg.norm(X, axis=1)[:, None]
    inner = np.linalg.norm(X, axis=1) < 0.95  # beyond, the limit of x2 bends the path
    assert inner.sum() >= 2
    assert ways[inner] == pytest.approx(np.tile([-0.1152, 0.9933], (inner.sum(), 1)), abs=1e-3)
    assert np.abs(X).max() <= 1 + 1e-9
    assert upcoming.purpose == "learn"


def test_trials_on_the_way_are_weighable():
    made = study(step=0.25)
    X = next_trials(made, models(made), learn=4, way="Yield").table[["x1", "x2"]].to_numpy()
    assert np.abs(X / 0.25 - np.round(X / 0.25)).max() < 1e-9
    assert len(np.unique(X, axis=0)) == len(X)


def test_a_response_wanted_within_limits_has_no_way():
    made = study(aim="within")
    with pytest.raises(ModelError, match="wanted high or low"):
        next_trials(made, models(made), learn=3, way="Yield")


def test_what_is_asked_wrongly_is_said_at_once():
    made = study()
    with pytest.raises(ModelError) as caught:
        next_trials(made, models(made), way="Yeild")
    assert len(caught.value.problems) == 2


@pytest.mark.parametrize(
    ("aim", "low", "high", "best", "sign"), [("above", 11, None, "wet", 1), ("below", None, 9, "dry", -1)]
)
def test_where_categories_differ_the_way_is_that_within_the_best(aim, low, high, best, sign):
    """A known plane, 10 + 2 a - b and 3 more where wetted: the way is along (2, -1), up within wet, down within dry."""
    limits = {key: value for key, value in (("low", low), ("high", high)) if value is not None}
    made = Study.from_dict(
        {
            "study": {"name": "Wetting"},
            "factor": [{"name": "a", "low": -1, "high": 1}, {"name": "b", "low": -1, "high": 1},
                       {"name": "Wetting", "levels": ["dry", "wet"]}],
            "plan": {"model": "linear"},
            "response": [{"name": "Y", "aim": aim, "method": "m", **limits}],
        }
    )  # fmt: skip
    rng = np.random.default_rng(2)
    table = pd.DataFrame({"a": [-1, 1, -1, 1, 0] * 4, "b": [-1, -1, 1, 1, 0] * 4, "Wetting": ["dry", "wet"] * 10})
    table["Y"] = 10 + 2 * table["a"] - table["b"] + 3 * (table["Wetting"] == "wet") + 0.01 * rng.normal(size=20)
    upcoming = next_trials(made, fit(made, made.results(table), terms="all"), learn=4, way="Y")
    assert set(upcoming.table["Wetting"]) == {best}
    X = upcoming.table[["a", "b"]].to_numpy()
    inner = np.abs(X).max(axis=1) < 0.95
    assert inner.sum() >= 2
    ways = X[inner] / np.linalg.norm(X[inner], axis=1)[:, None]
    assert ways == pytest.approx(np.tile(sign * np.array([2, -1]) / np.sqrt(5), (inner.sum(), 1)), abs=0.01)
    said = next(f.got for f in upcoming.findings if f.code == "way-within")
    assert f"Wetting {best}" in said
