"""Legal limits: as acid, over all sources, by product and market. Sources beside each line of legal_limits.toml."""

from datetime import date

import pandas as pd
import pytest

from doe.trade import study_findings
from doe.trade.label import Label, label_of
from doe.trade.legal import coverage, edition_date, shipped_laws

SALT = {"name": "Salt", "low": 0.0, "high": 5.0, "inci": "Sodium Benzoate"}


@pytest.mark.parametrize(
    "product, highest",
    # Regulation (EC) No 1223/2009, Annex V, entry 1 (version 2017-09-03): 2.5 % rinse-off, 0.5 % leave-on, as acid.
    # As the sodium salt (molar masses 144.105 and 122.123): 2.95 % and 0.59 %.
    [("rinse-off", 2.95), ("leave-on", 0.59)],
)
def test_benzoate_is_counted_as_acid(study, findings, product, highest):
    made = study(SALT, product=product)
    assert "K11" not in findings(made, Salt=highest - 0.01)
    found = findings(made, Salt=highest + 0.01)["K11"]
    assert found.level == "stop"
    assert "as benzoic acid" in found.got
    assert "Annex V, entry 1" in found.source
    assert "2017-09-03" in found.allowed
    assert dict(found.numbers)["percent"] == pytest.approx((highest + 0.01) * 122.123 / 144.105, rel=1e-4)


def test_without_a_product_the_lower_limit_holds_too(study, findings):
    from doe.trade import TradeChecks

    made = study(SALT, product=None)
    found = [check for _, found in TradeChecks(made).by_choice(made.complete(_row(made, 1.0))) for check in found]
    assert [bool(check.missed[0]) for check in found if check.code == "K11"] == [False, True]


def _row(made, salt):
    import pandas as pd

    return pd.DataFrame([{"Salt": salt}])


def test_the_acid_and_its_salt_count_together(study, findings):
    acid = {"name": "Acid", "level": 1.5, "inci": "Benzoic Acid"}
    assert "K11" not in findings(study(SALT), Salt=1.3)
    assert "K11" in findings(study(SALT, acid), Salt=1.3)  # 1.5 + 1.3 x 0.847 = 2.60


def test_a_blend_counts_by_its_share_and_a_weak_material_by_its_assay(study, findings):
    blend = {"name": "Salt", "low": 0, "high": 5, "inci": [{"name": "Phenoxyethanol", "share": 0.5}]}
    assert "K11" not in findings(study(blend), Salt=1.99)
    assert "K11" in findings(study(blend), Salt=2.01)  # Annex V, entry 29: 1.0 %
    weak = {"name": "Salt", "low": 0, "high": 5, "inci": "Phenoxyethanol", "assay": 0.5}
    assert "K11" not in findings(study(weak), Salt=1.99)


def test_another_market_has_no_list_and_says_so(study, findings):
    made = study(SALT, market="Elsewhere")
    assert "K11" not in findings(made, Salt=5)
    assert "no list for the market Elsewhere" in coverage(made)[0].got


def test_a_line_of_the_study_takes_the_place_of_a_shipped_one(study, findings):
    law = {
        "substance": "sodium benzoate, house rule", "names": ["Sodium Benzoate"], "max": 0.2, "as_acid": "benzoic",
        "source": "house rule (invented)", "edition": "2026-09-01",
    }  # fmt: skip
    made = study(SALT, law=[law])
    found = findings(made, Salt=0.25)["K11"]  # 0.25 x 0.847 = 0.212
    assert found.source == "house rule (invented)"
    assert "K11" not in findings(made, Salt=0.23)
    elsewhere = study(SALT, law=[{**law, "market": "Elsewhere"}])
    assert "K11" not in findings(elsewhere, Salt=0.25)


def test_old_lines_are_told_only_where_they_are_used(study):
    told = coverage(study(SALT), date(2026, 11, 26))
    assert [(p.code, p.level) for p in told] == [("K12", "warn")]
    assert "edition 2017-09-03" in told[0].got
    assert coverage(study(SALT), date(2018, 6, 1)) == ()
    assert coverage(study({"name": "Gum", "level": 1.0}), date(2026, 11, 26)) == ()


def test_a_preservative_the_list_does_not_have_is_told(study):
    told = coverage(study({"name": "Preservative", "level": 1.0, "inci": "Invented Hydantoin"}))
    assert "no line for Preservative" in told[0].got


