"""Levels that all but repeat each other: terms that rest on them alone are named, and given no number."""

import numpy as np
import pandas as pd

from doe import Study
from doe.problems import Unavailable
from optimise import fit


def made():
    return Study.from_dict(
        {
            "study": {"name": "Mixing"},
            "factor": [{"name": "Mix", "unit": "min", "low": 2, "high": 8}],
            "plan": {"model": "quadratic"},
            "response": [{"name": "Foam", "aim": "watch", "method": "cylinder"}],
        }
    )


def test_a_level_off_by_a_thousandth_does_not_carry_a_term():
    """Without the runs at 8, only 5.001 min beside 5 min tells the curve from the slope: that is no trial of it."""
    mix = np.array([2.0, 2, 5, 5, 5, 5.001])
    foam = np.array([10.0, 10.2, 11.1, 10.9, 11.2, 12.0])
    study = made()
    model = fit(study, study.results(pd.DataFrame({"Mix": mix, "Foam": foam})), terms="all")["Foam"]
    assert any(finding.code == "aliased" for finding in model.findings)
    low, high = model.predictive(pd.DataFrame({"Mix": [3.5]})).batch_interval(0.95)[0]
    assert 9 < low < high < 13


def test_a_batch_that_alone_holds_a_level_is_not_predicted_from_the_others():
    """The run at 8 min alone tells slope from curve, but for 5.001: its leverage is short of 1 by next to nothing."""
    mix = np.array([2.0, 2, 5, 5, 5, 5.001, 8])
    foam = np.array([10.0, 10.2, 11.1, 10.9, 11.2, 11.3, 12.4])
    study = made()
    model = fit(study, study.results(pd.DataFrame({"Mix": mix, "Foam": foam})), terms="all")["Foam"]
    assert not isinstance(model.r2_predicted, float)
    assert any("alone decide" in finding.got for finding in model.findings)


def test_one_batch_predicts_nothing_however_well_the_sd_is_known():
    """A stated sd says how batches scatter, not what the levels do: there is no chance and no other form to give."""
    study = Study.from_dict(
        {
            "study": {"name": "One", "total": 100},
            "ingredient": [{"name": "Water", "qs": True}, {"name": "Gum", "low": 0.3, "high": 1.0}],
            "plan": {"model": "linear"},
            "response": [{"name": "Foam", "aim": "above", "low": 8, "sd": 0.5, "method": "cylinder"}],
        }
    )
    results = study.results(pd.DataFrame({"Gum": [0.5], "Foam": [9.0]}))
    models = fit(study, results)
    assert isinstance(models["Foam"].predictor, Unavailable)
    assert "1 batch says nothing of Gum" in models["Foam"].predictor.reason
    assert "unavailable" in models.entry("Foam")["other_form"]
