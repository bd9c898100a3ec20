"""A choice of materials in models and searches: the effect put in is found, the better and the cheaper one are chosen.

Invented truth, on a linear scale: viscosity = 10 + 20 Gum + Oil, and 6 more with Xanthan A, whatever its level.
"""

import numpy as np
import pandas as pd
import pytest

from doe import Study, plan
from doe.problems import ModelError, StudyError
from optimise import find, fit, next_trials
from optimise.formula.space import Space

SOURCE = {
    "study": {"name": "Invented lotion"},
    "ingredient": [
        {"name": "Water", "qs": True, "price_per_kg": 0.1},
        {
            "name": "Gum",
            "or_none": True,
            "choice": [
                {"name": "Xanthan A", "low": 0.2, "high": 0.6, "price_per_kg": 30, "step": 0.05},
                {"name": "Xanthan B", "low": 0.5, "high": 1.0, "price_per_kg": 5},
            ],
        },
        {"name": "Oil", "low": 2, "high": 6, "price_per_kg": 3},
    ],
    "limit": [{"rule": "Oil >= 3", "when": "Gum is Xanthan B"}],
    "response": [
        {"name": "Viscosity", "method": "rotational", "sd": 0.3, "aim": "above", "low": 22},
        {"name": "Cost", "from": "cost_per_kg", "aim": "below", "high": 0.50},
    ],
    "plan": {
        "terms": ["Gum", "Oil", "[Gum: Xanthan A]", "Gum × [Gum: Xanthan A]"],
        "runs": 20,
        "seed": 2,
    },
}


def truth(table):
    is_a = (table["material: Gum"] == "Xanthan A").to_numpy(dtype=float)
    return 10 + 20 * table["Gum"] + table["Oil"] + 6 * is_a


@pytest.fixture(scope="module")
def job():
    study = Study.from_dict(SOURCE)
    design = plan(study)
    noise = np.random.default_rng(4).normal(0, 0.3, len(design.table))
    results = study.results(pd.DataFrame({"Viscosity": truth(design.table) + noise}), design=design)
    return study, fit(study, results, terms="all")


def recipe(gum, oil, material):
    return pd.DataFrame({"Gum": gum, "Oil": oil, "material: Gum": material})


def test_the_effect_of_the_material_is_found(job):
    terms = job[1]["Viscosity"].terms.set_index("term")
    # Half the difference of two materials, contrasts being +1 and -1; where there is none, the mean of both.
    assert terms.loc["[Gum: Xanthan A]", "estimate"] == pytest.approx(3, abs=4 * terms.loc["[Gum: Xanthan A]", "se"])
    assert terms.loc["Oil", "estimate"] == pytest.approx(1, abs=4 * terms.loc["Oil", "se"])
    assert terms.loc["[Gum: Xanthan A]", "powers"] == {"[Gum: Xanthan A]": 1}


def test_predictions_are_the_sum_of_the_terms_by_hand(job):
    models = job[1]
    asked = recipe([0.5, 0.5, 0.0], [4.0, 4.0, 4.0], ["Xanthan A", "Xanthan B", "none"])
    b = models["Viscosity"].terms.set_index("term")["estimate"]
    side = np.array([1.0, -1.0, 0.0])
    by_hand = b["1"] + b["Gum"] * asked["Gum"] + 4 * b["Oil"] + side * b["[Gum: Xanthan A]"]
    by_hand += b["Gum × [Gum: Xanthan A]"] * asked["Gum"] * side
    table = models.predict(asked)
    assert table["Viscosity", "predicted"].to_numpy() == pytest.approx(by_hand.to_numpy(), rel=1e-9)
    # Water 95.5 and 96 at 0.1, gum 0.5 at 30 or 5, oil 4 at 3, by 100.
    assert table["Cost", "predicted"].tolist() == pytest.approx([0.3655, 0.2405, 0.216])
    assert models.inside(asked).tolist() == [True, True, True]
    assert models.inside(recipe([0.8], [4.0], ["Xanthan A"])).tolist() == [False]
    assert models.in_hull(recipe([0.3], [4.0], ["Xanthan B"])).tolist() == [False]


def test_levels_that_do_not_say_their_material_are_refused(job):
    with pytest.raises(ModelError, match="nothing says which material"):
        job[1].predict(pd.DataFrame({"Gum": [0.5], "Oil": [4.0]}))
    none = job[1].predict(pd.DataFrame({"Gum": [0.0], "Oil": [4.0]}))
    assert none["Cost", "predicted"].tolist() == pytest.approx([0.216])


