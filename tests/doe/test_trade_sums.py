"""Checks of the trade as weights say of any recipe what the checks themselves say of it."""

import numpy as np
import pandas as pd
import pytest

from doe import Study
from doe.trade import TradeChecks
from doe.trade.sums import sums_of_checks

TOML = """
[study]
name = "invented"
market = "EU"
product = "leave-on"

[[ingredient]]
name = "Water"
qs = true
inci = "Aqua"
density = 1.0

[[ingredient]]
name = "Gum"
low = 0.2
high = 2.0
inci = "Xanthan Gum"
use_high = 1.0
choice = [{ name = "Gum A" }, { name = "Gum B", use_high = 1.5 }]

[[ingredient]]
name = "Glycerin"
low = 1
high = 5
inci = "Glycerin"

[[ingredient]]
name = "Emulsifier"
low = 0.5
high = 3
hlb = 12

[[ingredient]]
name = "Oil"
low = 5
high = 20
required_hlb = 10
density = 0.9

[[ingredient]]
name = "Keeper"
low = 0.5
high = 1.5
inci = "Phenoxyethanol"

[[response]]
name = "Y"
method = "m"
aim = "above"
low = 1
sd = 0.2
"""


@pytest.fixture(scope="module")
def study():
    return Study.from_toml(TOML)


def test_they_say_what_the_checks_say_at_any_recipe(study):
    sums = sums_of_checks(study)
    assert {one["code"] for one in sums} == {"K11", "K46", "use-range", "emulsifier-share"}
    names = list(study.region.names)
    X = study.region.sample(300, seed=6)
    combos = study.region.combinations
    materials = [combos[i % len(combos)]["material: Gum"] for i in range(300)]
    levels = study.complete(pd.DataFrame(X, columns=names).assign(**{"material: Gum": materials}))
    exported, seen = {one["code"] for one in sums}, 0
    for x, material, known in zip(X, materials, TradeChecks(study).each(levels), strict=True):
        told = set()
        for one in sums:
            if one["materials"] != {"material: Gum": material}:
                continue
            value = np.dot(one["weights"], x) + one["constant"]
            if one["under"] is not None:
                value /= np.dot(one["under"]["weights"], x) + one["under"]["constant"]
            low = -np.inf if one["low"] is None else one["low"]
            high = np.inf if one["high"] is None else one["high"]
            if value < low - 1e-9 or value > high + 1e-9:
                told.add((one["code"], one["where"], one["allowed"]))
        assert told == {(p.code, p.where, p.allowed) for p in known if p.code in exported}
        seen += len(told)
    assert seen > 100


def test_words_have_a_hole_for_the_value(study):
    (law,) = (one for one in sums_of_checks(study) if one["code"] == "K11" and "Gum A" in one["materials"].values())
    assert law["got"].startswith("{} %")
    assert law["level"] == "stop"
