"""Levels that all but repeat each other: terms that rest on them alone are named, and given no number."""

import numpy as np
import pandas as pd

from doe import Study
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
