"""Firth's penalised logistic regression against an independent implementation (data/README.md)."""

import json
from pathlib import Path

import numpy as np
import pytest

from optimise.statistics.firth import firth

REFERENCE = json.loads((Path(__file__).parents[1] / "data" / "reference.json").read_text(encoding="utf-8"))["firth"]


def test_firth_agrees_with_the_reference():
    data = {name: np.array(values, dtype=float) for name, values in REFERENCE["data"].items()}
    found = firth(np.column_stack([np.ones(12), data["x1"], data["x2"]]), data["y"])
    assert found.estimate == pytest.approx(list(REFERENCE["coefficients"].values()), rel=1e-6)
    wanted = list(REFERENCE["se_expected_information_at_estimate"].values())
    assert np.sqrt(np.diag(found.covariance)) == pytest.approx(wanted, rel=1e-6)
    assert found.log_likelihood == pytest.approx(REFERENCE["penalised_loglik"], rel=1e-8)
    assert found.chance == pytest.approx(REFERENCE["fitted"], rel=1e-5)
