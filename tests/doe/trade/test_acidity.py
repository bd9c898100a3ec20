"""pH windows and free acid: by hand; percentages by the closed form that test_acids holds to a printed table."""

import numpy as np
import pandas as pd
import pytest

from doe.trade import Given, TradeChecks, study_findings

SORBATE = {"name": "Sorbate", "level": 0.4, "inci": "Potassium Sorbate", "ph_high": 5.5}
BLUE = {"name": "Blue", "level": 2.0, "ph_low": 6.8, "ph_high": 7.2}


def asked(low, high, **more):
    return [{"name": "pH", "unit": "pH", "method": "meter", "aim": "within", "low": low, "high": high, **more}]


def test_windows_that_do_not_meet_stop_and_name_the_two(study, findings):
    found = findings(study(SORBATE, BLUE))["K15"]
    assert found.level == "stop"
    assert found.where == "Sorbate and Blue"
    assert "1.3 apart" in found.got
    assert "K15" not in findings(study(BLUE))
    assert "K15" not in findings(study(SORBATE))


def test_the_ph_asked_of_the_product_counts_as_a_window(study, findings):
    # 7.0 to 7.2 leaves 0.2 of room; two sd of a reading are 0.1 by default, 0.3 where the study says so.
    assert "K15" not in findings(study(BLUE, response=asked(7.0, 7.5)))
    assert "K15" in findings(study(BLUE, response=asked(7.0, 7.5, sd=0.15)))
    found = findings(study(BLUE, response=asked(5.0, 5.5)))["K15"]
    assert found.where == "pH and Blue"


def test_a_material_that_is_not_there_has_no_window(study):
    maybe = {"name": "Blue", "low": 1.0, "high": 3.0, "or_none": True, "ph_low": 6.8}
    made = study(SORBATE, maybe)
    told = [p for p in study_findings(made) if p.code == "K15"]
    assert len(told) == 1
    assert "in " in told[0].got  # some of the recipes only


def test_a_recipe_is_told_of_its_own_two_whatever_stands_beside_it(study, findings):
    sour = {"name": "Sour", "low": 0.0, "high": 1.0, "ph_high": 5.0}
    made = study(SORBATE, sour, BLUE)
    rows = made.complete(pd.DataFrame([{"Sour": 0.0}, {"Sour": 0.5}]))
    together = [next(p for p in found if p.code == "K15") for found in TradeChecks(made).each(rows)]
    assert [p.where for p in together] == ["Sorbate and Blue", "Sour and Blue"]
    assert together == [findings(made, Sour=0.0)["K15"], findings(made, Sour=0.5)["K15"]]
    assert {p.where for p in study_findings(made) if p.code == "K15"} == {"Sorbate and Blue", "Sour and Blue"}


def test_little_free_acid_at_the_end_of_the_window_is_a_warning_with_both_ends(study, findings):
    benzoate = {"name": "Benzoate", "level": 0.5, "inci": "Sodium Benzoate"}
    found = findings(study(benzoate, response=asked(5.0, 5.5)))["K13"]
    # 1 / (1 + 10^(5.5 - 4.2)) = 4.77 %, at 5.0 13.7 %; 0.5 % of the salt is 0.424 % acid.
    assert found.level == "warn"
    assert "4.8 %" in found.got
    assert "14 %" in found.got
    assert dict(found.numbers)["undissociated"] == pytest.approx(1 / (1 + 10**1.3))
    assert dict(found.numbers)["acid_percent"] == pytest.approx(0.5 * 122.123 / 144.105, rel=1e-4)
    assert "challenge test" in found.do
    assert not {"safe", "preserved"} & set(str(found).lower().replace(",", " ").split())


def test_enough_free_acid_is_told_as_a_note(study, findings):
    found = findings(study(SORBATE, response=asked(4.5, 5.0)))["K13"]
    assert found.level == "inform"
    assert "37 %" in found.got  # Steinberg (2005) prints 37 for sorbic acid at pH 5


def test_oil_is_said_to_hold_acid_back_from_the_water(study, findings):
    # Anderson & Chow (1967) J. Soc. Cosmet. Chem. 18, 207: oil takes a preservative acid out of the water.
    oil = {"name": "Oil", "level": 8.0, "required_hlb": 10}
    told = findings(study(SORBATE, oil, response=asked(4.5, 5.0)))["K13"].do
    assert told.startswith("oil and emulsifier hold some of that back from the water")
    assert told.endswith("only a challenge test tells whether a formula keeps")
    assert "oil" not in findings(study(SORBATE, response=asked(4.5, 5.0)))["K13"].do


def test_the_ph_known_takes_the_place_of_the_window(study, findings):
    made = study(SORBATE, response=asked(4.5, 5.0))
    found = findings(made, given=Given(ph=np.array([6.0]), how="measured"))
    assert "at pH 6 (measured)" in found["K13"].got
    assert found["K13"].level == "warn"  # 5.5 % in the printed table
    assert found["ph-outside"].where == "Sorbate"


def test_nothing_is_said_without_a_ph_or_an_acid(study, findings):
    assert "K13" not in findings(study({k: v for k, v in SORBATE.items() if k != "ph_high"}))
    assert "K13" not in findings(study({"name": "Salt", "level": 1.0, "inci": "Sodium Chloride"}, response=asked(5, 6)))


def test_an_acid_of_ones_own(study, findings):
    own = {"name": "New", "level": 1.0, "acid": {"name": "new", "pka": 4.0, "acid_g_mol": 100, "salt_g_mol": 125}}
    found = findings(study(own, response=asked(3.5, 4.0)))["K13"]
    assert dict(found.numbers) == pytest.approx({"undissociated": 0.5, "low": 0.1, "pka": 4.0, "acid_percent": 0.8})


def test_the_window_of_an_acid_ends_where_its_own_ends_unless_it_does_not_meet_the_rest(study, findings):
    wide = asked(4.0, 7.0)
    # It works up to 5.5, so nobody would go further: 1 / (1 + 10^(5.5 - 4.76)) = 15.4 %.
    met = findings(study(SORBATE, response=wide))["K13"]
    assert dict(met.numbers)["undissociated"] == pytest.approx(1 / (1 + 10**0.74))
    assert met.level == "inform"
    apart = findings(study(SORBATE, BLUE, response=wide))["K13"]
    assert dict(apart.numbers)["undissociated"] == pytest.approx(1 / (1 + 10 ** (7.0 - 4.76)))
    assert apart.level == "warn"
