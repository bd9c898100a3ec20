"""Emulsions, gums and charge: closed forms, and common practice without a source."""

import pytest

from doe import Study

POLY = {"name": "Polysorbate 80", "low": 0.0, "high": 5.0, "hlb": 15.0}
SORB = {"name": "Sorbitan oleate", "low": 0.0, "high": 5.0, "hlb": 4.3}


def test_hlb_of_a_blend_is_its_mean_by_weight(study, findings):
    """Griffin (1949): 70 % at 15.0 and 30 % at 4.3 give 11.8 (the usual textbook example; from memory)."""
    oil = {"name": "Oil", "level": 20.0, "required_hlb": 13.79}
    found = findings(study(POLY, SORB, oil), {"Polysorbate 80": 3.5, "Sorbitan oleate": 1.5})["K19"]
    assert dict(found.numbers)["hlb_gap"] == pytest.approx(11.79 - 13.79)
    assert "2 below" in found.got
    assert found.level == "inform"
    near = {"name": "Oil", "level": 20.0, "required_hlb": 12.7}
    assert "K19" not in findings(study(POLY, SORB, near), {"Polysorbate 80": 3.5, "Sorbitan oleate": 1.5})


def test_what_oils_require_is_their_mean_by_weight(study, findings):
    oils = [{"name": "Oil", "level": 15.0, "required_hlb": 12}, {"name": "Wax", "level": 5.0, "required_hlb": 8}]
    one = {"name": "One", "low": 1.0, "high": 5.0, "hlb": 13.0}
    assert dict(findings(study(one, *oils), One=3.0)["K19"].numbers)["hlb_gap"] == pytest.approx(13 - 11)


def test_without_oil_or_emulsifier_hlb_is_silent(study, findings):
    assert not findings(study(POLY, SORB), {"Polysorbate 80": 1, "Sorbitan oleate": 1})
    assert "K19" not in findings(study({"name": "Oil", "low": 1, "high": 20, "required_hlb": 12}), Oil=10)
    absent = study(POLY, {"name": "Oil", "level": 10.0, "required_hlb": 12})
    assert "K19" not in findings(absent, {"Polysorbate 80": 0.0})


def test_too_little_emulsifier_for_the_oil(study, findings):
    made = study(POLY, {"name": "Oil", "level": 20.0, "required_hlb": 15})
    assert "emulsifier-share" in findings(made, {"Polysorbate 80": 1.9})
    assert "emulsifier-share" not in findings(made, {"Polysorbate 80": 2.0})


@pytest.mark.parametrize(
    "first, second, clashes",
    [
        ({"charge": "anionic"}, {"charge": "cationic"}, True),
        ({"inci": "Xanthan Gum"}, {"inci": "Polyquaternium-10"}, True),
        ({"inci": "Xanthan Gum"}, {"inci": "Polyquaternium-10", "charge": "none"}, False),
        ({"inci": "Carbomer"}, {"inci": "Behentrimonium Chloride"}, True),
        ({"inci": "Hydroxyethylcellulose"}, {"inci": "Polyquaternium-10"}, False),
        ({"charge": "anionic"}, {"charge": "amphoteric"}, False),
        ({}, {}, False),
    ],
)
def test_anionic_beside_cationic(study, findings, first, second, clashes):
    made = study({"name": "One", "low": 0, "high": 1, **first}, {"name": "Two", "low": 0, "high": 1, **second})
    assert ("K18" in findings(made, One=0.5, Two=0.5)) == clashes
    assert "K18" not in findings(made, One=0.5, Two=0.0)


def test_gum_needs_humectant_to_be_wetted_out(study, findings):
    made = study({"name": "Gum", "low": 0.2, "high": 1}, {"name": "Glycerin", "low": 0, "high": 5})
    found = findings(made, Gum=1.0, Glycerin=2.5)["K46"]
    assert "Glycerin >= 3 * Gum" in found.do
    assert "K46" not in findings(made, Gum=1.0, Glycerin=3.0)
    tried = [{"name": "Gum wetting", "levels": ["dry", "in humectant"]}]
    row = {"Gum": 1.0, "Glycerin": 2.5, "Gum wetting": "dry"}
    gums = ({"name": "Gum", "low": 0.2, "high": 1}, {"name": "Glycerin", "low": 0, "high": 5})
    assert "K46" not in findings(study(*gums, factor=tried), row)


def test_use_range_of_the_supplier(study, findings):
    made = study({"name": "Gum", "low": 0.0, "high": 3.0, "use_low": 0.3, "use_high": 1.5})
    assert "use-range" in findings(made, Gum=0.2)
    assert "use-range" in findings(made, Gum=1.6)
    assert "use-range" not in findings(made, Gum=1.5)
    assert "use-range" not in findings(made, Gum=0.0)


def test_the_limit_that_is_advised_for_several_gums_cures_when_it_is_written_down(study):
    """K46: humectants in all at least 3 times all gums, whatever their names."""
    import re

    from doe.trade import study_findings

    rows = (
        {"name": "Gum A (fine)", "low": 0.2, "high": 1, "inci": "Xanthan Gum"}, {"name": "Guar", "low": 0, "high": 0.5},
        {"name": "Glycerin", "low": 0, "high": 5}, {"name": "Propanediol", "low": 0, "high": 3},
    )  # fmt: skip
    (told,) = [p for p in study_findings(study(*rows)) if p.code == "K46"]
    rule = re.search('rule = "(.+?)"', told.do)[1]
    assert rule == "Glycerin + Propanediol >= 3 * 'Gum A (fine)' + 3 * Guar"
    assert not [p for p in study_findings(study(*rows, limit=[{"rule": rule}])) if p.code == "K46"]


def test_two_choices_that_clash_are_told_with_the_limit_that_keeps_them_apart(study):
    from doe.trade import study_findings

    gum = {"name": "Gum", "low": 0.1, "high": 0.5, "choice": [{"name": "A", "charge": "anionic"}, {"name": "B"}]}
    soap = {"name": "Soap", "low": 1, "high": 2, "choice": [{"name": "C", "charge": "cationic"}, {"name": "D"}]}
    (found,) = [p for p in study_findings(study(gum, soap)) if p.code == "K18"]
    assert found.do.endswith('rule = "Gum is not A", when = "Soap is C"')
    source = study(gum, soap).to_dict()
    source["limit"] = [{"rule": "Gum is not A", "when": "Soap is C"}]
    assert "K18" not in {p.code for p in study_findings(Study.from_dict(source))}


@pytest.mark.parametrize(
    ("thick", "other", "said"),
    # Common practice, no source; gums in washes of sugar surfactant and betaine: a trade thread.
    [
        ("Xanthan Gum", "Decyl Glucoside", "come out"),
        ("Carrageenan", "Cocamidopropyl Betaine", "come out"),
        ("Xanthan Gum", "Coco-Betaine", "come out"),
        ("Xanthan Gum", "Betaine", None),  # trimethylglycine, a humectant
        ("Carbomer", "Sodium Chloride", "salt thins"),
        ("Carbomer", "Decyl Glucoside", None),
        ("Hydroxyethylcellulose", "Sodium Chloride", None),
    ],
)
def test_pairs_that_thin_or_come_out(study, findings, thick, other, said):
    rows = ({"name": "Thick", "level": 0.5, "inci": thick}, {"name": "Other", "low": 0.0, "high": 9.0, "inci": other})
    found = findings(study(*rows), Other=5.0).get("gum-pair")
    assert (found is None) if said is None else (said in found.got and found.where == "Thick and Other")
    assert "gum-pair" not in findings(study(*rows), Other=0.0)
