"""Cost is exact: the sum of level times price, by hand."""

import numpy as np
import pandas as pd
import pytest

from doe import Study, Unavailable
from doe.costs import cost_per_kg, cost_range

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
