"""Tolerances of a formula: any recipe within all of them at once keeps 0.9 of the chance, the limits, the fence."""

import numpy as np
import pandas as pd
import pytest

from doe import Study
from optimise.formula.brief import Brief
from optimise.formula.peaks import Multistart
from optimise.formula.space import Space
from optimise.formula.tolerances import KEEP, joint_tolerances, ways
from optimise.formula.weighed import weighed_chance
from optimise.models.aims import desirability
from optimise.models.models import fit
from optimise.search import find

BOX = [
    {"name": "Water", "qs": True},
    {"name": "Gum", "low": 0.2, "high": 1.0},
    {"name": "Wax", "low": 1.0, "high": 5.0},
    {"name": "Oil", "low": 2.0, "high": 8.0},
]
SIMPLEX = [{"name": name, "low": 5, "high": 80} for name in ("Gum", "Wax", "Oil")]


def modelled(ingredients, seed, wide, **more):
    """A study of two responses over a blend, and its models, from simulated trials (made up)."""
    source = {
        "study": {"name": "allowance"},
        "ingredient": ingredients,
        "response": [
            {"name": "Thick", "method": "m", "aim": "within", "low": 5 - wide, "high": 5 + wide},
            {"name": "Soft", "method": "m", "aim": "above", "low": 4.0},
        ],
        "plan": {"model": "quadratic"},
        **more,
    }
    study = Study.from_dict(source)
    region, rng = study.region, np.random.default_rng(seed)
    frame = study.complete(pd.DataFrame(region.sample(24, seed=seed), columns=list(region.names)))
    u = (frame[["Gum", "Wax", "Oil"]] - frame[["Gum", "Wax", "Oil"]].mean()) / frame[["Gum", "Wax", "Oil"]].std()
    frame["Thick"] = 5 + u["Gum"] + 0.4 * u["Wax"] * u["Oil"] + 0.3 * rng.normal(size=24)
    frame["Soft"] = 5 - 0.6 * u["Gum"] - 0.3 * u["Oil"] ** 2 + 0.3 * rng.normal(size=24)
    return study, fit(study, study.results(frame))


@pytest.mark.parametrize("objective", ["chance", "desirability"])
@pytest.mark.parametrize(
    "ingredients,more", [(BOX, {}), (BOX, {"limit": [{"rule": "Wax + Oil <= 9"}]}), (SIMPLEX, {})],
    ids=["box", "with a limit", "no fill"],
)  # fmt: skip
def test_all_at_will_within_theirs(ingredients, more, objective):
    study, models = modelled(ingredients, 3, 1.2, **more)
    best = find(study, models, objective=objective)
    multistart = Multistart(Brief.of(study, models, objective), Space.build(study), objective, models.fence)
    region = study.region
    x = best.levels[list(region.names)].to_numpy(dtype=float)[0]
    moves = ways(region, x)
    assert set(best.tolerances) == set(moves)
    ends = np.array([best.tolerances[name] for name in moves])
    at = np.array([x[region.names.index(name)] for name in moves])
    rng = np.random.default_rng(8)
    inner = ends[:, 0] + rng.random((4000, len(ends))) * (ends[:, 1] - ends[:, 0])
    outer = np.where(rng.random((1000, len(ends))) < 0.5, ends[:, 0], ends[:, 1])
    X = x + (np.vstack([inner, outer]) - at) @ np.array(list(moves.values()))
    assert region.contains(X).all()
    assert models.fence.inside(X, {}).all()
    kept = np.exp(multistart.score_levels(X, {}) - multistart.score_levels(x[None], {}))
    assert kept.min() >= KEEP - 1e-6
    # It is not small without need: half as far again, somewhere the chance, a limit or the fence is lost.
    far = x + 1.5 * (outer - at) @ np.array(list(moves.values()))
    lost = np.exp(multistart.score_levels(far, {}) - multistart.score_levels(x[None], {})) < KEEP
    assert (lost | ~region.contains(far) | ~models.fence.inside(far, {})).any()


def test_ends_can_be_read_on_a_batch_sheet():
    study, models = modelled(BOX, 3, 1.2)
    best = find(study, models)
    for name, (low, high) in best.tolerances.items():
        assert low <= best.blend[name] <= high
        for end in {low, high} - {best.blend[name]}:
            assert len(f"{end / 10 ** np.floor(np.log10(high - low)):.6f}".rstrip("0").partition(".")[2]) <= 1


def test_a_sharp_peak_leaves_little_and_nothing_moves_leaves_nothing():
    study, models = modelled(BOX, 3, 0.35)
    narrow, wide = find(study, models).tolerances, find(*modelled(BOX, 3, 2.5)).tolerances
    size = lambda ends: np.mean([high - low for low, high in ends.values()])  # noqa: E731
    assert size(narrow) < size(wide)
    multistart = Multistart(Brief.of(study, models, "chance"), Space.build(study), "chance", models.fence)
    x = np.array([91.0, 0.6, 3.0, 5.4])
    away = joint_tolerances(multistart, x, {})
    assert all(low <= level <= high for (low, high), level in zip(away.values(), x[1:], strict=True))


