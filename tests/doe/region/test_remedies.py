"""What is said of an empty region: every change that is proposed is made, and opens it; a smaller one does not."""

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe import Region, Study, StudyError
from doe.definition.rules import parse_rule

NAMES = ("Gum", "Wax", "Oil", "Water")


def build(low, high, rules, total=100.0):
    rows = [(dict(r.weights), r.low, r.high, text) for text in rules for r in parse_rule(text, NAMES)]
    return Region.build(NAMES, NAMES, total, "Water", low, high, rows)


def is_open(low, high, rules):
    try:
        build(low, high, rules)
    except StudyError:
        return False
    return True


def offered(problem):
    """The changes of one problem: (name, side, value) of a bound, or (old rule, new rule)."""
    bounds = [(n, s, float(v)) for n, s, v in re.findall(r"let (\w+) go (up|down) to ([-\d.e+]+)", problem.do)]
    return bounds, re.findall(r'change "([^"]+)" to "([^"]+)"', problem.do)


@settings(deadline=None, max_examples=12)
@given(st.integers(0, 100_000))
def test_every_change_opens_and_a_little_less_does_not(seed):
    rng = np.random.default_rng(seed)
    low = np.round(rng.uniform(0, 20, 4), 1)
    high = np.round(low + rng.uniform(1, 20, 4), 1)
    high[3] = 100
    a, b = rng.choice(3, 2, replace=False)
    cut = round(float(low[a] + low[b] + rng.uniform(-8, 4)), 2)
    ratio = round(float(rng.uniform(0.5, 8)), 1)
    rules = [f"{NAMES[a]} + {NAMES[b]} <= {cut}", f"{NAMES[b]} >= {ratio} * {NAMES[a]}"]
    try:
        build(low, high, rules)
        return
    except StudyError as error:
        problems = error.problems
    if len(problems) > 1 or not problems[0].do.startswith("change one"):
        return
    bounds, changes = offered(problems[0])
    assert bounds or changes
    for name, side, value in bounds:
        j = NAMES.index(name)
        ends = high if side == "up" else low
        for share, opens in ((1.0, True), (0.97, False)):
            moved = ends.copy()
            moved[j] = value if opens else ends[j] + share * (value - ends[j])
            assert is_open(*((low, moved) if side == "up" else (moved, high)), rules) is opens
        assert len(f"{value:g}".lstrip("0.")) <= 6
    for old, new in changes:
        assert is_open(low, high, [new if r == old else r for r in rules])


def test_a_smallest_set_and_the_least_change_of_each_in_words():
    with pytest.raises(StudyError) as caught:
        build([0.3, 0.5, 3, 0], [0.8, 3, 12, 100], ["Wax + Oil <= 3.2", "Wax >= 0.1 * Gum"])
    (problem,) = caught.value.problems
    assert problem.got == (
        "no recipe obeys all of: Wax at least 0.5; Oil at least 3; Wax + Oil <= 3.2 "
        "(no smaller set of limits conflicts)"
    )
    assert problem.do == (
        'change one: change "Wax + Oil <= 3.2" to "Wax + Oil <= 3.5"; or let Wax go down to 0.2; '
        "or let Oil go down to 2.7 (each the least that opens the region; go further to have room)"
    )


@pytest.mark.parametrize(
    ("rule", "said"),
    [
        # By hand: Gum is at least 0.3 and Wax at most 3, so Wax / Gum reaches 10.
        ("Wax >= 12 * Gum", "Wax >= 10 * Gum"),
        ("Wax / Gum >= 12", "Wax / Gum >= 10"),
        # Wax at least 0.5, Gum at most 0.8: the ratio is never below 0.625, which is rounded away from the conflict.
        ("Wax / Gum <= 0.5", "Wax / Gum <= 0.625"),
        ("Gum >= 3 * Wax", "Gum >= 1.6 * Wax"),
        # Wax / (Gum + Oil) is at most 3 / 3.3 = 0.909.
        ("Wax / (Gum + Oil) >= 1.5", "Wax / (Gum + Oil) >= 0.9"),
        ("Wax = 20 * Gum", "Wax = 10 * Gum"),
    ],
)
def test_the_number_of_a_ratio_is_what_is_changed(rule, said):
    low, high = [0.3, 0.5, 3, 0], [0.8, 3, 12, 100]
    with pytest.raises(StudyError) as caught:
        build(low, high, [rule])
    (problem,) = caught.value.problems
    assert f'change "{rule}" to "{said}"' in problem.do
    assert is_open(low, high, [said])


