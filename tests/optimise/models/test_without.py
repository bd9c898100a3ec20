"""A look without some trials: what is said to change is what two fits differ by."""

import numpy as np
import pandas as pd
import pytest

from doe import Study
from doe.problems import Unavailable
from optimise import fit
from optimise.models.without import changes


def study():
    return Study.from_dict(
        {
            "study": {"name": "Look"},
            "factor": [{"name": "x", "low": -1, "high": 1}],
            "plan": {"model": "linear"},
            "response": [{"name": "Y", "unit": "N", "aim": "watch", "method": "simulated"}],
        }
    )


def frame(n=12, off=3.0):
    rng = np.random.default_rng(1)
    x = np.linspace(-1, 1, n)
    y = 5 + x + rng.normal(0, 0.1, n)
    y[-1] += off
    return pd.DataFrame({"trial": [f"T{i + 1:02d}" for i in range(n)], "x": x, "Y": y})


def test_one_batch_that_went_wrong():
    made = study()
    results = made.results(frame())
    before, after = fit(made, results, terms="all"), fit(made, results, terms="all", without=["T12"])
    (found,) = changes(before, after, ["T12"]).values()
    assert found.batches == (12, 11)
    assert found.residual_sd[0] > 4 * found.residual_sd[1]
    # Least squares by hand, with and without the last row.
    rows = np.column_stack([np.ones(12), frame()["x"]])
    y = frame()["Y"].to_numpy()
    whole, rest = (np.linalg.lstsq(rows[:k], y[:k], rcond=None)[0] for k in (12, 11))
    ((batch, seen, fitted, predicted),) = found.left_out
    assert batch.startswith("T12")
    assert (seen, fitted, predicted) == pytest.approx((y[-1], rows[-1] @ whole, rows[-1] @ rest))
    moved = np.abs(rows @ (whole - rest)).max() / before["Y"].residual_sd
    assert found.moved == pytest.approx(moved)
    assert found.moved_at == batch
    assert set(found.to_dict()) >= {"batches", "residual_sd", "moved", "left_out"}


def test_an_outlier_says_what_changes_if_it_goes():
    made = study()
    said = [f.got for f in fit(made, made.results(frame()), terms="all").findings if f.code == "outlier"]
    assert len(said) == 1
    assert "residual sd would be" in said[0]
    assert "would move by up to" in said[0]


def test_where_nothing_is_left_to_predict_that_is_said():
    made = study()
    results = made.results(frame(3))
    before = fit(made, results, terms="all")
    after = fit(made, results, terms="all", without=["T03"])
    found = changes(before, after, ["T03"])["Y"]
    assert isinstance(found.moved, Unavailable)
    assert found.batches == (3, 2)
