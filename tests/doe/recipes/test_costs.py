"""Cost is exact: the sum of level times price, by hand."""

import numpy as np
import pandas as pd
import pytest

from doe import Study, Unavailable
from doe.recipes.costs import cost_per_kg, cost_range, exact_range, exact_values

TOML = """
[study]
name = "Prices"

[[ingredient]]
name = "Water"
qs = true
price_per_kg = 0.01

[[ingredient]]
name = "Gum"
low = 0.2
high = 1.0
price_per_kg = 18

[[ingredient]]
name = "Fragrance"
level = 0.3
price_per_kg = 40
"""


def test_cost_by_hand():
    study = Study.from_toml(TOML)
    recipes = study.complete(pd.DataFrame({"Gum": [0.2, 1.0]}))
    # 99.5 % x 0.01 + 0.2 % x 18 + 0.3 % x 40 = 0.00995 + 0.036 + 0.12
    assert cost_per_kg(study, recipes) == pytest.approx([0.16595, 0.98700 * 0.01 + 0.18 + 0.12])
    assert cost_range(study) == pytest.approx((0.16595, 0.30987))
    assert np.allclose(recipes.sum(axis=1), 100, atol=1e-12)


def test_a_missing_price_is_named():
    study = Study.from_toml(TOML.replace("price_per_kg = 18\n", ""))
    assert isinstance(cost_range(study), Unavailable)
    assert "Gum" in cost_range(study).reason


def many(**more):
    rng = np.random.default_rng(7)
    items = [{"name": "Water", "qs": True, "price_per_kg": 0.1}]
    for i in range(6):
        low = float(rng.uniform(0, 2))
        high = low + float(rng.uniform(1, 4))
        items.append({"name": f"x{i}", "low": low, "high": high, "price_per_kg": float(rng.uniform(1, 30))})
    limits = [{"rule": "x0 + x1 <= 4"}, {"rule": "x2 >= 0.5 * x3"}, {"rule": "x4 / x5 <= 3"}]
    return {"study": {"name": "many"}, "ingredient": items, "limit": limits, **more}


def test_the_range_of_cost_is_that_of_the_corners():
    study = Study.from_dict(many())
    corners = cost_per_kg(study, study.complete(study.region.vertices()))
    assert cost_range(study) == pytest.approx((corners.min(), corners.max()), rel=1e-9)
    inside = cost_per_kg(study, study.complete(pd.DataFrame(study.region.sample(200, 1), columns=study.region.names)))
    assert cost_range(study)[0] <= inside.min() <= inside.max() <= cost_range(study)[1]


def test_the_range_of_a_sum_over_a_box_with_factors_is_in_closed_form():
    names = [f"z{i}" for i in range(30)]
    study = Study.from_dict(
        {
            "study": {"name": "box"},
            "factor": [{"name": n, "low": -i, "high": 2 * i + 1} for i, n in enumerate(names)],
            "response": [{"name": "Sum", "from": " - ".join(names)}],
        }
    )
    # z0 - z1 - ... : least at z0 = 0 and all else high, most at z0 = 1 and all else low. A box of 2^30 corners.
    low, high = exact_range(study, study.response("Sum"))
    assert low == pytest.approx(-sum(2 * i + 1 for i in range(1, 30)))
    assert high == pytest.approx(1 + sum(range(1, 30)))


def test_a_sum_of_fixed_things_is_one_number():
    source = many(response=[{"name": "Held", "from": "2 * Salt"}])
    source["ingredient"].append({"name": "Salt", "level": 0.4, "price_per_kg": 1})
    study = Study.from_dict(source)
    assert exact_range(study, study.response("Held")) == pytest.approx((0.8, 0.8))
    frame = study.complete(study.region.vertices())
    assert exact_values(study, study.response("Held"), frame) == pytest.approx(np.full(len(frame), 0.8))


def test_a_quantity_without_its_facts_is_unavailable_not_nothing():
    study = Study.from_dict(many(response=[{"name": "Natural", "from": "natural_origin"}]))
    value = exact_range(study, study.response("Natural"))
    assert isinstance(value, Unavailable)
    assert "natural_share for x0, x1" in value.reason
