"""What the page computes from holds all that the models know: leverage, chances, places to start, from plain data."""

import base64
import json

import numpy as np
import pandas as pd
import pytest

from doe import Study, plan
from optimise import find, fit
from optimise.formula.livemodel import live_model
from optimise.models.chance import copula_nodes
from reports.documents import plain_data

TOML = """
[study]
name = "invented"

[[ingredient]]
name = "Water"
qs = true

[[ingredient]]
name = "Gum"
low = 0.2
high = 1.0
or_none = true
choice = [{ name = "A" }, { name = "B", high = 0.8 }, { name = "C" }]

[[ingredient]]
name = "Wax"
low = 1
high = 5

[[factor]]
name = "Speed"
low = 100
high = 500

[[response]]
name = "Y"
unit = "u"
method = "m"
aim = "above"
low = 4
sd = 0.3

[[response]]
name = "Z"
unit = "u"
method = "m"
aim = "below"
high = 9
sd = 0.3

[plan]
model = "linear"
runs = 24
"""

ONLY_CATEGORIES = """
[study]
name = "invented"

[[factor]]
name = "Blade"
levels = ["anchor", "paddle", "toothed"]

[[factor]]
name = "Bowl"
levels = ["steel", "glass"]

[[response]]
name = "Y"
unit = "u"
method = "m"
aim = "above"
low = 4
sd = 0.3

[plan]
model = "linear"
runs = 12
"""


def fitted(text, surface):
    study = Study.from_toml(text)
    design = plan(study)
    rng = np.random.default_rng(3)
    columns = {name: values + 0.3 * rng.normal(size=len(design.table)) for name, values in surface(design.table)}
    results = study.results(pd.DataFrame(columns, index=design.table.index), design=design)
    return study, fit(study, results)


@pytest.fixture(scope="module")
def models():
    def surface(table):
        wax = table["Wax"].to_numpy(dtype=float)
        yield "Y", 4 + 0.4 * wax + 0.5 * (table["material: Gum"] == "B").to_numpy(dtype=float)
        yield "Z", 5 + 0.6 * wax + 2 * table["Gum"].to_numpy(dtype=float)

    return fitted(TOML, surface)[1]


def of_json(value):
    return json.loads(json.dumps(plain_data(value)))


def test_the_fence_can_be_rebuilt_from_its_data_alone(models):
    study = models.study
    kept = of_json(models.to_dict())["fence"]
    X = study.region.sample(40, seed=2)
    combos = study.region.combinations
    chosen = {name: np.array([combos[i % len(combos)][name] for i in range(40)]) for name in study.region.categories}
    known = models.fence.leverage(X, {name: values.astype(object) for name, values in chosen.items()})
    names, shift, scale = study.region.names, kept["coding"]["shift"], kept["coding"]["scale"]
    for i, (x, leverage) in enumerate(zip(X, known, strict=True)):
        level = {name: (v - shift[name]) / scale[name] for name, v in zip(names, x, strict=True)}
        for label, contrast in kept["contrasts"].items():
            level[label] = contrast["at"][chosen[contrast["category"]][i]]
        row = np.array([np.prod([level[n] ** p for n, p in term["powers"].items()]) for term in kept["terms"]])
        assert row @ np.array(kept["unscaled"]) @ row == pytest.approx(leverage, rel=1e-9)
    assert kept["limit"] == models.fence.limit


def test_nodes_are_the_very_ones_of_the_chance(models):
    kept = live_model(models.study, models)["chance"]
    base, shifts = copula_nodes(len(kept["musts"]) - 1)
    nodes = np.frombuffer(base64.b64decode(kept["nodes"]), dtype="<u4") / 2**30
    assert np.array_equal(nodes.reshape(base.shape), base)
    assert np.array_equal(kept["shifts"], shifts)


def test_every_combination_has_a_place_to_start_inside_its_limits(models):
    region = of_json(live_model(models.study, models))["region"]
    assert len(region["combos"]) == len(models.study.region.combinations)
    for combo in region["combos"]:
        chosen = {name: np.array([level], dtype=object) for name, level in zip(region["categories"], combo["levels"],
                                                                              strict=True)}  # fmt: skip
        assert models.study.region.contains([combo["anchor"]], chosen=chosen)[0]
    made = sum(len(combo["made"]) for combo in region["combos"])
    assert 0 < made <= len(models.tried)


def test_categories_alone_go_through_the_whole_job():
    def surface(table):
        yield "Y", 4.5 + (table["Blade"] == "paddle").to_numpy(dtype=float) - (table["Bowl"] == "glass").to_numpy(float)

    study, models = fitted(ONLY_CATEGORIES, surface)
    best = find(study, models)
    assert best.factors == {"Blade": "paddle", "Bowl": "steel"}
    kept = of_json(live_model(study, models))
    assert kept["region"]["names"] == []
    assert len(kept["region"]["combos"]) == 6
