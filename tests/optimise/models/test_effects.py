"""Effects as "this up, what down?": against the fill, and in the direction of Cox. Data: ../data/README.md."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from doe import Study
from doe.problems import Unavailable
from optimise import fit
from optimise.models.effects import direction_of, directions

DATA = Path(__file__).parents[1] / "data"


def yarn(fill=False):
    items = [{"name": name, "low": 0, "high": 1} for name in ("x1", "x2", "x3")]
    items[1] |= {"qs": True} if fill else {}
    return Study.from_dict(
        {
            "study": {"name": "Yarn", "total": 1, "unit": "proportion"},
            "ingredient": items,
            "plan": {"model": "quadratic"},
            "response": [{"name": "Elongation", "aim": "above", "low": 12, "method": "pull"}],
        }
    )


def effects(made):
    frame = pd.read_csv(DATA / "nist_yarn.csv")
    frame.columns = ["x1", "x2", "x3", "Elongation"]
    models = fit(made, made.results(frame), terms="all")
    return models, {one.column: one for one in models.effects("Elongation")}


def test_the_rest_gives_way_in_the_ratio_it_stands_in():
    """Cox (1971): with A up, B and C keep their ratio, here 3 : 1 (from memory)."""
    name, says, rates = direction_of(yarn(), "x1", {"x1": 0.2, "x2": 0.6, "x3": 0.2})
    assert (name, says) == ("x1", "x1 up, the rest down")
    assert rates == pytest.approx([1, -0.75, -0.25])
    assert directions(yarn(fill=True), {"x1": 0.2, "x2": 0.6, "x3": 0.2})[0][1] == "x1 up, x2 down"


def test_effects_of_the_yarn_by_its_published_coefficients():
    """e-Handbook 5.5.4.2: 11.7, 9.4, 16.4, 19.0, 11.4, -9.6, residual sd 0.85375 on 9 degrees of freedom.

    Each of the six blends is fitted by its own mean, of two batches (pure) or three (halves).
    """
    models, found = effects(yarn())
    low, middle, high = found["x1"].predicted
    assert (found["x1"].low, found["x1"].high) == pytest.approx((0, 1))
    assert low == pytest.approx((9.4 + 16.4) / 2 - 9.6 / 4, abs=0.06)
    assert middle == pytest.approx((11.7 + 9.4 + 16.4) / 3 + (19.0 + 11.4 - 9.6) / 9, abs=0.06)
    assert high == pytest.approx(11.7, abs=0.06)
    reach = stats.t.isf(0.025, 9) * 0.85375 * np.sqrt(1 / 2 + 1 / 3)
    assert found["x1"].limits == pytest.approx((found["x1"].change - reach, found["x1"].change + reach), abs=1e-4)
    kept = models.entry("Elongation")["effects"]
    assert {row["column"] for row in kept} == {"x1", "x2", "x3"}


def test_against_the_fill_the_others_stay():
    _, found = effects(yarn(fill=True))
    assert set(found) == {"x1", "x3"}
    low, _, high = found["x1"].predicted
    third = 1 / 3
    # x3 stays at a third: from (0, 2/3, 1/3) to (2/3, 0, 1/3), by the published coefficients.
    assert low == pytest.approx(9.4 * 2 * third + 16.4 * third - 9.6 * 2 * third**2, abs=0.06)
    assert high == pytest.approx(11.7 * 2 * third + 16.4 * third + 11.4 * 2 * third**2, abs=0.06)


def test_without_an_error_there_are_effects_but_no_limits():
    made = yarn()
    corners = pd.DataFrame(np.eye(3), columns=["x1", "x2", "x3"]).assign(Elongation=[1.0, 2, 4])
    effects = fit(made, made.results(corners)).effects("Elongation")
    assert all(isinstance(one.limits, Unavailable) for one in effects)
    assert effects[0].change == pytest.approx(2.5)  # from the mean of 1 and 2 to 4


def test_effects_on_a_score_have_limits_by_the_normal_law():
    made = Study.from_dict(
        {
            "study": {"name": "Pass"},
            "factor": [{"name": "Speed", "low": 0, "high": 10}],
            "plan": {"model": "linear"},
            "response": [{"name": "Lumps", "kind": "pass", "aim": "above", "method": "eye"}],
        }
    )
    speed = np.linspace(0, 10, 20)
    frame = pd.DataFrame({"Speed": speed, "Lumps": np.where((speed > 5) ^ (np.arange(20) % 5 == 0), "pass", "fail")})
    models = fit(made, made.results(frame))
    (found,) = models.effects("Lumps")
    row = models["Lumps"].terms.set_index("term").loc["Speed"]
    assert found.change == pytest.approx(10 * row["estimate"])
    reach = 10 * stats.norm.isf(0.025) * row["se"]
    assert found.limits == pytest.approx((found.change - reach, found.change + reach))
    assert 0 < found.predicted[0] < found.predicted[1] < found.predicted[2] < 1
