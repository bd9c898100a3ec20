"""Recipes on weighable steps: all of them listed by counting, in whole numbers, and compared."""

from decimal import Decimal
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe import PlanError, Region, Study, plan
from doe.definition.rules import parse_rule
from doe.definition.steps import fitting_step, nearest_steps, whole_steps
from doe.region.lattice import nearest, too_coarse

NAMES = ("Gum", "Wax", "Water")


def region(low, high, rules=(), fill="Water"):
    rows = [(dict(r.weights), r.low, r.high, text) for text in rules for r in parse_rule(text, NAMES)]
    return Region.build(NAMES, NAMES, 100.0, fill, low, high, rows)


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 100_000))
def test_a_recipe_is_found_where_counting_finds_one_and_it_is_the_nearest(seed):
    # Everything in hundredths: steps of 0.07 to 0.35 against bounds and a sum that need not fit them.
    rng = np.random.default_rng(seed)
    low = rng.integers(0, 60, 2)
    high = low + rng.integers(1, 40, 2)
    steps = rng.integers(7, 36, 2)
    cut = int((low + high).sum() // 2 + rng.integers(-10, 10))
    ranges = [range(0, h + 1, int(s)) for h, s in zip(high, steps, strict=True)]
    there = [p for p in product(*ranges) if all(p >= low) and sum(p) <= cut]
    try:
        made = region([*(low / 100).tolist(), 0], [*(high / 100).tolist(), 100], [f"Gum + Wax <= {Decimal(cut) / 100}"])
    except ValueError:
        assert not there
        return
    asked = {"Gum": steps[0] / 100, "Wax": steps[1] / 100}
    target = made.decoded(made.coded(made.interior))[0]
    found = nearest(made, asked, target)
    if not there:
        assert found is None
        assert nearest(made, asked) is None
        return
    assert tuple(np.round(found[:2] * 100).astype(int)) in there
    width = np.ptp([made.reach[n] for n in NAMES], axis=1)

    def far(x):
        return (np.abs(np.array([*x, 100 - sum(x)]) - target) / np.where(width > 0, width, 1)).sum()

    best = min(far(np.array(p) / 100) for p in there)
    assert far(found[:2]) == pytest.approx(best, abs=2e-6)


def test_the_step_that_would_do_is_named_and_does():
    # Gum 0.33 to 0.34 holds no multiple of 0.05, 0.025 or 0.01... but 0.33 and 0.34 are multiples of 0.01.
    made = region([0.33, 1, 0], [0.34, 3, 100])
    (found,) = too_coarse(made, {"Gum": 0.05, "Wax": 0.5})
    assert found.code == "no-step-recipe"
    assert found.got == "no recipe in steps of 0.05 of Gum; 0.5 of Wax obeys every limit"
    assert found.do == "take steps of 0.01 for Gum"
    assert not [p for p in too_coarse(made, {"Gum": 0.01, "Wax": 0.5}) if p.code == "no-step-recipe"]


def test_a_fixed_ratio_binds_the_steps_of_both():
    # Wax = 3.3 Gum: with Gum in steps of 0.1, Wax moves by 0.33.
    made = region([0.5, 0, 0], [0.9, 3, 100], ["Wax = 3.3 * Gum"])
    (found,) = too_coarse(made, {"Gum": 0.1, "Wax": 0.1})
    assert found.code == "no-step-recipe"
    # By counting: of 1.65, 1.98, 2.31, 2.64 and 2.97 only 1.65 is a multiple of 0.05, which would leave one recipe; of
    # 0.02 are 1.98 and 2.64.
    assert "steps of 0.02 for Wax" in found.do


def test_the_step_that_is_named_leaves_room_and_is_not_told_of_again():
    for low, high in ((0.3, 0.8), (0.33, 0.77), (1.0, 4.0), (0.02, 0.05), (12.5, 20.0)):
        step = fitting_step(low, high)
        assert len(whole_steps(low, high, step)) >= 3
        assert not too_coarse(region([low, 0, 0], [high, 3, 100]), {"Gum": step})
    # Both ends on it: 0.3 and 0.8 are multiples of 0.1, not of 0.2.
    assert fitting_step(0.3, 0.8) == 0.1
    # By hand: of 1, 2, 5 times a power of ten those next to the step that was asked for, with both ends on them.
    assert nearest_steps(0.1, 0.5, 0.03) == (0.02, 0.05)
    assert nearest_steps(2.0, 8.0, 0.7) == (0.5, 1.0)
    assert nearest_steps(0.25, 0.75, 0.2) == (0.05,)
    assert nearest_steps(0.0123, 0.5, 0.1) == (fitting_step(0.0123, 0.5),)


@pytest.mark.parametrize(
    ("high", "words"),
    [(0.37, "two levels within reach (0.3 and 0.35), so no bend"), (0.34, "one level within reach (0.3), so nothing")],
)
def test_steps_that_leave_too_little_to_learn_are_told(high, words):
    (found,) = too_coarse(region([0.3, 1, 0], [high, 3, 100]), {"Gum": 0.05})
    assert found.code == "few-steps"
    assert words in found.got
    step = float(found.do.split()[2])
    assert np.floor(high / step + 1e-9) - np.ceil(0.3 / step - 1e-9) >= 2


def wash(*ingredients, limits=(), design="", total=100):
    return Study.from_dict(
        {
            "study": {"name": "w", "total": total},
            "ingredient": list(ingredients),
            "limit": [{"rule": rule} for rule in limits],
            "response": [{"name": "y", "method": "m"}],
            "plan": {"model": "linear", "runs": 10, "seed": 3, **({"design": design} if design else {})},
        }
    )


def exactly_kept(study, design):
    """Every recipe in decimal arithmetic, as its numerals stand in plan.csv and JSON."""
    for _, row in design.table.iterrows():
        level = {name: Decimal(repr(float(row[name]))) for name in design.table.columns}
        assert sum(level[i.name] for i in study.ingredients) == Decimal(str(study.total))
        for item in study.ingredients:
            if item.step and item.role == "varied":
                assert level[item.name] % Decimal(str(item.step)) == 0
        for limit in study.limits:
            side = sum(Decimal(repr(w)) * level[n] for n, w in limit.weights.items())
            assert limit.low is None or side >= Decimal(repr(limit.low))
            assert limit.high is None or side <= Decimal(repr(limit.high))


GUM = {"name": "Gum", "low": 0.3, "high": 0.8, "step": 0.05}
HUMECTANT = {"name": "Humectant", "low": 2, "high": 6, "step": 0.5}
WAX = {"name": "Wax", "low": 0.5, "high": 3, "step": 0.25}
RULES = ["Humectant >= 6.5 * Gum", "Humectant + Wax <= 7.3", "Wax / Gum <= 7"]


@pytest.mark.parametrize("design", ["", "space-filling"])
def test_every_recipe_is_exact_in_decimals(design):
    study = wash({"name": "Water", "qs": True}, GUM, HUMECTANT, WAX, limits=RULES, design=design)
    made = plan(study)
    exactly_kept(study, made)
    if not design:
        assert 0.9 < made.quality.steps["efficiency_kept"] <= 1


def test_every_recipe_is_exact_where_nothing_takes_up_the_rest():
    rest = {"name": "Water", "low": 85, "high": 100, "step": 0.5}
    study = wash(rest, GUM, HUMECTANT, WAX, limits=RULES)
    exactly_kept(study, plan(study))


def test_proportions_are_exact_as_well():
    parts = [{"name": n, "low": 0.1, "high": 0.7, "step": 0.05} for n in "ABC"]
    study = wash(*parts, total=1)
    exactly_kept(study, plan(study))


def test_without_steps_nothing_is_said_of_them():
    free = [{k: v for k, v in item.items() if k != "step"} for item in (GUM, HUMECTANT)]
    study = wash({"name": "Water", "qs": True}, *free, limits=RULES[:1])
    made = plan(study)
    exactly_kept(study, made)
    assert "steps" not in made.quality.to_dict()


def test_a_plan_that_no_step_allows_is_refused_with_the_step_that_would_do():
    # Gum 0.35, 0.4 or 0.45 asks for Humectant 4.235 to 4.27, 4.84 to 4.88 or 5.445 to 5.49: no multiple of 0.5.
    ratio = ["Humectant >= 12.1 * Gum", "Humectant <= 12.2 * Gum"]
    study = wash({"name": "Water", "qs": True}, {**GUM, "low": 0.35, "high": 0.45}, HUMECTANT, limits=ratio)
    (told,) = [p for p in study.problems if p.code == "no-step-recipe"]
    # Of 0.25 only 4.25 is a multiple, one recipe; of 0.05 are 4.25, 4.85 and 5.45. And Humectant 4.5 or 5 can be had
    # with Gum 0.37 (12.16) or 0.41 (12.195).
    assert told.level == "warn"
    assert told.do == "take steps of 0.01 for Gum or steps of 0.05 for Humectant"
    with pytest.raises(PlanError, match=r"steps of 0\.05 for Humectant"):
        plan(study)
    finer = wash(
        {"name": "Water", "qs": True}, {**GUM, "low": 0.35, "high": 0.45}, {**HUMECTANT, "step": 0.25}, limits=ratio
    )
    assert not [p for p in finer.problems if p.code == "no-step-recipe"]
