"""A later round is held against what the rounds before it let expect."""

import numpy as np
import pandas as pd
import pytest

from doe import Study
from optimise import fit


def study():
    return Study.from_dict(
        {
            "study": {"name": "Rounds"},
            "factor": [{"name": "x", "low": -1, "high": 1}],
            "plan": {"model": "linear"},
            "response": [
                {"name": "Y", "unit": "N", "aim": "above", "low": 3, "method": "simulated"},
                {"name": "Z", "unit": "N", "aim": "watch", "method": "simulated", "scale": "log"},
            ],
        }
    )


def results(made, off=(0.0, 0.0), rounds=(1, 2), seed=3):
    """Twelve batches of one round, and two later ones at x = 0.4 that are `off` in Y, and as many times in Z."""
    rng = np.random.default_rng(seed)
    x = np.append(np.linspace(-1, 1, 12), [0.4, 0.4])
    y = 5 + x + rng.normal(0, 0.1, 14) + np.append(np.zeros(12), off)
    z = np.exp(2 + 0.5 * x + rng.normal(0, 0.1, 14))
    frame = pd.DataFrame({"trial": [f"T{i + 1:02d}" for i in range(14)], "x": x, "Y": y, "Z": z})
    found = made.results(frame)
    rows = found.batch_rows.assign(round=[rounds[0]] * 12 + [rounds[1]] * 2)
    return type(found)(found.readings, rows, found.columns, found.findings)


def told(models):
    return [finding for finding in models.findings if finding.code == "last-round"]


@pytest.mark.parametrize("terms", ["select", "all"])
def test_a_round_that_came_out_otherwise_is_named_batch_by_batch(terms):
    made = study()
    (found,) = told(fit(made, results(made, off=(8.0, 8.2)), terms=terms))
    assert (found.where, found.level) == ("Y", "warn")
    assert found.got.startswith("round 2 does not agree with the earlier rounds: ")
    assert "T13" in found.got
    assert "T14" in found.got
    assert "lot" in found.do


def test_only_the_batch_that_is_off_is_named():
    made = study()
    (found,) = told(fit(made, results(made, off=(0.0, 3.0))))
    assert "T14" in found.got
    assert "T13" not in found.got


def test_a_round_as_expected_and_a_single_round_say_nothing():
    made = study()
    assert told(fit(made, results(made))) == []
    assert told(fit(made, results(made, off=(8.0, 8.2), rounds=(1, 1)))) == []


def test_false_alarms_are_as_rare_as_said():
    """At most one in twenty where nothing changed: more than 4 of 20 has a chance of 3 in a thousand (binomial)."""
    made = study()
    alarms = sum(bool(told(fit(made, results(made, seed=seed), terms="all"))) for seed in range(20))
    assert alarms <= 4