def test_nothing_is_asked_to_go_below_0():
    with pytest.raises(StudyError) as caught:
        build([0.3, 2, 5, 94], [5, 5, 9, 100], [])
    (problem,) = caught.value.problems
    assert "Gum at least 0.3" in problem.got
    # 1.3 too much: Wax 0.7, Oil 3.7 or Water 92.7 would do, but not Gum, of which there is only 0.3.
    offers = "let Wax go down to 0.7; or let Oil go down to 3.7; or let Water go down to 92.7"
    assert problem.do.startswith(f"change one: {offers}")


def test_when_no_single_change_is_enough_several_are_named_together():
    low, high, rules = [0, 0, 0, 0], [5, 9, 9, 100], ["Wax = 1", "Wax = 2", "Wax = 3.5"]
    with pytest.raises(StudyError) as caught:
        build(low, high, rules)
    (problem,) = [p for p in caught.value.problems if p.do.startswith("change together")]
    changed = dict(offered(problem)[1])
    assert len(changed) > 1
    assert is_open(low, high, [changed.get(r, r) for r in rules])


def test_a_ratio_in_one_of_two_conflicts_keeps_its_number():
    # Gum 2 to 4 and Wax 1: the ratio is at most 1 / 2; the lower bounds are in the other conflict, and no level is
    # below 0 without them.
    with pytest.raises(StudyError) as caught:
        build([2, 0, 3, 0], [4, 1, 9, 100], ["Wax >= 3 * Gum", "Oil + Water >= 99", "Oil <= 2"])
    texts = " ".join(p.do for p in caught.value.problems)
    assert len(caught.value.problems) == 2
    assert ">= -" not in texts
    assert "let Oil go down to 2" in texts or "Oil <= 3" in texts


STUDY = """
[study]
name = "t"
[[ingredient]]
name = "Water"
qs = true
[[ingredient]]
name = "Wax"
low = 0.5
high = 3
assay = 0.4
[[ingredient]]
name = "Gum"
low = 0.3
high = 0.8
[[ingredient]]
name = "Salt"
level = 2.7
[[response]]
name = "y"
method = "m"
"""


@pytest.mark.parametrize(
    ("limit", "said"),
    [
        ('rule = "Wax + Salt <= 3"', 'change "Wax + Salt <= 3" to "Wax + Salt <= 3.2"'),
        # 3 x 0.4 = 1.2 active at most, over 0.3: a ratio of 4.
        ('rule = "Wax / Gum >= 5"\non = "active"', 'change "Wax / Gum >= 5 (active)" to "Wax / Gum >= 4"'),
        ('rule = "Wax + Gum >= 2.1"\non = "active"', 'change "Wax + Gum >= 2.1 (active)" to "Wax + Gum >= 2"'),
        ('rule = "Water >= 97"', 'change "Water >= 97" to "Water >= 96.5"'),
    ],
)
def test_fixed_ingredients_and_active_contents_stand_in_the_change(limit, said):
    with pytest.raises(StudyError) as caught:
        Study.from_toml(f"{STUDY}[[limit]]\n{limit}\n")
    (problem,) = [p for p in caught.value.problems if p.code == "empty-region"]
    assert said in problem.do
    old, new = said.removeprefix('change "').removesuffix('"').replace(" (active)", "").split('" to "')
    assert Study.from_toml(f"{STUDY}[[limit]]\n{limit.replace(old, new)}\n").region.dimension >= 0


def test_the_least_change_is_the_least_to_within_two_per_cent():
    with pytest.raises(StudyError) as caught:
        build([0.3, 3, 1, 0], [0.8, 8, 2, 100], ["Wax >= 30 * Gum"])
    (problem,) = caught.value.problems
    # 8 / 0.3 = 26.67: 26 would do too, but is not the least.
    assert 'to "Wax >= 26.6' in problem.do


def test_a_ratio_to_what_was_withdrawn_is_dropped_and_not_given_another_number():
    source = {
        "study": {"name": "Invented gel"},
        "ingredient": [
            {"name": "Water", "qs": True},
            {"name": "Gum", "low": 0.1, "high": 0.5},
            {"name": "Glycerin", "withdrawn": True},
        ],
        "limit": [{"rule": "Glycerin >= 8 * Gum"}],
        "response": [{"name": "Viscosity", "unit": "mPa.s"}],
    }
    with pytest.raises(StudyError) as caught:
        Study.from_dict(source)
    problem = next(p for p in caught.value.problems if p.code == "empty-region")
    assert 'drop "Glycerin >= 8 * Gum", or write it without Glycerin' in problem.do
    assert "-0.8" not in problem.do
