"""What a recipe is made of, by hand and by published worked examples."""

import numpy as np
import pandas as pd
import pytest

from doe import Unavailable
from doe.recipes.costs import exact_values
from doe.trade.composition import Stock, declaration, exploded, solids
from doe.trade.label import label_of

SURFACTANT = {"name": "Surfactant", "level": 10.0, "made_of": {"Sodium Coco-Sulfate": 0.3, "Water": 0.7}}
BLEND = {
    "name": "Blend", "level": 2.0,
    "inci": [{"name": "Phenoxyethanol", "share": 0.9}, {"name": "Ethylhexylglycerin", "share": 0.1}],
}  # fmt: skip


def values(study, source, of=None, levels=None):
    asked = {"name": "Asked", "from": source} | ({"of": of} if of else {})
    whole = study.to_dict()
    whole["response"] = [*whole["response"], asked]
    again = type(study).from_dict(whole)
    row = {f.name: 1.0 for f in again.factors} | dict(levels or {})
    found = exact_values(again, again.response("Asked"), again.complete(pd.DataFrame([row])))
    return found if isinstance(found, Unavailable) else float(found[0])


def test_water_and_dry_residue_take_solutions_apart(study):
    made = study(SURFACTANT, {"name": "Salt", "level": 1.0})
    # 89 % added and 7 % in the surfactant; 3 % of it and the salt stay.
    assert values(made, "water") == pytest.approx(96.0)
    assert values(made, "dry_residue") == pytest.approx(4.0)
    said = study({"name": "Gel", "level": 10.0, "solids": "12 %"})
    assert values(said, "dry_residue") == pytest.approx(1.2)


def test_one_inci_name_is_summed_over_materials_whatever_its_capitals(study):
    other = {"name": "Other", "level": 1.0, "inci": "PHENOXYETHANOL"}
    made = study(BLEND, other)
    assert values(made, "inci", "Phenoxyethanol") == pytest.approx(2.8)
    stock = Stock.of(made)
    names = [name for name, _ in declaration(stock, [97.0, 2.0, 1.0])]
    assert names == ["Aqua", "Phenoxyethanol", "Ethylhexylglycerin"]


def test_premixes_of_premixes_are_followed(study):
    inner = {"name": "Acid solution", "level": 1.0, "made_of": {"Citric Acid": 0.5, "Water": 0.5}}
    outer = {"name": "Stock", "level": 4.0, "made_of": {"Acid solution": 0.25, "Glycerin": 0.75}}
    known = {item.name: item for item in study(inner, outer).ingredients}
    assert exploded(known["Stock"], known) == pytest.approx({"Citric Acid": 0.125, "Aqua": 0.125, "Glycerin": 0.75})


def test_a_single_inci_name_counts_its_assay_where_the_active_part_counts(study):
    weak = {"name": "Weak", "level": 1.0, "inci": "Sodium Benzoate", "assay": 0.5}
    known = {item.name: item for item in study(weak).ingredients}
    assert exploded(known["Weak"], known, active=True) == {"Sodium Benzoate": 0.5}
    assert exploded(known["Weak"], known) == {"Sodium Benzoate": 1.0}


def test_natural_origin_of_a_published_worked_example(study):
    """Mass-weighted mean of indexes, ISO 16128-2; example of liveclean.ca/iso-guidelines: 93 % with water."""
    made = study(
        {"name": "A", "level": 50.0, "natural_share": 1.0},
        {"name": "B", "level": 25.0, "natural_share": 0.8},
        {"name": "C", "level": 2.0, "natural_share": 0.0},
    )
    assert values(made, "natural_origin") == pytest.approx(93.0)
    assert values(made, "natural_origin_without_water") == pytest.approx(100 * 70 / 77)


def test_natural_origin_names_what_it_lacks(study):
    found = values(study({"name": "A", "level": 5.0}), "natural_origin")
    assert isinstance(found, Unavailable)
    assert "A" in found.reason


def test_cost_of_a_pack(study):
    made = study({"name": "Gum", "level": 1.0, "price_per_kg": 20.0}, head={"pack_g": 250})
    assert values(made, "cost_per_pack") == pytest.approx(0.2 * 0.25)
    lacking = values(study({"name": "Gum", "level": 1.0, "price_per_kg": 20.0}), "cost_per_pack")
    assert "pack_g" in lacking.reason


def test_a_diluted_material_that_does_not_say_with_what_is_told(study):
    from doe.trade import study_findings

    told = study_findings(study({"name": "Weak", "level": 1.0, "inci": "Coco-Glucoside", "assay": 0.5}))
    assert [p.where for p in told if p.code == "K03"] == ["Weak"]
    assert not [p for p in study_findings(study(SURFACTANT)) if p.code == "K03"]


def test_a_comma_within_a_name_is_part_of_it(study):
    """The trade writes 1,2-Hexanediol with no space after its comma, and one between names (common practice)."""
    made = study({"name": "Diol", "level": 2.0, "inci": "1,2-Hexanediol"}, {"name": "Polyol", "level": 3.0})
    label = label_of(made, {item.name: item.level or 95.0 for item in made.ingredients})
    assert label.groups == (("", ("Aqua", "Polyol", "1,2-Hexanediol")),)
    assert label.text == "Aqua, Polyol, 1,2-Hexanediol"
    assert not [p for p in made.problems if p.code == "inci-several"]
    assert values(made, "inci", "1,2-Hexanediol") == pytest.approx(2.0)


