"""The chance with new lots, and as a bench weighs, against plain simulation by other random numbers. Data invented."""

import numpy as np
import pandas as pd
import pytest

from doe import Study
from doe.problems import StudyError, Unavailable
from optimise import find, fit
from optimise.formula.lots import lot_chance, lot_spread
from optimise.formula.weighed import weighed_chance, weighed_findings, weighed_most

SOURCE = """
[study]
name = "Lots (invented)"
batch_g = 400

[[ingredient]]
name = "Water"
qs = true

[[ingredient]]
name = "Gum"
low = 0.3
high = 0.8
lot_sd = "8 %"

[[ingredient]]
name = "Oil"
low = 2
high = 6

[[response]]
name = "Viscosity"
unit = "mPa.s"
scale = "log"
aim = "within"
low = 15000
high = 22000

[[response]]
name = "Feel"
unit = "score"
aim = "above"
low = 3

[plan]
design = "optimal"
model = "linear"
runs = 12
"""


def fitted(text=SOURCE):
    study = Study.from_toml(text)
    rng = np.random.default_rng(5)
    rows = []
    for gum in (0.3, 0.45, 0.65, 0.8):
        for oil in (2.0, 4.0, 6.0):
            viscosity = 18000 * (gum / 0.55) ** 2 * np.exp(0.05 * (oil - 4) + 0.04 * rng.standard_normal())
            rows.append((gum, oil, viscosity, 2.6 + 0.2 * oil + 0.1 * rng.standard_normal()))
    frame = pd.DataFrame(rows, columns=["Gum", "Oil", "Viscosity", "Feel"], index=[f"A{n}" for n in range(12)])
    return study, fit(study, study.results(frame))


AT = pd.DataFrame({"Gum": [0.55, 0.5, 0.6], "Oil": [4.0, 5.0, 3.0]}, index=list("abc"))


@pytest.fixture(scope="module")
def models():
    return fitted()[1]


def plainly(models, frame, lots, draws=4000, seed=1):
    """By brute force: one pseudo-random lot after another goes into the recipe, water takes up the rest."""
    rng = np.random.default_rng(seed)
    out = []
    for _, row in frame.iterrows():
        many = pd.DataFrame([row] * draws).reset_index(drop=True)
        for name, sd in lots.items():
            many[name] *= 1 + sd * rng.standard_normal(draws)
        out.append(models.chance(many).to_numpy())
    return np.array(out)


def test_the_chance_over_lots_is_that_of_plain_simulation(models):
    found = lot_chance(models, AT)
    each = plainly(models, AT, {"Gum": 0.08})
    assert found.spread == {"Gum": 0.08}
    error = each.std(axis=1) / np.sqrt(each.shape[1])
    assert np.all(np.abs(found.chance - each.mean(axis=1)) < 4 * error + 1e-3)
    assert found.nine_of_ten == pytest.approx(np.quantile(each, 0.1, axis=1), abs=0.02)
    # It matters here: a lot sd of 8 % moves a thickness that goes with the square of the gum by 16 %.
    assert np.all(found.chance < models.chance(AT).to_numpy() - 0.02)


def test_a_small_spread_is_an_extra_variance():
    """First order, in closed form: log viscosity is linear in Gum, so its variance grows by (slope x Gum x sd)²."""
    _, models = fitted(SOURCE.replace('"8 %"', '"2 %"').replace('aim = "above"\nlow = 3', 'aim = "watch"'))
    law = models.predictive("Viscosity", AT)
    above, below = (models.predictive("Viscosity", AT.assign(Gum=AT["Gum"] * f)).mean() for f in (1.001, 0.999))
    sd = (above - below) / 0.002 * 0.02
    low, high = models["Viscosity"].window
    shift = np.sqrt(1 + (sd[:, None] / law.batch_scale) ** 2)
    wider = type(law)(law.weights, law.df, law.location, law.batch_scale * shift, np.zeros(law.weights.size))
    assert lot_chance(models, AT).chance == pytest.approx(wider.chance(low, high), abs=0.01)


def test_two_materials_and_the_rest_in_proportion_without_a_fill():
    text = SOURCE.replace('name = "Water"\nqs = true', 'name = "Water"\nlow = 90\nhigh = 99')
    study = Study.from_toml(text.replace('name = "Oil"\n', 'name = "Oil"\nlot_sd = 0.1\n'))
    assert lot_spread(study) == {"Gum": 0.08, "Oil": 0.1}
    rng = np.random.default_rng(5)
    rows = [
        (
            100 - gum - oil,
            gum,
            oil,
            18000 * (gum / 0.55) ** 2 * np.exp(0.04 * rng.standard_normal()),
            3 + 0.1 * oil + 0.05 * rng.standard_normal(),
        )
        for gum in (0.3, 0.45, 0.65, 0.8)
        for oil in (2.0, 4.0, 6.0)
    ]
    frame = pd.DataFrame(rows, columns=["Water", "Gum", "Oil", "Viscosity", "Feel"], index=[f"A{n}" for n in range(12)])
    models = fit(study, study.results(frame))
    one = pd.DataFrame({"Water": [95.45], "Gum": [0.55], "Oil": [4.0]})
    found = lot_chance(models, one)
    rng = np.random.default_rng(11)
    many = pd.concat([one] * 4000, ignore_index=True)
    many["Gum"] *= 1 + 0.08 * rng.standard_normal(4000)
    many["Oil"] *= 1 + 0.1 * rng.standard_normal(4000)
    each = models.chance(many.mul(100 / many.sum(axis=1), axis=0)).to_numpy()
    assert found.chance[0] == pytest.approx(each.mean(), abs=4 * each.std() / np.sqrt(4000) + 1e-3)


