"""What is known of a recipe rests on the batches made, not on what may be made from now on."""

import numpy as np
import pandas as pd
import pytest

from doe import Study
from optimise import fit

GUM = {"name": "Gum", "low": 0.2, "high": 1.0}
OIL = {"name": "Oil", "low": 2, "high": 10}


def study(*ingredients, limits=()):
    return Study.from_dict(
        {
            "study": {"name": "t", "total": 100},
            "ingredient": [{"name": "Water", "qs": True}, *ingredients],
            "limit": [{"rule": rule} for rule in limits],
            "response": [{"name": "Y", "aim": "above", "low": 40, "method": "m"}],
            "plan": {"model": "quadratic"},
        }
    )


def truth(gum, oil):
    g, o = (np.asarray(gum) - 0.6) / 0.4, (np.asarray(oil) - 6) / 4
    return 50 + 8 * g + 3 * o - 3 * g * g - 2 * g * o


@pytest.fixture(scope="module")
def made():
    rng = np.random.default_rng(4)
    gum, oil = np.repeat([0.2, 0.6, 1.0], 5), np.tile([2, 4, 6, 8, 10], 3)
    table = {"Water": 100 - gum - oil, "Gum": gum, "Oil": oil, "Y": truth(gum, oil) + rng.normal(0, 0.2, 15)}
    return pd.DataFrame({"trial": [f"A{i:02d}" for i in range(15)], **table})


@pytest.mark.parametrize(
    ("moved", "limits"),
    [
        ((GUM, {"name": "Oil", "withdrawn": True}), ()),
        (({**GUM, "high": 0.3}, OIL), ()),
        ((GUM, OIL), ("Oil >= 20 * Gum",)),
        ((GUM, {**OIL, "low": 9.5}), ()),
    ],
)
def test_what_is_predicted_does_not_move_with_the_limits(made, moved, limits):
    before, after = study(GUM, OIL), study(*moved, limits=limits)
    asked = pd.DataFrame({"Water": [99.7, 91.4, 93.4], "Gum": [0.3, 0.6, 0.6], "Oil": [0.0, 8.0, 6.0]})
    old, new = (fit(one, one.results(made)).predict(asked)["Y"] for one in (before, after))
    assert new["predicted"].to_numpy(float) == pytest.approx(old["predicted"].to_numpy(float), abs=0.2)
    assert new["predicted"].to_numpy(float)[1:] == pytest.approx(truth([0.6, 0.6], [8.0, 6.0]), abs=0.5)


def test_a_formula_without_what_was_withdrawn_is_predicted_by_what_that_did():
    # The batches made with 2 to 10 % of it say what it does; at none of it the truth lies beyond them, at 41.2.
    gum, oil = np.repeat([0.2, 0.6, 1.0], 5), np.tile([0.0, 2.5, 5, 7.5, 10], 3)
    noise = np.random.default_rng(1).normal(0, 0.2, 15)
    frame = pd.DataFrame({"trial": [f"A{i:02d}" for i in range(15)], "Water": 100 - gum - oil, "Gum": gum, "Oil": oil,
                          "Y": truth(gum, oil) + noise})  # fmt: skip
    after = study(GUM, {"name": "Oil", "withdrawn": True})
    models = fit(after, after.results(frame))
    asked = pd.DataFrame({"Water": [99.4, 99.1], "Gum": [0.6, 0.9], "Oil": [0.0, 0.0]})
    assert models.predict(asked)["Y"]["predicted"].to_numpy(float) == pytest.approx(truth([0.6, 0.9], [0, 0]), abs=0.6)
    assert models.predict(asked)["Y"]["chance"].to_numpy(float)[1] > 0.99
