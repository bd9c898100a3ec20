"""Limits that never decide, and limits that leave no room. What is said is worked out by hand beside it."""

import numpy as np
import pytest

from doe import Region, Study
from doe.definition.rules import parse_rule
from doe.region.redundant import redundant_limits, without_room

NAMES = ("Water", "Gum", "Humectant", "Wax", "Oil")
LOW, HIGH = [0, 0.3, 2, 0.5, 3], [np.inf, 0.8, 6, 3, 12]


def region(*rules, low=LOW, high=HIGH):
    rows = [(dict(r.weights), r.low, r.high, text) for text in rules for r in parse_rule(text, NAMES)]
    return Region.build(NAMES, NAMES, 97.3, "Water", low, high, rows)


@pytest.mark.parametrize(
    ("rule", "because"),
    [
        ("Wax + Oil <= 20", 'the others already see to "Wax + Oil <= 15"'),  # 3 + 12
        ("Humectant >= 2 * Gum", 'the others already see to "Humectant >= 2.5 * Gum"'),  # 2 over 0.8
        ("Humectant / Gum <= 30", 'the others already see to "Humectant / Gum <= 20"'),  # 6 over 0.3
        ("Humectant / (Gum + Wax) <= 9", 'the others already see to "Humectant / (Gum + Wax) <= 7.5"'),  # 6 over 0.8
        ("Water >= 70", 'the others already see to "Water >= 75.5"'),  # 97.3 - 0.8 - 6 - 3 - 12
        ("3 * Gum <= Wax + 20", 'the others already see to "3 * Gum - Wax <= 1.9"'),  # 3 x 0.8 - 0.5
        ("Oil <= 3 * Humectant + 90", 'the others already see to "Oil - 3 * Humectant <= 6"'),  # 12 - 3 x 2
    ],
)
def test_a_limit_that_never_decides_and_what_does(rule, because):
    (found,) = redundant_limits(region(rule))
    assert (found.label, found.is_bound, found.says) == (rule, False, because)


def test_what_is_seen_to_has_no_recipe_beyond_it():
    # Thirds do not end: the number is rounded so that what is said is true.
    (found,) = redundant_limits(
        region("Wax / Humectant <= 2", high=[np.inf, 0.8, 6, 2.3, 12], low=[0, 0.3, 2.1, 0.5, 3])
    )
    assert found.says == 'the others already see to "Wax / Humectant <= 1.096"'  # 2.3 / 2.1 = 1.0952


def test_a_bound_out_of_reach_says_how_far_the_level_really_goes():
    found = redundant_limits(region("Oil + Wax <= 6"))
    assert [(i.label, i.is_bound, i.says) for i in found] == [("Oil at most 12", True, "Oil goes up only to 5.5")]


def test_one_side_of_a_limit_may_never_decide():
    (found,) = redundant_limits(region("1 <= Gum + Wax <= 10"))
    assert found.says == 'on one side the others already see to "Gum + Wax <= 3.8"'
    assert "1 <= Gum + Wax <= 10" not in region("1 <= Gum + Wax <= 10").redundant


def test_a_limit_said_twice_is_needed_once():
    found = [i for i in redundant_limits(region("Wax + Oil <= 9", "Oil + Wax <= 9")) if not i.is_bound]
    assert [(i.label, i.says) for i in found] == [("Oil + Wax <= 9", "the other limits already say so")]


def test_a_lower_end_of_nothing_that_nobody_wrote_is_not_named():
    assert redundant_limits(region()) == ()


@pytest.mark.parametrize(
    ("rules", "words"),
    [
        (("Wax + Oil <= 3.5",), "Wax at least 0.5; Oil at least 3; Wax + Oil <= 3.5 leave no room"),
        (("Humectant >= 20 * Gum",), "Gum at least 0.3; Humectant at most 6; Humectant >= 20 * Gum leave no room"),
        (("Wax + Oil <= 7", "Wax + Oil >= 7"), "Wax + Oil <= 7; Wax + Oil >= 7 leave no room"),
    ],
)
def test_limits_that_leave_no_room_are_named_and_planned_on(rules, words):
    flat = region(*rules)
    (found,) = without_room(flat)
    assert found.code == "flat-region"
    assert found.got.startswith(words)
    assert flat.dimension < 4
    assert flat.contains(flat.vertex_array).all()


def test_equalities_that_were_written_are_no_finding():
    assert without_room(region("Oil = 4 * Wax", "Gum = 0.5")) == ()
    assert region("Oil = 4 * Wax", "Gum = 0.5").dimension == 2


def test_a_flat_region_is_a_finding_of_the_study():
    text = """
    [study]
    name = "t"
    [[ingredient]]
    name = "Water"
    qs = true
    [[ingredient]]
    name = "Wax"
    low = 1
    high = 3
    [[ingredient]]
    name = "Oil"
    low = 2
    high = 6
    [[ingredient]]
    name = "Gum"
    low = 0.2
    high = 0.8
    [[limit]]
    rule = "Wax + Oil <= 3"
    [[response]]
    name = "y"
    method = "m"
    """
    study = Study.from_toml(text)
    (found,) = [p for p in study.problems if p.code == "flat-region"]
    assert "Wax stays at 1, Oil stays at 2" in found.got
    assert study.region.free == ("Gum",)
