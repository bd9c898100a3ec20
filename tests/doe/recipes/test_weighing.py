"""Targets for the balance. Least weights: USP General Chapter 41, 2 max(s, 0.41 d) / tolerance, worked by hand."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe import Study
from doe.definition.parts import Balance
from doe.recipes.weighing import least_weight, premixes, small_weights, weigh_lines


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
    said, *_ = small_weights(study(), list(lines.values()))
    assert "Dye 0.040 g: under 0.2 g, the least that fine weighs within 1 %" in said
    assert "a batch of 2000 g" in said
    assert "a balance reading 0.0001 g" in said
    assert said.endswith("or a premix.")


def levels(gum, wax):
    return {"Water": 100 - gum - wax - 0.01, "Gum": gum, "Wax": wax, "Dye": 0.01}


@given(st.floats(0.1, 0.9), st.floats(1, 9))
def test_rounded_targets_add_up_exactly_and_stay_near(gum, wax):
    lines = weigh_lines(study(), levels(gum, wax))
    assert sum(round(line.target_g * 1000) for line in lines) == 400_000
    wanted = {name: level * 4 for name, level in levels(gum, wax).items()}
    for line in lines:
        assert abs(line.target_g - wanted[line.ingredient.name]) <= 0.02


OIL = {"name": "Sunflower oil", "qs": True}
BALM = {
    "study": {"name": "Invented balm", "batch_g": 125},
    "balance": [{"name": "bench", "step_g": 0.01, "repeat_g": 0.01, "max_g": 4000}],
    "ingredient": [OIL, {"name": "Wax", "low": 10, "high": 30}, {"name": "Peppermint oil", "level": 1.0}],
}


def test_a_premix_is_one_part_in_ten_and_says_what_to_take_and_what_to_leave():
    balm = study(**BALM)
    lines = weigh_lines(balm, {"Sunflower oil": 75.0, "Wax": 24.0, "Peppermint oil": 1.0})
    _, said, rest = small_weights(balm, lines)
    # 1.25 g of 125 g is under 2 g. By hand: 12.5 g of a premix of 1 in 10 holds 1.25 g and 11.25 g of the oil.
    assert rest.startswith("Of a premix, write a tenth")
    assert said == (
        "Premix of Peppermint oil: mix 2.00 g of it with 18.00 g of Sunflower oil; take 12.50 g of that premix instead "
        "of 1.25 g Peppermint oil, and weigh 82.50 g of Sunflower oil (not 93.75 g)."
    )


@given(st.integers(50, 1900), st.integers(50, 1900), st.sampled_from([0.01, 0.005, 0.02]))
def test_every_number_of_a_premix_balances(mint, dye, tolerance):
    """Mass balance: what premixes and carrier bring together is what the lines asked for, to the last digit shown."""
    balm = study(**BALM | {
        "study": {"name": "Invented balm", "batch_g": 500}, "make": {"weigh_tolerance": tolerance},
        "ingredient": [*BALM["ingredient"], {"name": "Dye", "level": dye / 1000}],
    })  # fmt: skip
    levels = {"Sunflower oil": 76.0 - mint / 1000 - dye / 1000, "Wax": 24.0, "Dye": dye / 1000}
    lines = weigh_lines(balm, levels | {"Peppermint oil": mint / 1000})
    target = {line.ingredient.name: line.target_g for line in lines}
    mixed = {one.line.ingredient.name for one in premixes(lines)}
    words = [said for said in small_weights(balm, lines) if said.startswith("Premix")]
    assert bool(mixed) == bool(words)
    if not mixed:
        return
    (said,) = words
    number = r"([0-9.]+) g"
    doses = re.findall(rf"[Pp]remix of ([A-Z][a-z ]+): mix {number} of it with {number} of Sunflower oil; "
                       rf"take {number} of that premix instead of {number}", said)  # fmt: skip
    left, before = re.search(rf"weigh {number} of Sunflower oil \(not {number}\)", said).groups()
    carrier = float(left)
    for name, part, with_carrier, dose, instead in doses:
        share = float(part) / (float(part) + float(with_carrier))
        assert share * float(dose) == pytest.approx(target[name], abs=1e-9)
        assert float(instead) == target[name]
        assert float(dose) <= float(part) + float(with_carrier)
        carrier += (1 - share) * float(dose)
    assert {name for name, *_ in doses} == mixed
    assert carrier == pytest.approx(target["Sunflower oil"], abs=1e-9)
    assert float(before) == target["Sunflower oil"]


def test_a_premix_is_made_in_the_phase_it_goes_into_and_only_where_there_is_enough():
    parts = [
        {"name": "Water", "qs": True, "phase": "A"},
        {"name": "Gum", "low": 0.1, "high": 0.9, "phase": "B"},
        {"name": "Humectant", "level": 3.0, "phase": "B"},
        {"name": "Perfume", "level": 0.3, "phase": "C"},
        {"name": "Preservative", "level": 0.9, "phase": "C"},
    ]
    wash = study(**BALM | {"study": {"name": "Invented", "batch_g": 400}, "ingredient": parts})
    recipe = {"Water": 95.5, "Gum": 0.3, "Humectant": 3.0, "Perfume": 0.3, "Preservative": 0.9}
    found = [(one.line.ingredient.name, one.carrier.ingredient.name) for one in premixes(weigh_lines(wash, recipe))]
    # 10.8 g of the preservative would be wanted for 1.2 g of perfume, and there are 3.6 g. Of the humectant 1.2 g would
    # be left beside the 10.8 g in the premix of gum, and this balance weighs 2 g and more.
    assert found == []
    less = weigh_lines(wash, recipe | {"Gum": 0.1, "Water": 95.7})
    assert [(one.line.ingredient.name, one.carrier.ingredient.name) for one in premixes(less)] == [("Gum", "Humectant")]