def test_the_search_looks_at_every_material_within_its_own_limits(job):
    study, models = job
    best = find(study, models)
    level, chosen = best.blend["Gum"], best.factors["material: Gum"]
    assert study.region.contains(best.levels[["Water", "Gum", "Oil"]].to_numpy(), 1e-9, {"material: Gum": [chosen]})[0]
    assert best.chance > 0.99
    assert best.cost_per_kg <= 0.50 + 1e-9
    assert chosen == "Xanthan B" or abs(level / 0.05 - round(level / 0.05)) < 1e-9
    # Cheaper formulas come with the cheaper material: 22 needs Oil 3 and B at 0.5 (23, 0.13), or A at 0.2 (22 to 24).
    costs = [entry["cost_per_kg"] for entry in best.front if entry["chance_all"] > 0.9]
    assert min(costs) < 0.24
    cheapest = next(entry for entry in best.front if entry["chance_all"] > 0.9)
    assert cheapest["factors"]["material: Gum"] == "Xanthan B"


def test_holds_leave_the_materials_that_allow_them(job):
    study, models = job
    assert find(study, models, hold={"Gum": 0}).factors["material: Gum"] == "none"
    assert find(study, models, hold={"Gum": 0.3}).factors["material: Gum"] == "Xanthan A"
    held = find(study, models, hold={"material: Gum": "Xanthan B"})
    assert held.blend["Gum"] >= 0.5 - 1e-9
    assert held.blend["Oil"] >= 3 - 1e-9
    with pytest.raises(StudyError, match="its reach"):
        Space.build(study, {"Gum": 0.1})
    with pytest.raises(StudyError):
        find(study, models, hold={"material: Gum": "Agar"})


def test_a_dearer_material_is_given_up_where_the_ceiling_on_cost_asks_for_it(job):
    models = job[1]
    dear = {**SOURCE, "response": [SOURCE["response"][0], {**SOURCE["response"][1], "high": 0.235}]}
    best = find(Study.from_dict(dear), models)
    # A at 0.2 and oil 6 costs 0.334, B at 0.5 and oil 4 costs 0.2405: only B with little oil is left.
    assert best.factors["material: Gum"] == "Xanthan B"
    assert best.cost_per_kg <= 0.235 + 1e-9
    assert best.feasible


def test_next_trials_have_a_material_and_keep_its_limits(job):
    study, models = job
    more = next_trials(study, models, learn=3).table
    region = study.region
    X = more[list(region.names)].to_numpy(dtype=float)
    assert region.contains(X, 1e-7, region.chosen(more)).all()
    best = find(study, models)
    again = next_trials(study, models, confirm=2, best=best).table
    assert (again["material: Gum"] == best.factors["material: Gum"]).all()


def test_what_is_only_there_or_not_is_an_amount_in_the_model():
    gum = {"name": "Gum", "low": 0.3, "high": 0.8, "or_none": True}
    plain = {**SOURCE, "ingredient": [SOURCE["ingredient"][0], gum, SOURCE["ingredient"][2]], "limit": []}
    study = Study.from_dict({**plain, "response": SOURCE["response"][:1], "plan": {"model": "linear", "runs": 14}})
    design = plan(study)
    assert "material: Gum" not in design.table
    assert (design.table["Gum"] == 0).any()
    values = 10 + 20 * design.table["Gum"] + design.table["Oil"]
    noise = np.random.default_rng(4).normal(0, 0.3, len(values))
    models = fit(study, study.results(pd.DataFrame({"Viscosity": values + noise}), design=design), terms="all")
    assert models["Viscosity"].terms["term"].tolist() == ["1", "Gum", "Oil"]
    asked = pd.DataFrame({"Gum": [0.0, 0.1, 0.5], "Oil": 4.0})
    # Between none and the least that is worth adding nothing may be made, though the model speaks of it.
    assert models.inside(asked).tolist() == [True, False, True]
    best = find(study, models)
    assert best.blend["Gum"] >= 0.3
    assert find(study, models, hold={"Gum": 0}).blend["Gum"] == 0
    assert find(study, models, hold={"material: Gum": "none"}).blend["Gum"] == 0


def test_where_all_pass_the_cheapest_of_all_materials_is_named(job):
    """Wide limits: everything passes, the dear material too; the cheapest recipe takes the least, of the cheap one."""
    source = {**SOURCE, "response": [{**SOURCE["response"][0], "low": 5.0}]}
    study = Study.from_dict(source)
    table = job[0].complete(job[1].tried)[["Gum", "Oil", "material: Gum"]].reset_index(drop=True)
    models = fit(study, study.results(table.assign(Viscosity=truth(table))), terms="all")
    best = find(study, models)
    assert best.chance > 0.999
    reached = min(best.cost_per_kg, best.cheapest["cost_per_kg"] if best.cheapest else np.inf)
    assert best.cheapest is None or best.cheapest["chance_all"] > 0.99 * best.chance
    # By hand: no gum at all and the least oil, 2 % at 3 and 98 % water at 0.1.
    assert reached == pytest.approx(0.02 * 3 + 0.98 * 0.1, rel=0.02)
