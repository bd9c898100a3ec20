"""The full form of the calibration: 2 000 simulated studies a rule. `BLENDWRIGHT_STUDIES` sets another number.

Run by hand, see DEVELOPERS.md; on a cluster by the script itself, see calibration.py.
"""

import os
import sys

import calibration
import joblib
import pytest

STUDIES = int(os.environ.get("BLENDWRIGHT_STUDIES", "2000"))


@pytest.mark.parametrize("rule", ["blind", "fitted"])
def test_formulas_pass_as_often_as_said(rule):
    """With limits drawn blind every bin is within 4 points plus two standard errors; with limits fitted it is shown."""
    with joblib.parallel_config(n_jobs=-1):
        outcomes = calibration.run(range(STUDIES), rule)
    sys.stdout.write("\n" + calibration.told(outcomes, rule) + "\n")
    table = calibration.table(outcomes)
    if rule == "blind":
        assert (table["error"].abs() <= 4 + 2 * table["se"]).all()
        summary = calibration.summary(outcomes)
        assert summary["interval holds the true chance"] >= 0.87
        # Predicted means within all limits are no promise of a batch within them.
        assert summary["true chance where that was claimed"] < 0.9
