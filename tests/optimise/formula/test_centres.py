"""Centres worked out together are those that each predictor gives by itself."""

import numpy as np
import pandas as pd
import pytest

from doe import Study
from optimise.formula.centres import Means
from optimise.models.models import fit

SOURCE = {
    "study": {"name": "centres"},
    "factor": [
        {"name": "A", "low": -1, "high": 1},
        {"name": "B", "low": 0, "high": 5},
        {"name": "Mill", "levels": ["one", "two", "three"]},
    ],
    "response": [{"name": name, "unit": "u", "method": "m"} for name in ("X", "Y", "Z")],
    "plan": {"model": "quadratic"},
}


def fitted(terms, short=0):
    """Three responses on the same trials; `short` trials without a reading of the last."""
    study = Study.from_dict(SOURCE)
    rng = np.random.default_rng(4)
    A, B, mill = rng.uniform(-1, 1, 30), rng.uniform(0, 5, 30), rng.choice(["one", "two", "three"], 30)
    rise = 3 * A - B + 0.4 * A * B + (mill == "two")
    frame = pd.DataFrame({"A": A, "B": B, "Mill": mill, "X": rise, "Y": np.exp(0.3 * A) + 0.5 * B, "Z": rise * A})
    frame[["X", "Y", "Z"]] += 0.3 * rng.normal(size=(30, 3))
    frame.loc[: short - 1, "Z"] = np.nan
    return fit(study, study.results(frame.set_axis([f"H{i}" for i in range(30)])), terms=terms)


@pytest.mark.parametrize(("terms", "short"), [("all", 0), ("select", 0), ("select", 4)])
def test_centres_together_are_those_of_each_alone(terms, short):
    models = fitted(terms, short)
    predictors = [models.predictor(name) for name in ("X", "Y", "Z")]
    means, rng = Means.of(predictors), np.random.default_rng(1)
    X = np.column_stack([rng.uniform(-1, 1, 12), rng.uniform(0, 5, 12)])
    chosen = {"Mill": rng.choice(np.array(["one", "two", "three"], dtype=object), 12)}
    alone = np.column_stack([one.at(X, chosen).mean() for one in predictors])
    assert means.at(X, chosen) == pytest.approx(alone, rel=1e-10, abs=1e-10)
    for i in range(len(X)):
        here = {"Mill": chosen["Mill"][i : i + 1]}
        values, slopes = (part[0] for part in means.with_slopes(X[i : i + 1], here))
        assert values == pytest.approx(alone[i], rel=1e-10, abs=1e-10)
        for number, one in enumerate(predictors):
            law, by_location, _ = one.at_with_slopes(X[i : i + 1], here)
            assert slopes[number] == pytest.approx(law.weights @ by_location[0], rel=1e-9, abs=1e-9)
