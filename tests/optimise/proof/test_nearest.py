"""The recipe closest to all musts, against every recipe of whole steps that may be made. Data invented."""

from itertools import product

import numpy as np
import pandas as pd
import pytest

from doe import Study
from optimise import find, fit

STEPS = {"Gum": 0.1, "Wax": 0.5, "Oil": 0.5}


@pytest.fixture(scope="module")
def study():
    ingredients = [
        {"name": "Water", "qs": True, "price_per_kg": 0.02},
        {"name": "Gum", "low": 0.2, "high": 1.0, "step": 0.1, "price_per_kg": 16.0},
        {"name": "Wax", "low": 1.0, "high": 5.0, "step": 0.5, "price_per_kg": 9.0},
        {"name": "Oil", "low": 2.0, "high": 8.0, "step": 0.5, "price_per_kg": 5.0},
    ]
    responses = [
        {"name": "Thick", "method": "m", "aim": "above", "low": 13},
        {"name": "Soft", "method": "m", "aim": "above", "low": 4},
        {"name": "Cost", "from": "cost_per_kg", "aim": "below", "high": 0.5},
    ]
    return Study.from_dict(
        {
            "study": {"name": "t", "total": 100},
            "ingredient": ingredients,
            "response": responses,
            "plan": {"model": "quadratic"},
        }
    )


@pytest.fixture(scope="module")
def models(study):
    rng = np.random.default_rng(7)
    X = study.region.sample(24, 3)
    frame = pd.DataFrame(X, columns=study.region.names).assign(trial=[f"T{i:02d}" for i in range(24)])
    gum, wax, oil = (frame[name] for name in ("Gum", "Wax", "Oil"))
    frame["Thick"] = 4 + 6 * gum + 0.9 * wax + 0.1 * oil + rng.normal(0, 0.2, 24)
    frame["Soft"] = 7 - 3 * gum - 0.2 * wax + 0.25 * oil + rng.normal(0, 0.2, 24)
    return fit(study, study.results(frame))


def test_no_recipe_of_whole_steps_comes_closer(study, models):
    closest = find(study, models).closest
    marks = [
        np.round(np.arange(study.region.reach[n][0], study.region.reach[n][1] + s / 2, s), 6) for n, s in STEPS.items()
    ]
    grid = pd.DataFrame(list(product(*marks)), columns=list(STEPS))
    grid.insert(0, "Water", 100 - grid.sum(axis=1))
    grid = grid[models.inside(grid)].reset_index(drop=True)
    middle = pd.DataFrame([dict(study.region.centroid)])
    misses = []
    for name in ("Thick", "Soft"):
        size = models.predictive(name, middle)
        low, _ = models[name].window
        misses.append((low - models.predictive(name, grid).mean()) / (size.batch_scale @ size.weights)[0])
    # Cost per kg by hand, and half of what it reaches.
    prices = {"Gum": 16.0, "Wax": 9.0, "Oil": 5.0}
    cost = (0.02 * grid["Water"] + sum(price * grid[name] for name, price in prices.items())) / 100
    half = sum((price - 0.02) / 100 * np.ptp(study.region.reach[name]) / 2 for name, price in prices.items())
    misses.append((cost - 0.5) / half)
    worst = np.max(misses, axis=0)
    assert worst.min() > 0.1
    assert closest["worst_miss"] == pytest.approx(worst.min(), abs=0.02)
    at = (grid[list(STEPS)] - pd.Series(closest["levels"])[list(STEPS)].astype(float)).abs().sum(axis=1).idxmin()
    assert closest["worst_miss"] == pytest.approx(worst[at], rel=1e-6)
