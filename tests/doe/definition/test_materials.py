"""A choice of materials in one place, and none of it: levels, prices, plans and steps, each material by its own."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe import Study, StudyError, plan
from doe.definition.categories import contrast_table
from doe.design.trials import recipe_numbers
from doe.recipes.costs import cost_per_kg, cost_range

MATERIALS = {
    "Xanthan A": {"low": 0.2, "high": 0.6, "price_per_kg": 18, "step": 0.05},
    "Xanthan B": {"low": 0.5, "high": 1.0, "price_per_kg": 6},
    "Gellan": {"low": 0.1, "high": 0.3, "price_per_kg": 40},
}


def source(names=tuple(MATERIALS), **gum):
    choice = [{"name": name, **MATERIALS[name]} for name in names]
    return {
        "study": {"name": "Invented lotion"},
        "ingredient": [
            {"name": "Water", "qs": True, "price_per_kg": 0.1},
            {"name": "Gum", "or_none": True, "step": 0.1, "choice": choice, **gum},
            {"name": "Oil", "low": 2, "high": 6, "price_per_kg": 3},
        ],
        "factor": [{"name": "Wetting", "levels": ["dry", "in oil"]}],
        "limit": [{"rule": "Oil >= 5", "when": "Gum is Xanthan B"}, {"rule": "Gum + Oil <= 6.4"}],
        "response": [{"name": "Viscosity", "method": "rotational", "sd": 1.0}],
        "plan": {"runs": 24, "seed": 3},
    }


def test_contrasts_sum_to_zero_over_materials_and_vanish_for_none():
    table = contrast_table("material: Gum", ("A", "B", "C", "none"))
    assert table.tolist() == [[1, 0, 0], [0, 1, 0], [-1, -1, 0], [0, 0, 0]]
    # A factor may have a level of that name, which is a level like any other.
    assert contrast_table("Heating", ("A", "none")).tolist() == [[1, 0], [-1, 0]]


def test_a_choice_is_a_column_and_a_category_with_terms_of_its_own():
    study = Study.from_dict(source())
    assert study.columns == ("Water", "Gum", "Oil", "material: Gum", "Wetting")
    assert study.factor("material: Gum").levels == (*MATERIALS, "none")
    terms = study.terms("linear")
    assert terms.labels == ("1", "Gum", "Oil", "[Gum: Xanthan A]", "[Gum: Xanthan B]", "[Wetting: dry]")
    own = Study.from_dict({**source(), "plan": {"terms": ["Gum", "Gum × [Gum: Gellan]", "[material: Gum: Xanthan A]"]}})
    assert own.terms().labels[1:] == ("Gum", "Gum × [Gum: Gellan]", "[Gum: Xanthan A]")
    only = source(choice=None, low=0.2, high=0.6)
    del only["ingredient"][1]["choice"], only["limit"][0]
    there_or_not = Study.from_dict(only)
    assert there_or_not.columns == ("Water", "Gum", "Oil", "Wetting")
    assert there_or_not.terms("linear").labels == ("1", "Gum", "Oil", "[Wetting: dry]")


def test_each_material_has_its_own_facts_and_those_of_the_ingredient():
    study = Study.from_dict(source(inci="Xanthan Gum", assay=0.9))
    gum = study.ingredient("Gum")
    assert gum.of("Gellan").price_per_kg == 40
    assert gum.of("Gellan").inci == (("Xanthan Gum", 1.0),)
    assert gum.of("Gellan").assay == 0.9
    assert (gum.of("Xanthan A").step, gum.of("Gellan").step) == (0.05, 0.1)
    assert (gum.low, gum.high) == (0.1, 1.0)
    assert gum.ends("none") == (0.0, 0.0)


def test_whole_recipes_know_their_material_and_refuse_what_does_not_fit():
    study = Study.from_dict(source())
    given = pd.DataFrame(
        {"Gum": [0.3, 0.0, 0.0], "Oil": 3.0, "material: Gum": ["Gellan", "none", "Gellan"], "Wetting": "dry"}
    )
    whole = study.complete(given)
    assert whole["material: Gum"].tolist() == ["Gellan", "none", "none"]
    assert whole["Water"].tolist() == pytest.approx([96.7, 97, 97])
    with pytest.raises(StudyError) as caught:
        study.complete(given.assign(Gum=[0.3, 0.2, 0.0], **{"material: Gum": [None, "none", "none"]}))
    said = [str(p) for p in caught.value.problems]
    assert "Gum is 0.3, and nothing says which material it is" in said[0]
    assert "Gum is 0.2, and its material none" in said[1]
    with pytest.raises(StudyError, match="'Agar'"):
        study.complete(given.assign(**{"material: Gum": "Agar"}))


def test_each_material_costs_its_own_price():
    study = Study.from_dict(source())
    levels = study.complete(
        pd.DataFrame(
            {"Gum": [0.5, 0.5, 0.0], "Oil": 5.0, "material: Gum": ["Xanthan A", "Xanthan B", "none"], "Wetting": "dry"}
        )
    )
    # (water x 0.1 + gum x price + oil x 3) / 100
    assert cost_per_kg(study, levels) == pytest.approx([0.3345, 0.2745, 0.245], rel=1e-12)
    # Least: oil 2, no gum. Most: oil 6 with 0.3 of Gellan, or oil 5.8 with 0.6 of Xanthan A; B stops at oil 5.9.
    dearest = max(93.7 * 0.1 + 0.3 * 40 + 18, 93.6 * 0.1 + 0.6 * 18 + 17.4) / 100
    assert cost_range(study) == pytest.approx(((98 * 0.1 + 6) / 100, dearest), rel=1e-9)


def test_planned_trials_keep_the_limits_and_steps_of_their_own_material():
    study = Study.from_dict({**source(), "plan": {"model": "linear", "runs": 18, "seed": 3}})
    design = plan(study)
    table, region = design.table, study.region
    X = table[list(region.names)].to_numpy(dtype=float)
    assert region.contains(X, 1e-9, region.chosen(table)).all()
    assert np.allclose(table[["Water", "Gum", "Oil"]].sum(axis=1), 100, atol=1e-10)
    assert set(table["material: Gum"]) == {*MATERIALS, "none"}
    assert ((table["Gum"] == 0) == (table["material: Gum"] == "none")).all()
    for name, step in (("Xanthan A", 0.05), ("Xanthan B", 0.1), ("Gellan", 0.1)):
        mine = table.loc[table["material: Gum"] == name, "Gum"].to_numpy()
        ends = MATERIALS[name]
        assert ((mine >= ends["low"]) & (mine <= ends["high"])).all()
        assert np.allclose(mine / step, np.round(mine / step), atol=1e-9)
    assert (table.loc[table["material: Gum"] == "Xanthan B", "Oil"] >= 5).all()
    quality = design.quality
    assert 0 < quality.i_efficiency <= 1
    assert quality.rank == quality.terms
    assert {"Gum: Gellan", "Gum: none"} <= set(quality.can_see["Viscosity"]["by_column"])
    assert type(design).from_dict(design.to_dict()).digest == design.digest


def test_the_bracket_holds_over_the_pieces():
    two = source(("Xanthan A", "Xanthan B"))
    del two["factor"], two["ingredient"][1]["step"]
    for material in two["ingredient"][1]["choice"]:
        material.pop("step", None)
    quality = plan(Study.from_dict({**two, "plan": {"model": "linear", "runs": 14}})).quality
    for key, value in (("d", quality.d_efficiency), ("i", quality.i_efficiency)):
        low, high = quality.best_possible[key]
        assert 0.5 < low <= value <= high + 1e-12
        # Proven, not only shown: the two ends lie together.
        assert high - low < 0.01 * high


@pytest.mark.parametrize("order", [(2, 0, 1), (1, 2, 0)])
def test_the_order_of_materials_does_not_matter_to_quality(order):
    names = [tuple(MATERIALS)[i] for i in order]
    base = {**source(), "plan": {"model": "linear", "criterion": "D", "runs": 16}}
    first = plan(Study.from_dict(base)).quality
    other = plan(Study.from_dict({**base, "ingredient": source(names)["ingredient"]})).quality
    assert other.d_efficiency == pytest.approx(first.d_efficiency, rel=0.01)
    assert other.terms == first.terms


def test_must_make_and_trials_already_made_have_their_material():
    must = {"Gum": 0.3, "material: Gum": "Gellan", "Oil": 3, "Wetting": "dry"}
    wish = {"model": "linear", "runs": 16, "must_make": [must, {"Gum": 0, "Oil": 4, "Wetting": "dry"}]}
    study = Study.from_dict({**source(), "plan": wish})
    assert not [p for p in study.problems if p.level == "stop"]
    first = plan(study)
    made = first.table[(first.table["material: Gum"] == "Gellan") & (first.table["Oil"] == 3)]
    assert (made["Gum"] == 0.3).any()
    more = plan(study, runs=8, must_make=(), existing=first.table, round=2, first_trial=17)
    assert len(more.table) == 8
    assert more.quality.rank == more.quality.terms
    outside = {**must, "Gum": 0.5}
    found = Study.from_dict({**source(), "plan": {**wish, "must_make": [outside]}}).problems
    assert [p.where for p in found if p.code == "recipe-outside"] == ["[plan], must_make 1"]


def test_textbook_plans_take_each_piece():
    study = Study.from_dict({**source(), "plan": {"design": "vertices", "model": "linear"}})
    design = plan(study, runs=None)
    corners, levels = study.region.vertex_count, design.table[["Gum", "Oil"]].to_numpy()
    assert len(np.unique(recipe_numbers(levels, np.zeros((len(levels), 0))))) <= corners
    spread = plan(study, design="space-filling", runs=20).table
    region = study.region
    assert region.contains(spread[list(region.names)].to_numpy(dtype=float), 1e-9, region.chosen(spread)).all()
    assert (spread["material: Gum"].value_counts() == 5).all()


def test_what_is_withdrawn_keeps_its_materials_in_the_model_and_none_in_the_plan():
    study = Study.from_dict(source(withdrawn=True) | {"limit": []})
    assert study.region.categories["material: Gum"] == (*MATERIALS, "none")
    assert {c["material: Gum"] for c in study.region.combinations} == {"none"}
    table = plan(study, runs=10).table
    assert (table["Gum"] == 0).all()
    assert (table["material: Gum"] == "none").all()


def test_names_and_limits_of_materials_are_tried_prices_are_facts():
    base = Study.from_dict(source()).digests

    def changed(edit):
        made = source()
        edit(made["ingredient"][1]["choice"])
        now = Study.from_dict(made).digests
        return {part for part in base if base[part] != now[part]}

    assert changed(lambda choice: choice[0].update(price_per_kg=19)) == {"facts"}
    assert changed(lambda choice: choice[0].update(inci="Xanthan Gum")) == {"facts"}
    assert changed(lambda choice: choice[0].update(hlb=3)) == {"facts"}
    assert changed(lambda choice: choice[0].update(high=0.55)) == {"tried"}
    assert changed(lambda choice: choice[0].update(assay=0.9)) == {"tried"}
    assert changed(lambda choice: choice[0].update(name="Xanthan C")) == {"tried", "facts"}


@pytest.mark.parametrize("change", [{"hard": True, "whole_plots": 5}, {"blocks": 2}])
def test_whole_plots_and_blocks_keep_the_limits_of_each_material(change):
    base = source(("Xanthan A", "Xanthan B"))
    for material in base["ingredient"][1]["choice"]:
        material.pop("step", None)
    del base["ingredient"][1]["step"]
    base["factor"][0]["hard_to_change"] = change.pop("hard", False)
    base["limit"].append({"rule": "Oil <= 5.5", "when": "Wetting is dry"})
    model = {"blend": "linear", "process": "linear", "cross": "none"}
    study = Study.from_dict({**base, "plan": {"model": model, "runs": 14, "seed": 1, **change}})
    design = plan(study)
    table, region = design.table, study.region
    assert region.contains(table[list(region.names)].to_numpy(dtype=float), 1e-9, region.chosen(table)).all()
    assert design.quality.rank == design.quality.terms
    plots = design.runs["whole_plot"].dropna()
    for plot in sorted(set(plots)):
        assert table.loc[plots.index[plots == plot], "Wetting"].unique().size == 1


@given(
    ends=st.lists(st.tuples(st.floats(0.1, 2.0), st.floats(0.2, 2.0)), min_size=2, max_size=3),
    or_none=st.booleans(),
    most=st.floats(3.0, 7.0),
)
@settings(max_examples=3, deadline=None, derandomize=True)
def test_any_choice_of_materials_is_planned_within_its_limits(ends, or_none, most):
    choice = [
        {"name": f"M{i}", "low": round(low, 2), "high": round(low + width, 2)} for i, (low, width) in enumerate(ends)
    ]
    study = Study.from_dict(
        {
            "study": {"name": "Invented at random"},
            "ingredient": [
                {"name": "Water", "qs": True},
                {"name": "Gum", "or_none": or_none, "choice": choice},
                {"name": "Oil", "low": 1, "high": 6},
            ],
            "limit": [{"rule": f"Oil + Gum <= {most:.2f}", "when": "Gum is M0"}],
            "response": [{"name": "y", "method": "invented"}],
            "plan": {"model": {"blend": "linear", "process": "linear", "cross": "none"}, "runs": 10, "seed": 1},
        }
    )
    table = plan(study).table
    region = study.region
    assert region.contains(table[list(region.names)].to_numpy(dtype=float), 1e-9, region.chosen(table)).all()
    assert np.allclose(table[["Water", "Gum", "Oil"]].sum(axis=1), 100, atol=1e-9)


def test_the_levels_of_a_condition_are_listed_once():
    source = {
        "study": {"name": "invented"},
        "ingredient": [
            {"name": "Water", "qs": True},
            {"name": "Gum", "low": 0.3, "high": 0.8, "choice": [{"name": "Xan A"}, {"name": "Xan B"}]},
            {"name": "Wax", "low": 1, "high": 2},
        ],
        "limit": [{"rule": "Wax <= 2 * Gum", "when": "Gum is Xan C"}],
        "response": [{"name": "y"}],
    }
    with pytest.raises(StudyError) as caught:
        Study.from_dict(source)
    assert "one of Xan A, Xan B" in {problem.allowed for problem in caught.value.problems}