@pytest.mark.parametrize("sign", [", ", "; ", " (and) "])
def test_several_names_in_one_are_told(study, sign):
    both = sign.join(("Phenoxyethanol", "1,2-Hexanediol"))
    (told,) = (p for p in study({"name": "Blend", "level": 1.0, "inci": both}).problems if p.code == "inci-several")
    assert "2 names" in told.got
    assert '{name = "Phenoxyethanol", share = ...}, {name = "1,2-Hexanediol", share = ...}' in told.do


def test_levels_that_count_no_mass_are_told_and_nothing_is_computed(study):
    from doe.trade import study_findings

    made = study({"name": "Preservative", "level": 5.0, "inci": "Phenoxyethanol"}, head={"unit": "% v/v"})
    assert [p.code for p in study_findings(made)] == ["mass-unit"]
    found = values(made, "water")
    assert isinstance(found, Unavailable)
    assert "% v/v" in found.reason


def test_fractions_of_one_give_the_same_percentages(study):
    made = study({"name": "Blend", "level": 0.02, "inci": "Phenoxyethanol"}, head={"total": 1, "unit": "fraction"})
    assert values(made, "inci", "Phenoxyethanol") == pytest.approx(2.0)


def test_exploded_shares_add_up_to_one(study):
    known = {item.name: item for item in study(SURFACTANT, BLEND).ingredients}
    assert all(np.isclose(sum(exploded(item, known).values()), 1.0) for item in known.values())


PREMIX = {"name": "Premix", "low": 0.0, "high": 50.0}


def test_a_premix_hides_nothing_from_any_check(study, findings):
    """What a material alone would be told of, it is told of in a premix, by its name or by the facts of its line."""
    plus = {"name": "Plus", "level": 1.0, "charge": "cationic"}
    named = {**PREMIX, "made_of": {"Xanthan Gum": 0.02, "Water": 0.98}}
    assert findings(study(named, plus), Premix=20)["K18"].where == "Premix and Plus"
    inside = {**PREMIX, "made_of": {"Xanthan Gum": 0.02, "Polyquaternium-10": 0.01, "Water": 0.97}}
    assert findings(study(inside), Premix=20)["K18"].where == "Premix"
    grains = {**PREMIX, "d50_um": 300, "made_of": {"Polyethylene": 0.1, "Water": 0.9}}
    told = findings(study(grains), Premix=0.2)["K17"]
    assert dict(told.numbers)["percent"] == pytest.approx(0.02)
    assert "K17" not in findings(study(grains), Premix=0.09)


def test_a_premix_of_materials_of_the_study_brings_their_facts(study, findings):
    both = [{**PREMIX, "made_of": {"Scent": 0.5, "Water": 0.5}},
            {**PREMIX, "name": "Other", "made_of": {"Sour": 0.5, "Water": 0.5}}]  # fmt: skip
    scent = {"name": "Scent", "level": 0.1, "allergens": {"Citral": 0.1}}
    sour = {"name": "Sour", "level": 0.1, "acid": "Potassium Sorbate"}
    made = study(scent, sour, *both)
    found = findings(made, Premix=0.2, Other=2.0)
    assert dict(found["K16"].numbers)["percent"] == pytest.approx(0.1 * (0.1 + 0.5 * 0.2))
    assert dict(found["K11"].numbers)["percent"] == pytest.approx((0.1 + 0.5 * 2.0) * 112.128 / 150.218, rel=1e-4)
    windows = Stock.of(study({**scent, "ph_low": 6.0}, {**sour, "ph_high": 5.0}, *both)).windows
    assert windows[0][-2:] == pytest.approx([6.0, np.nan], nan_ok=True)
    assert windows[1][-2:] == pytest.approx([np.nan, 5.0], nan_ok=True)


def test_what_a_premix_says_itself_counts_before_its_parts(study, findings):
    plus = {"name": "Plus", "level": 1.0, "charge": "cationic"}
    calm = {**PREMIX, "charge": "none", "made_of": {"Xanthan Gum": 0.02, "Water": 0.98}}
    assert "K18" not in findings(study(calm, plus), Premix=20)


def test_nothing_is_lost_of_a_solution_that_gives_its_solids(study):
    """By hand: of 10 % of it, 30 % solids, 28 % active: 3 % under its name, 7 % water, and all adds up to 100."""
    made = study({"name": "Wash", "low": 1, "high": 20, "inci": "Decyl Glucoside", "assay": 0.28, "solids": 0.30})
    stock = Stock.of(made)
    rows = dict(declaration(stock, [90.0, 10.0]))
    assert rows == pytest.approx({"Aqua": 97.0, "Decyl Glucoside": 3.0})
    assert float(np.array([90.0, 10.0]) @ stock.water) == pytest.approx(97.0)
    assert float(np.array([90.0, 10.0]) @ solids(stock)) == pytest.approx(3.0)
    assert stock.active[1].sum() == pytest.approx(0.28 + 0.70)