def test_every_shipped_line_has_a_source_and_a_date():
    for law in shipped_laws():
        assert law.source
        assert edition_date(law.edition) is not None
        assert law.checked in ("read", "from memory")


SCENT = {"name": "Scent", "level": 0.3, "inci": "Parfum", "allergens": {"Linalool": 0.034, "Citral": 0.032}}


def test_allergens_count_over_all_sources_against_the_threshold_of_the_product(study, findings):
    """Rinse-off 0.01 %, leave-on 0.001 % (Regulation (EU) 2023/1545): 0.3 % of a scent trips above 3.3 % of it."""
    found = findings(study(SCENT))
    assert "Linalool" in found["K16"].got  # 0.0102 %; Citral 0.0096 % is below
    assert found["K16"].level == "inform"
    oil = {"name": "Peel oil", "level": 0.01, "allergens": {"citral": "5 %"}}  # adds 0.0005 %: 0.0101 % in all
    both = [p for p in study_findings(study(SCENT, oil)) if p.code == "K16"]
    assert [p.where for p in both] == ["Scent", "Scent, Peel oil"]
    few = {**SCENT, "level": 0.03, "allergens": {"Linalool": 0.034}}
    assert "K16" not in findings(study(few))
    assert "K16" in findings(study(few, product="leave-on"))
    assert "K16" not in findings(study(few, product="leave-on", market="Elsewhere"))


def test_a_preservative_that_is_a_listed_allergen_counts_by_its_name(study, findings):
    """Benzyl alcohol stands on both lists: Annex III, entry 45 (from memory), and Annex V, entry 34."""
    made = study({"name": "Preservative", "level": 0.5, "inci": "Benzyl Alcohol"})
    assert "Benzyl Alcohol" in findings(made)["K16"].got


BEADS = {"name": "Beads", "low": 0.0, "high": 3.0, "d50_um": 400}


@pytest.mark.parametrize(
    "facts, product, level",
    # Regulation (EU) 2023/2055: particles of synthetic polymer up to 5 mm, 0.01 % and more; not natural or degradable.
    [
        ({"polymer": "synthetic"}, "rinse-off", "stop"),
        ({"polymer": "synthetic"}, "leave-on", "warn"),
        ({"inci": "Polyethylene"}, "rinse-off", "stop"),
        ({"inci": "Cellulose Acetate"}, "rinse-off", "warn"),
        ({"inci": "Polyethylene", "polymer": "degradable"}, "rinse-off", None),
        ({"inci": "Pumice"}, "rinse-off", None),
        ({"polymer": "synthetic", "d50_um": 6000}, "rinse-off", None),
    ],
)
def test_particles_of_polymer(study, findings, facts, product, level):
    found = findings(study({**BEADS, **facts}, product=product), Beads=1.0)
    assert (found["K17"].level if "K17" in found else None) == level


def test_the_threshold_of_particles_is_a_hundredth_of_a_percent(study, findings):
    made = study({**BEADS, "polymer": "synthetic"})
    assert "K17" in findings(made, Beads=0.01)
    assert "K17" not in findings(made, Beads=0.0099)


def test_particles_of_polymer_count_together(study, findings):
    # The regulation limits synthetic polymer particles in the product, whatever they came in with.
    made = study({**BEADS, "polymer": "synthetic"}, {**BEADS, "name": "Glitter", "d50_um": 90, "polymer": "synthetic"})
    told = findings(made, Beads=0.006, Glitter=0.006)["K17"]
    assert told.where == "Beads, Glitter"
    assert told.got.startswith("0.012 % of particles of 90, 400 um, a synthetic polymer")
    assert "K17" not in findings(made, Beads=0.006, Glitter=0.003)


def test_without_a_market_the_silence_is_said(study):
    (told,) = coverage(study({"name": "Preservative", "level": 1.0, "inci": "Phenoxyethanol"}, market=None))
    assert "no market is given" in told.got
    assert coverage(study({"name": "Gum", "level": 1.0}, market=None)) == ()


def test_parabens_count_as_the_acid_they_are_esters_of(study, findings):
    """Annex V, entry 12 (from memory): 0.4 % as acid for one ester. Methylparaben: 152.149, its acid: 138.122."""
    made = study({"name": "Keeper", "low": 0, "high": 2, "inci": "Methylparaben"})
    assert "K11" not in findings(made, Keeper=0.44)  # 0.3994 % as acid
    found = findings(made, Keeper=0.4408)["K11"]
    assert dict(found.numbers)["percent"] == pytest.approx(0.4408 * 138.122 / 152.149, rel=1e-4)
    assert "0.4002 %" in found.got  # not "0.4 %, at most 0.4 %"
    assert "from memory" in found.allowed


