"""Targets for the balance. Least weights: USP General Chapter 41, 2 max(s, 0.41 d) / tolerance, worked by hand."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe import Study
from doe.parts import Balance
from doe.weighing import least_weight, small_weights, weigh_lines


@pytest.mark.parametrize(
    "step, tolerance, grams", [(0.01, 0.001, 8.2), (0.01, 0.005, 1.64), (0.01, 0.01, 0.82), (0.001, 0.01, 0.082)]
)
def test_least_weight_where_readability_decides(step, tolerance, grams):
    assert least_weight(Balance("b", step, 0.0, 1000), tolerance) == pytest.approx(grams, rel=1e-12)


def test_least_weight_where_repeatability_decides():
    assert least_weight(Balance("b", 0.01, 0.02, 1000), 0.01) == pytest.approx(4.0)


def study(**more):
    return Study.from_dict(
        {
            "study": {"name": "Invented", "batch_g": 400},
            "balance": [
                {"name": "top-pan", "step_g": 0.01, "repeat_g": 0.01, "max_g": 4000},
                {"name": "fine", "step_g": 0.001, "repeat_g": 0.001, "max_g": 200},
            ],
            "ingredient": [
                {"name": "Water", "qs": True},
                {"name": "Gum", "low": 0.1, "high": 0.9},
                {"name": "Wax", "low": 1, "high": 9},
                {"name": "Dye", "level": 0.01},
            ],
            "response": [{"name": "pH", "method": "meter"}],
        }
        | more
    )


def test_each_target_goes_to_the_coarsest_balance_that_can():
    lines = {line.ingredient.name: line for line in weigh_lines(study(), levels(0.3, 4))}
    assert {name: line.balance for name, line in lines.items()} == {
        "Water": "top-pan", "Gum": "fine", "Wax": "top-pan", "Dye": "fine",
    }  # fmt: skip
    # 0.01 % of 400 g is 0.04 g; the fine balance weighs 0.2 g and more within 1 %.
    assert [name for name, line in lines.items() if line.is_small] == ["Dye"]
    (said,) = small_weights(study(), list(lines.values()))
    assert "Dye 0.040 g: under 0.2 g, the least that fine weighs within 1 %" in said
    assert "a batch of 2000 g" in said
    assert "a balance reading 0.0001 g" in said
    assert "take of Dye 0.4 g and 0.36 g less Water" in said


def levels(gum, wax):
    return {"Water": 100 - gum - wax - 0.01, "Gum": gum, "Wax": wax, "Dye": 0.01}


@given(st.floats(0.1, 0.9), st.floats(1, 9))
def test_rounded_targets_add_up_exactly_and_stay_near(gum, wax):
    lines = weigh_lines(study(), levels(gum, wax))
    assert sum(round(line.target_g * 1000) for line in lines) == 400_000
    wanted = {name: level * 4 for name, level in levels(gum, wax).items()}
    for line in lines:
        assert abs(line.target_g - wanted[line.ingredient.name]) <= 0.02
