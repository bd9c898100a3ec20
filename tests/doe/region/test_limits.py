"""Limits as people write them, odd ones included: what each leaves is worked out by hand beside it."""

import pytest

from doe import Study, StudyError

STUDY = """
[study]
name = "t"
[[ingredient]]
name = "Water"
qs = true
[[ingredient]]
name = "Gum"
low = 0
high = 0.8
[[ingredient]]
name = "Humectant"
low = 2
high = 6
assay = 0.5
[[ingredient]]
name = "Wax"
low = 0.5
high = 3
[[ingredient]]
name = "Salt"
level = 2.7
[[ingredient]]
name = "Old"
low = 1
high = 3
withdrawn = true
[[factor]]
name = "Temp"
unit = "C"
low = -5
high = 80
[[response]]
name = "y"
method = "m"
"""


def study(rule, more=""):
    return Study.from_toml(f'{STUDY}[[limit]]\nrule = "{rule}"\n{more}\n')


@pytest.mark.parametrize(
    ("rule", "name", "reach"),
    [
        # A ratio over what may be 0 holds there as it reads multiplied out: Humectant >= 4 Gum, Gum >= Humectant / 20.
        ("Humectant / Gum >= 4", "Gum", (0, 0.8)),
        ("Humectant / Gum <= 20", "Gum", (0.1, 0.8)),
        # What is fixed stands in a limit with its level: 2.7 of Salt.
        ("Wax + Salt >= 5", "Wax", (2.3, 3)),
        ("Wax / Salt >= 1", "Wax", (2.7, 3)),
        ("Salt / Gum >= 5", "Gum", (0, 0.54)),
        # The ingredient that takes up the rest: 97.3 less what varies.
        ("Water >= 92", "Humectant", (2, 4.8)),
        ("Water / Humectant >= 30", "Humectant", (2, 96.8 / 31)),
        # Factors and ingredients together, a factor that may be below 0.
        ("Wax + 0.1 * Temp <= 2", "Temp", (-5, 15)),
        ("Wax + Temp <= 50", "Temp", (-5, 49.5)),
        # Withdrawn is 0.
        ("Old + Wax >= 2", "Wax", (2, 3)),
        ("Wax - Old <= 2", "Wax", (0.5, 2)),
        # Numbers on either side, brackets, turned signs.
        ("3 >= Humectant", "Humectant", (2, 3)),
        ("-Wax >= -2", "Wax", (0.5, 2)),
        ("1 <= 2 * Gum + 0.5 <= 2", "Gum", (0.25, 0.75)),
        ("2 * (Wax + Gum) <= 4 + Gum", "Wax", (0.5, 2)),
        ("Wax = 2", "Wax", (2, 2)),
        ("2 * Gum = Wax", "Gum", (0.25, 0.8)),
    ],
)
def test_what_a_limit_leaves(rule, name, reach):
    assert study(rule).region.reach[name] == pytest.approx(reach)


@pytest.mark.parametrize(
    ("rule", "name", "reach"),
    [
        ("Humectant + Wax <= 3", "Humectant", (2, 5)),  # 0.5 x 5 + 0.5
        ("Humectant / Wax >= 1", "Wax", (0.5, 3)),
        ("Humectant <= 2", "Humectant", (2, 4)),
        ("Salt + Humectant <= 5", "Humectant", (2, 4.6)),
        ("Temp >= 60", "Temp", (60, 80)),
    ],
)
def test_active_contents_count_as_supplied_times_assay(rule, name, reach):
    assert study(rule, 'on = "active"').region.reach[name] == pytest.approx(reach)


@pytest.mark.parametrize(
    ("rule", "words"),
    [
        ("Salt >= 2", "is always met, as Salt is fixed at 2.7"),
        ("Old <= 0.5", "is always met, as Old is withdrawn"),
        ("Humectant / Gum >= 4", "may be 0, where there is no ratio"),
    ],
)
def test_what_is_told_and_does_not_stop(rule, words):
    (found,) = [p for p in study(rule).problems if "limit" in p.where]
    assert found.level == "inform"
    assert words in found.got


@pytest.mark.parametrize(
    ("rule", "words"),
    [
        ("Salt >= 3", "can never be met: Salt is fixed at 2.7"),
        ("Old >= 0.5", "can never be met: Old is withdrawn"),
        ("0 <= 1", "no level is left in the rule"),
        ("Gum <= Gum + 1", "no level is left in the rule"),
        ("Gum < 0.4", "strict"),
        ("Humectant / Temp >= 0.1", "may be below 0"),
        ("Humectant / 0 <= 1", "divided by zero"),
        ("Wax * Gum <= 1", "two levels are multiplied"),
        ("Wax + Gum <= 9,5", "decimal comma"),
    ],
)
def test_what_stops_says_why(rule, words):
    with pytest.raises(StudyError) as caught:
        study(rule)
    (found,) = [p for p in caught.value.problems if p.level == "stop"]
    assert words in found.got


def test_a_contradiction_names_both_and_what_would_do():
    with pytest.raises(StudyError) as caught:
        study("Wax >= 2", '[[limit]]\nrule = "Wax <= 1"')
    (found,) = [p for p in caught.value.problems if p.level == "stop"]
    assert found.got.startswith("no recipe obeys all of: Wax >= 2; Wax <= 1")
    assert 'change "Wax >= 2" to "Wax >= 1"' in found.do


def test_a_withdrawn_ingredient_is_not_offered_as_a_way_out():
    with pytest.raises(StudyError) as caught:
        study("Wax + Old >= 4")
    (found,) = [p for p in caught.value.problems if p.level == "stop"]
    assert "as Old is left out" in found.got
    assert "Old to" not in found.do
    assert "let Wax go up to 4" in found.do