def test_what_may_stay_on_no_skin_is_stopped_at_any_level(study, findings):
    """Annex V, entry 57 (from memory): methylisothiazolinone in rinse-off products only, up to 0.0015 %."""
    keeper = {"name": "Keeper", "low": 0, "high": 1, "made_of": {"Methylisothiazolinone": 0.01, "Water": 0.99}}
    assert "K11" not in findings(study(keeper), Keeper=0.1499)
    assert "K11" in findings(study(keeper), Keeper=0.151)
    assert "at most 0 %" in findings(study(keeper, product="leave-on"), Keeper=0.01)["K11"].allowed


def test_names_that_stand_on_the_label_as_one_are_added_up(study, findings):
    """Pinene, alpha and beta together: additions of Regulation (EU) 2023/1545 (from memory)."""
    oil = {"name": "Oil", "level": 0.3, "allergens": {"Alpha-Pinene": 0.02, "beta-pinene": 0.02}}
    found = findings(study(oil))["K16"]
    assert "0.012 % of Pinene from all sources" in found.got
    assert "2026-07-31" in found.do
    lavender = {"name": "Lavender", "level": 0.02, "inci": "Lavandula Angustifolia Oil"}
    assert "Lavandula Oil/Extract" in findings(study(lavender))["K16"].got


def test_an_old_list_of_allergens_is_told_where_it_is_used(study):
    (told,) = coverage(study(SCENT), date(2026, 11, 26))
    assert "allergens to label, edition 2023-07-26" in told.got


def test_several_allergens_of_one_material_are_all_told(study):
    both = {**SCENT, "allergens": {"Linalool": 0.05, "Citral": 0.06}}
    told = [p.got for p in study_findings(study(both)) if p.code == "K16"]
    assert [word for got in told for word in ("Linalool", "Citral") if word in got] == ["Linalool", "Citral"]


def test_near_a_limit_the_digits_show_the_difference(study, findings):
    made = study({"name": "Salt", "low": 0, "high": 5, "inci": "Phenoxyethanol"})
    assert findings(made, Salt=1.00004)["K11"].got.startswith("1.00004 % of phenoxyethanol")


def test_a_material_without_an_inci_name_goes_by_its_own_not_by_that_of_its_place(study, findings):
    choice = [{"name": "Phenoxyethanol"}, {"name": "Sorbate Q"}]
    made = study({"name": "Keeper", "low": 0.5, "high": 1.5, "choice": choice})
    recipe = {"Keeper": 1.4, "Water": 98.6, "material: Keeper": "Phenoxyethanol"}
    label = label_of(made, recipe)
    assert [name for name, _ in label.names] == ["Aqua", "Phenoxyethanol"]
    assert label.unnamed == ("Keeper: Phenoxyethanol",)
    # So a law is found by it: at most 1 % (EU 1223/2009, Annex V, 29).
    assert any("phenoxyethanol" in law for law in label.laws)
    assert label_of(made, recipe | {"material: Keeper": "Sorbate Q"}).laws == ()


def test_colourants_stand_last_in_the_declaration():
    """EU 1223/2009 Art. 19(1)(g), from memory: colourants may follow the others in any order, whatever their share."""
    names = (("Aqua", 90.0), ("CI 77007", 6.0), ("Glycerin", 3.0), ("Parfum", 0.6), ("CI 77491", 0.4))
    label = Label(names, (("Linalool", 0.02),), 0.001, (), ())
    assert label.text == "Aqua, Glycerin; below 1 %: Parfum, Linalool; colourants: CI 77007, CI 77491"
    assert label.groups == (
        ("", ("Aqua", "Glycerin")),
        ("below 1 %", ("Parfum", "Linalool")),
        ("colourants", ("CI 77007", "CI 77491")),
    )


