"""What a round takes from the store-room, added up by hand. Data invented."""

from types import SimpleNamespace

import pandas as pd
import pytest

from doe import Study
from doe.bench.stores import needs, premixed

STUDY = Study.from_dict(
    {
        "study": {"name": "Invented", "batch_g": 400},
        "ingredient": [
            {"name": "Water", "qs": True, "phase": "A"},
            {"name": "Gum", "low": 0, "high": 1, "phase": "B", "lot": "G-17"},
            {"name": "Wax", "low": 2, "high": 6, "phase": "C"},
        ],
        "response": [{"name": "pH", "method": "meter"}],
        "make": {"loss": "5 %", "make_up": True},
    }
)
RECIPES = [[95.5, 0.5, 4.0], [94.0, 0.0, 6.0], [97.0, 1.0, 2.0]]
PLAN = SimpleNamespace(table=pd.DataFrame(RECIPES, index=["T01", "T02", "T03"], columns=["Water", "Gum", "Wax"]))


def test_grams_losses_and_one_batch_more():
    water, gum, wax = needs(STUDY, PLAN)
    assert [one.label for one in (water, gum, wax)] == ["Water", "Gum", "Wax"]
    # 382 + 376 + 388 g; 5 % stays behind, and 3 batches of 400 g lose 5 % each; then 388 g for one more.
    assert water.weighed_g == pytest.approx(1146)
    assert water.losses_g == pytest.approx(57.3 + 60)
    assert water.fetch_g == 1700  # 1651.3 in two figures, rounded up
    # 2 + 0 + 4 g, in two batches; 0.3 g stays behind; 4 g for one more.
    assert (gum.trials, gum.weighed_g, gum.largest_g, gum.lot, gum.phase) == (2, 6.0, 4.0, "G-17", "B")
    assert gum.losses_g == pytest.approx(0.3)
    assert gum.fetch_g == 11
    assert wax.fetch_g == 75  # 48 + 2.4 + 24 = 74.4 g


def test_nothing_made_up_is_nothing_lost_twice():
    dry = Study.from_dict(STUDY.to_dict() | {"make": {"loss": "5 %"}})
    assert needs(dry, PLAN)[0].losses_g == pytest.approx(57.3)


def test_premixes_are_counted_as_the_sheets_have_them_mixed():
    """By hand: 1.25 g of dye in 125 g is under the 2 g of a balance that repeats to 0.01 g within 1 %. The premix is
    2 g in 18 g of water; 12.5 g of it bring 1.25 g of dye and 11.25 g of water, so 0.75 g and 6.75 g are left over."""
    wash = Study.from_dict(
        {
            "study": {"name": "Invented", "batch_g": 125},
            "balance": [{"name": "bench", "step_g": 0.01, "repeat_g": 0.01, "max_g": 4000}],
            "ingredient": [
                {"name": "Water", "qs": True},
                {"name": "Wax", "low": 10, "high": 30},
                {"name": "Dye", "level": 1.0},
            ],
            "response": [{"name": "pH", "method": "meter"}],
        }
    )
    plan = SimpleNamespace(table=pd.DataFrame([[79.0, 20.0, 1.0]] * 2, columns=["Water", "Wax", "Dye"]))
    water, wax, dye = needs(wash, plan)
    assert premixed(wash, plan) == (("Dye", "Water"),)
    assert dye.weighed_g == pytest.approx(2 * 2.0)
    assert water.weighed_g == pytest.approx(2 * (98.75 + 6.75))
    assert wax.weighed_g == pytest.approx(50)