def test_without_a_spread_there_is_nothing_to_say(models):
    study, plain = fitted(SOURCE.replace('lot_sd = "8 %"\n', ""))
    assert isinstance(lot_chance(plain, AT), Unavailable)
    assert not [f for f in find(study, plain).findings if f.code == "lots"]
    with pytest.raises(StudyError, match="lot_sd"):
        Study.from_toml(SOURCE.replace('"8 %"', '"80 %"'))


def test_the_formula_found_says_what_new_lots_do():
    study, models = fitted()
    best = find(study, models)
    (told,) = [f for f in best.findings if f.code == "lots"]
    found = lot_chance(models, best.levels)
    assert told.level == "warn"
    assert told.got.startswith("lots differ in their active part (Gum by an sd of 8 %): with new lots the chance is ")
    assert (
        f"{100 * found.chance[0]:.0f} %, and at least {100 * found.nine_of_ten[0]:.0f} % with nine of ten" in told.got
    )


def test_the_chance_as_weighed_is_that_of_plain_simulation(models):
    found = weighed_chance(models, AT, 0.05)
    rng = np.random.default_rng(2)
    whole = AT.assign(Water=100 - AT.sum(axis=1))[["Water", "Gum", "Oil"]]
    for i in range(len(AT)):
        grams = whole.iloc[[i] * 4000].to_numpy() * (1 + 0.05 * (2 * rng.random((4000, 3)) - 1))
        made = pd.DataFrame(grams / grams.sum(axis=1, keepdims=True) * 100, columns=whole.columns)
        each = models.chance(made[["Gum", "Oil"]]).to_numpy()
        assert found[i] == pytest.approx(each.mean(), abs=4 * each.std() / np.sqrt(4000) + 2e-3)


def test_a_cost_at_its_ceiling_is_that_of_the_formula_as_written(models):
    """What is weighed, or in a lot, decides what is measured; the price is that of the formula on paper."""
    cost = '[[response]]\nname = "Cost"\nfrom = "cost_per_kg"\naim = "below"\nhigh = {}\n\n[plan]'
    priced = SOURCE.replace('name = "Gum"\n', 'name = "Gum"\nprice_per_kg = 20\n')
    priced = priced.replace('name = "Oil"\n', 'name = "Oil"\nprice_per_kg = 3\n')
    priced = priced.replace('name = "Water"\n', 'name = "Water"\nprice_per_kg = 0\n')
    exactly = 0.0055 * 20 + 0.04 * 3
    found = fitted(priced.replace("[plan]", cost.format(exactly)))[1]
    assert weighed_chance(found, AT[:1], 0.05) == pytest.approx(weighed_chance(models, AT[:1], 0.05), abs=1e-9)
    assert lot_chance(found, AT[:1]).chance == pytest.approx(lot_chance(models, AT[:1]).chance, abs=1e-9)
    found = fitted(priced.replace("[plan]", cost.format(0.999 * exactly)))[1]
    assert weighed_chance(found, AT[:1], 0.05)[0] == 0


def test_weighing_is_spoken_of_where_it_matters(models):
    alone = models.joint_chance(AT[:1])[0]
    assert weighed_findings(models, AT[:1], alone) == []
    coarse = fitted(SOURCE + '\n[make]\nweigh_tolerance = "20 %"\n')[1]
    (told,) = weighed_findings(coarse, AT[:1], alone)
    share = weighed_chance(coarse, AT[:1])[0]
    assert told.level == "warn"
    assert told.got.startswith(
        f"with every weighing off by up to 20 % of it the chance is {100 * share:.0f} %, mostly by "
    )
    # The response named loses most of all by its own chance, which as written is that of `predict`.
    name, then, now = weighed_most(coarse, AT[:1])[0]
    assert f"mostly by {name} ({100 * then:.0f} % to {100 * now:.0f} %)" in told.got
    assert then == pytest.approx(coarse.predict(AT[:1])[name, "chance"].iloc[0], abs=1e-9)
    assert then - now > 0.05
    assert weighed_most(models, AT[:1]) == [None]