def test_the_chance_as_weighed_against_plain_simulation():
    """The average over 4 000 batches weighed with rectangular errors; without errors the chance itself."""
    study, models = modelled(BOX, 3, 1.2)
    frame = find(study, models).levels
    assert weighed_chance(models, frame, 0.0)[0] == pytest.approx(models.chance(frame).iloc[0], abs=1e-12)
    rng, names = np.random.default_rng(4), [item["name"] for item in BOX]
    grams = frame[names].to_numpy(dtype=float) * rng.uniform(0.9, 1.1, (4000, 4))
    made = pd.DataFrame(grams / grams.sum(axis=1, keepdims=True) * 100, columns=names)
    simulated = models.chance(made.drop(columns="Water"))
    close = 4 * simulated.std() / np.sqrt(64) / 4 + 0.004
    assert weighed_chance(models, frame, 0.1)[0] == pytest.approx(simulated.mean(), abs=close)
    assert weighed_chance(models, frame)[0] == weighed_chance(models, frame, study.make.weigh_tolerance)[0]


def test_the_cheapest_with_practically_the_same_chance():
    """Limits so wide that much passes: the dear ingredient can be saved. Where nothing is priced there is none."""
    priced = [{**item, "price_per_kg": price} for item, price in zip(BOX, (0.1, 20.0, 9.0, 5.0), strict=True)]
    cost = {"name": "Cost", "unit": "EUR/kg", "from": "cost_per_kg", "aim": "watch"}
    study, models = modelled(priced, 3, 4.0, response=[
        {"name": "Thick", "method": "m", "aim": "within", "low": 1, "high": 9},
        {"name": "Soft", "method": "m", "aim": "above", "low": 3.0}, cost,
    ])  # fmt: skip
    best = find(study, models)
    saved = best.cheapest
    assert saved is not None
    assert saved["cost_per_kg"] < 0.995 * best.cost_per_kg
    assert saved["chance_all"] >= 0.98 * best.chance
    assert sum(saved["blend"].values()) == pytest.approx(100, abs=1e-9)
    assert models.inside(pd.DataFrame([saved["blend"]])).all()
    assert find(*modelled(BOX, 3, 1.2)).cheapest is None


def test_a_small_desirability_counts_as_what_it_is():
    """The score is the log of the geometric mean (Derringer & Suich 1980), also where one share is next to nothing."""
    asked = [
        {"name": "Thick", "method": "m", "aim": "target", "low": 3.8, "target": 5.0, "high": 6.2},
        {"name": "Soft", "method": "m", "aim": "above", "low": 4.0, "target": 6.0},
    ]
    study, models = modelled(BOX, 3, 1.2, response=asked)
    brief = Brief.of(study, models, "desirability")
    multistart = Multistart(brief, Space.build(study), "desirability", None)
    X = study.region.sample(4000, seed=3)
    values = [one.values(X, multistart.space.chosen({}, len(X))) for one in brief.properties]
    each = [desirability(one.response, at)[0] for one, at in zip(brief.properties, values, strict=True)]
    small = (np.min(each, axis=0) > 0) & (np.min(each, axis=0) < 0.02)
    assert small.sum() > 5
    wanted = np.exp(np.mean(np.log(np.array(each)[:, small]), axis=0))
    assert np.exp(multistart.score_levels(X[small], {})) == pytest.approx(wanted, rel=1e-9)


def test_an_end_at_a_limit_is_that_limit():
    """The most of Gum is best by arithmetic, so that the others stand at 0: not a last digit below, nor minus 0."""
    study = Study.from_dict(
        {
            "study": {"name": "corner", "total": 1},
            "ingredient": [{"name": name, "low": 0, "high": 1} for name in ("Gum", "Wax", "Oil")],
            "response": [{"name": "Thick", "unit": "u", "method": "m", "aim": "above", "low": 5, "target": 9}],
            "plan": {"model": "linear"},
        }
    )
    rng = np.random.default_rng(1)
    shares = np.array([(1, 0, 0), (0, 1, 0), (0, 0, 1), (0.5, 0.5, 0), (0.5, 0, 0.5), (0, 0.5, 0.5)] * 2, dtype=float)
    frame = pd.DataFrame(shares, columns=["Gum", "Wax", "Oil"], index=[f"R{i}" for i in range(12)])
    frame["Thick"] = shares @ [8.0, 5.0, 3.0] + 0.1 * rng.normal(size=12)
    best = find(study, fit(study, study.results(frame)), objective="desirability")
    assert best.blend["Gum"] == pytest.approx(1.0, abs=1e-9)
    for low, high in best.tolerances.values():
        assert str(low) == "0.0"
        assert high > 0
