"""Sides of musts as misses: by hand at one recipe, and slopes and bends against differences. Invented surfaces."""

from functools import cache

import numpy as np
import pandas as pd
import pytest

from doe import Study
from optimise import fit
from optimise.formula.bends import Plane
from optimise.formula.brief import Brief
from optimise.formula.space import Space
from optimise.formula.specs import Misses, fitted_specs, specs_of

LIMITS = {"Gum": (0.2, 1.0), "Wax": (1.0, 5.0)}


@cache
def brief():
    varied = [{"name": n, "low": low, "high": high, "price_per_kg": 10} for n, (low, high) in LIMITS.items()]
    study = Study.from_dict(
        {
            "study": {"name": "sides"},
            "ingredient": [{"name": "Water", "qs": True, "price_per_kg": 0}, *varied],
            "response": [
                {"name": "Thick", "method": "m", "aim": "within", "low": 3, "high": 6, "scale": "log"},
                {"name": "Soft", "method": "m", "aim": "above", "low": 5},
                {"name": "Seen", "method": "m", "aim": "watch"},
                {"name": "Cost", "from": "cost_per_kg", "aim": "below", "high": 0.3},
            ],
        }
    )
    X = study.region.sample(18, seed=3)
    frame = study.complete(pd.DataFrame(X, columns=list(study.region.names), index=[f"H{i}" for i in range(18)]))
    rng = np.random.default_rng(4)
    frame["Thick"] = np.exp(0.5 + 1.2 * frame["Gum"] + 0.1 * frame["Wax"] + 0.05 * rng.normal(size=18))
    frame["Soft"] = 4 + 0.6 * frame["Wax"] - 1.5 * (frame["Gum"] - 0.6) ** 2 + 0.1 * rng.normal(size=18)
    frame["Seen"] = rng.normal(size=18)
    models = fit(study, study.results(frame))
    return Brief.of(study, models, "chance"), models


def test_a_miss_is_what_lacks_in_sds_of_a_batch_or_in_half_the_reach_of_what_is_exact():
    asked, models = brief()
    space = Space.build(asked.study)
    specs = specs_of(asked, space)
    assert [(s.response, s.side) for s in specs] == [
        ("Thick", "low"), ("Thick", "high"), ("Soft", "low"), ("Cost", "high"),
    ]  # fmt: skip
    recipe = asked.study.complete(pd.DataFrame([{"Gum": 0.5, "Wax": 2.0}]))
    X = recipe[list(asked.study.region.names)].to_numpy(dtype=float)
    (found,) = Misses.of(specs).many(X, {})
    law = models["Thick"].predictive(recipe)
    centre, low, high, soft, cost = float(law.mean()[0]), np.log(3), np.log(6), specs[2], found[3]
    assert found[:2] * specs[0].size == pytest.approx([low - centre, centre - high])
    assert found[2] == pytest.approx((5 - float(models["Soft"].predictive(recipe).mean()[0])) / soft.size)
    # 10 a kilogram: 0.25 in this recipe; half its reach is 0.04 of gum and 0.2 of wax.
    assert cost == pytest.approx((0.25 - 0.3) / 0.24)
    assert specs[0].value(float(found[0])) == pytest.approx(float(np.exp(centre)))


def test_slopes_and_bends_of_misses_are_those_of_differences():
    asked, _ = brief()
    space = Space.build(asked.study)
    centre = space.region.decoded(space.centre[None])
    misses = Misses.of(fitted_specs(asked, centre, {}))
    value, slope, bend = misses.fitted_bent(Plane(space.origin, space.basis, {}))(np.array([[0.2, -0.4]]))
    step = 1e-4

    def at(*moves):
        U = np.array([0.2, -0.4]) + step * np.array(moves)
        return misses.many(space.origin + U @ space.basis.T, {})

    assert value == pytest.approx(at([0, 0]))
    for j, own in enumerate(np.eye(2)):
        ahead, here, back = at(own, [0, 0], -own)
        assert slope[0, :, j] == pytest.approx((ahead - back) / (2 * step), abs=1e-6)
        assert bend[0, :, j, j] == pytest.approx((ahead - 2 * here + back) / step**2, abs=1e-4)
