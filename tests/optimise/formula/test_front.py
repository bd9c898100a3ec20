"""The front between two aims against many recipes drawn over the region. Data invented, truth known."""

import numpy as np
import pandas as pd
import pytest

from doe import Study
from optimise import find, fit
from optimise.formula.brief import Brief

SOURCE = {
    "study": {"name": "front", "total": 100},
    "ingredient": [
        {"name": "Water", "qs": True, "price_per_kg": 0},
        {"name": "Gum", "low": 0.3, "high": 1.2, "choice": [
            {"name": "Firm", "price_per_kg": 14}, {"name": "Soft", "price_per_kg": 18}]},
        {"name": "Oil", "low": 4, "high": 12, "price_per_kg": 4},
        {"name": "Base", "low": 1.5, "high": 4, "price_per_kg": 16},
    ],
    "response": [
        {"name": "Thick", "aim": "within", "low": 11.2, "high": 13.2, "method": "m"},
        {"name": "Loose", "aim": "below", "high": 2, "method": "m"},
        {"name": "Tack", "aim": "below", "high": 9, "must": False, "method": "m"},
        {"name": "Cost", "aim": "below", "high": 1.05, "from": "cost_per_kg"},
    ],
    "plan": {"model": {"blend": "quadratic", "cross": "full"}},
}  # fmt: skip


def truth(gum, oil, base, firm):
    thick = np.where(firm, 15 * gum, 22 * gum - 6) + 0.3 * (oil - 8) + 0.5 * (base - 2.8)
    loose = 1.8 - 0.9 * (base - 2.8) + 0.1 * (oil - 8) - 0.3 * firm
    return thick, loose, np.where(firm, 5.5 + 4 * (gum - 0.6), 2 + 3 * (gum - 0.8)) + 0.1 * (oil - 8)


@pytest.fixture(scope="module")
def made():
    study = Study.from_dict(SOURCE)
    rng = np.random.default_rng(5)
    gum, oil, base = rng.uniform(0.3, 1.2, 36), rng.uniform(4, 12, 36), rng.uniform(1.5, 4, 36)
    firm = np.arange(36) % 2 == 0
    frame = pd.DataFrame({"trial": [f"A{i:02d}" for i in range(36)], "Water": 100 - gum - oil - base, "Gum": gum,
                          "Oil": oil, "Base": base, "material: Gum": np.where(firm, "Firm", "Soft")})  # fmt: skip
    noise = rng.normal(size=(3, 36)) * [[0.5], [0.15], [0.2]]
    for name, values in zip(("Thick", "Loose", "Tack"), np.array(truth(gum, oil, base, firm)) + noise, strict=True):
        frame[name] = values
    return study, fit(study, study.results(frame))


def test_a_front_between_two_aims_leaves_no_better_recipe_of_another_material(made):
    # Each material is the only way to one end of the front: the least tack, or the least cost.
    study, models = made
    against = ("Tack", "Cost")
    best = find(study, models, against=against)
    rng = np.random.default_rng(1)
    gum, oil, base = rng.uniform(0.3, 1.2, 1500), rng.uniform(4, 12, 1500), rng.uniform(1.5, 4, 1500)
    drawn = pd.DataFrame({"Water": 100 - gum - oil - base, "Gum": gum, "Oil": oil, "Base": base,
                          "material: Gum": np.where(np.arange(1500) % 2 == 0, "Firm", "Soft")})  # fmt: skip
    chosen = {"material: Gum": drawn["material: Gum"].to_numpy()}
    brief = Brief.of(study, models, "chance")
    X = drawn[list(study.region.names)].to_numpy(float)
    keeps = np.exp(brief.goal.score(X, chosen)) >= 0.9 * best.chance
    keeps &= models.fence.inside(X, chosen)
    drawn = drawn[keeps]
    cost = (14 + 4 * (drawn["material: Gum"] == "Soft")) * drawn["Gum"] + 4 * drawn["Oil"] + 16 * drawn["Base"]
    values = {"Cost": cost.to_numpy() / 100, "Tack": models.predict(drawn)["Tack"]["predicted"].to_numpy(float)}
    allowed = values["Cost"] <= 1.05
    first, second = (values[name][allowed] for name in against)
    rows = [[row["values"][name] for name in against] for row in best.front]
    assert len(rows) >= 2
    for mine, ceiling in rows:
        assert first[second <= ceiling].min(initial=np.inf) > mine - 0.25


def two_factors(aims, truths):
    """Trials over a square, each response by its truth, hardly any scatter."""
    factors = [{"name": name, "low": -2, "high": 2} for name in "ab"]
    responses = [{"name": name, "unit": "u", "method": "m", **aim} for name, aim in aims.items()]
    study = Study.from_dict({"study": {"name": "ends"}, "factor": factors, "response": responses})
    a, b = np.array([(a, b) for a in (-2, 0, 2) for b in (-2, 0, 2)] * 2, dtype=float).T
    frame = pd.DataFrame({"a": a, "b": b}, index=[f"R{i}" for i in range(18)])
    rng = np.random.default_rng(0)
    for name, truth in truths.items():
        frame[name] = truth(a, b) + 0.02 * rng.normal(size=18)
    return study, fit(study, study.results(frame))


@pytest.mark.parametrize(
    ("aims", "truths", "ends"),
    [
        # Both are a, wanted at 0 and at 1: every recipe between is on the front, and none beyond.
        (({"aim": "target", "target": 0}, {"aim": "target", "target": 1}), (lambda a, b: a, lambda a, b: a), (0, 1)),
        # The most of Z, which is 2, is at a = 2 and b = 0 alone, the least of Y is far from it.
        (({"aim": "below", "target": -3}, {"aim": "above", "target": 3}),
         (lambda a, b: a + b, lambda a, b: a - b**2 / 2), (-4, 2)),
        # In the middle of its window Y is best, and Z best at a = 2 and b = 0 again.
        (({"aim": "within"}, {"aim": "above", "target": 3}), (lambda a, b: a + b, lambda a, b: a - b**2 / 2), (0, 2)),
    ],
)  # fmt: skip
@pytest.mark.parametrize("turned", [False, True])
def test_a_front_goes_from_the_best_of_one_aim_to_the_best_of_the_other(aims, truths, ends, turned):
    """Known by arithmetic; a twentieth of the way is left for the last step and for the scatter."""
    limits = {
        "above": {"low": -9},
        "below": {"high": 9},
        "target": {"low": -9, "high": 9},
        "within": {"low": -9, "high": 9},
    }
    names = ("Y", "Z")
    study, models = two_factors(
        {name: {**limits[aim["aim"]], **aim} for name, aim in zip(names, aims, strict=True)},
        dict(zip(names, truths, strict=True)),
    )
    rows = find(study, models, against=names[::-1] if turned else names).front
    for name, end in zip(names, ends, strict=True):
        values = [row["values"][name] for row in rows]
        assert min(abs(value - end) for value in values) < 0.05 * max(abs(value - end) for value in values) + 0.05