def test_a_fragrance_that_does_not_tell_its_allergens_is_named_on_the_label(study):
    """Nothing listed is no proof of nothing there: the label says whose allergens it does not know."""
    told = {"name": "Scent", "level": 0.3, "inci": "Parfum", "allergens": {"Linalool": 0.05}}
    base = {"name": "Perfume base", "level": 0.2, "made_of": {"Parfum": 0.5, "Water": 0.5}}
    silent = {"name": "Fragrance", "level": 0.3, "inci": "Parfum"}
    for items, market, untold in (
        ((told,), "EU", ()), ((told, silent), "EU", ("Fragrance",)),
        ((base,), "EU", ("Parfum",)), ((silent,), "US", ()),
    ):  # fmt: skip
        made = study(*items, market=market)
        (recipe,) = made.complete(pd.DataFrame([{"Stirring": 1.0}])).to_dict("records")
        assert label_of(made, recipe).untold == untold


@pytest.mark.parametrize(
    "inci, product, highest",
    # Regulation (EC) No 1223/2009, Annex V, as % of the material named. Molar masses: standard atomic weights.
    [
        ("Propionic Acid", "rinse-off", 2.0),  # entry 2, version 2021-11-04
        ("Salicylic Acid", "leave-on", 0.5),  # entry 3
        ("Potassium Sorbate", "leave-on", 0.6 * 150.218 / 112.128),  # entry 4, as acid (Directive 76/768/EEC)
        ("Sodium Dehydroacetate", "rinse-off", 0.6 * 190.130 / 168.148),  # entry 13, as acid, from memory
        ("Formic Acid", "rinse-off", 0.5),  # entry 14
        ("Phenoxyethanol", "leave-on", 1.0),  # entry 29, SCCS/1575/16
        ("Benzyl Alcohol", "rinse-off", 1.0),  # entry 34, from memory
        ("Methylparaben", "leave-on", 0.4 * 152.149 / 138.122),  # entry 12, as acid, from memory
        ("Propylparaben", "leave-on", 0.14 * 180.203 / 138.122),  # entry 12a, as acid, from memory
        ("Methylchloroisothiazolinone", "rinse-off", 0.75 * 0.0015),  # entry 39: 3 to 1 with the other, from memory
        ("Iodopropynyl Butylcarbamate", "rinse-off", 0.02),  # entry 56, from memory
        ("Iodopropynyl Butylcarbamate", "leave-on", 0.01),  # entry 56, from memory
        ("Piroctone Olamine", "leave-on", 0.5),  # entry 35, from memory
    ],
)
def test_the_highest_share_of_a_material_is_that_of_its_line(study, findings, inci, product, highest):
    made = study({"name": "Keeper", "low": 0, "high": 5, "inci": inci}, product=product)
    assert "K11" not in findings(made, Keeper=0.999 * highest)
    found = findings(made, Keeper=1.001 * highest)["K11"]
    assert found.level == "stop"
    assert "a qualified safety assessor decide" in found.do


def test_all_parabens_together_have_a_limit_too(study):
    """Annex V, entries 12 and 12a (from memory): 0.8 % as acid in all, though none is above its own."""
    keepers = [{"name": name, "level": level, "inci": name} for name, level in
               (("Methylparaben", 0.40), ("Ethylparaben", 0.40), ("Propylparaben", 0.15))]  # fmt: skip
    (found,) = [p for p in study_findings(study(*keepers)) if p.code == "K11"]
    # 0.40 x 0.9078 + 0.40 x 0.8312 + 0.15 x 0.7665, the shares of the acid by molar mass.
    assert dict(found.numbers)["percent"] == pytest.approx(138.122 * (0.4 / 152.149 + 0.4 / 166.176 + 0.15 / 180.203))


def test_an_oil_is_labelled_by_the_name_of_its_group(study, findings):
    """Lemongrass oil, whichever of its plants it is from: additions of Regulation (EU) 2023/1545 (from memory)."""
    oil = {"name": "Oil", "level": 0.02, "inci": "Cymbopogon Flexuosus Oil"}
    assert "Lemongrass Oil" in findings(study(oil))["K16"].got


def test_a_fragrance_that_does_not_tell_its_allergens_is_asked_once(study):
    def asked(*items, **of):
        return [p.where for p in study_findings(study(*items, **of)) if p.code == "K16" and "does not say" in p.got]

    silent = {"name": "Scent", "level": 0.3, "inci": "Parfum"}
    assert asked(silent) == ["Scent"]
    assert asked(SCENT) == asked(silent | {"allergens": {}}) == []
    assert asked(silent, market="Elsewhere") == []
    # A premix brings that of its parts.
    assert asked(silent, {"name": "Cool phase", "level": 1.0, "made_of": {"Scent": 0.5, "Water": 0.5}}) == [
        "Scent", "Cool phase",
    ]  # fmt: skip
