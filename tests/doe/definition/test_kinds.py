"""Kinds of material by name. INCI names and what each is: common practice, no source."""

import pytest

from doe.definition import kinds
from doe.definition.parts import Ingredient

KINDS = ("is_gum", "is_humectant", "is_fragrance", "is_preservative", "is_acid_or_alkali", "is_seen")


def kinds_of(item):
    return {kind for kind in KINDS if getattr(kinds, kind)(item)}


@pytest.mark.parametrize(
    ("inci", "kind"),
    [
        ("Xanthan Gum", "is_gum"),
        ("Guar Hydroxypropyltrimonium Chloride", "is_gum"),
        ("Algin", "is_gum"),
        ("Glycerin", "is_humectant"),
        ("Propylene Glycol", "is_humectant"),
        ("Sorbitol", "is_humectant"),
        ("Parfum", "is_fragrance"),
        ("Potassium Sorbate", "is_preservative"),
        ("Sodium Benzoate", "is_preservative"),
        ("Citric Acid", "is_acid_or_alkali"),
        ("Sodium Hydroxide", "is_acid_or_alkali"),
        # An alpha-hydroxy acid is no glycol.
        ("Glycolic Acid", "is_acid_or_alkali"),
    ],
)
def test_a_name_tells_the_kind(inci, kind):
    assert kinds_of(Ingredient("X", "varied", inci=((inci, 1.0),))) == {kind}
    assert kinds_of(Ingredient(inci, "varied")) == {kind}


@pytest.mark.parametrize(
    "inci",
    [
        "Polysorbate 20",  # solubiliser
        "C12-15 Alkyl Benzoate",  # emollient
        "Ethylhexylglycerin",  # helps preservatives; not a solvent for gum
        "Caprylyl Glycol",  # a wax at room temperature
        "Glycol Distearate",  # pearliser
        "Propylene Glycol Dicaprylate",  # emollient ester
        "Polyethylene",  # holds the letters of lye
        "Stearic Acid",  # a fatty acid
        "Hydrolyzed Legume Protein",  # holds the letters of gum
    ],
)
def test_names_that_hold_the_letters_of_a_kind_are_not_of_it(inci):
    assert kinds_of(Ingredient("X", "varied", inci=((inci, 1.0),))) == set()
    assert kinds_of(Ingredient(inci, "varied")) == set()


def test_a_blend_is_what_the_most_of_it_is():
    extract = Ingredient("Extract", "varied", inci=(("Aqua", 0.5), ("Glycerin", 0.45), ("Phenoxyethanol", 0.05)))
    assert kinds_of(extract) == {"is_preservative"}  # a preservative counts in any share
    assert kinds_of(Ingredient("Syrup", "varied", inci=(("Sorbitol", 0.7), ("Aqua", 0.3)))) == {"is_humectant"}
    wetted = Ingredient("Thickener", "varied", inci=(("Glycerin", 0.8), ("Xanthan Gum", 0.2)))
    assert kinds_of(wetted) == {"is_humectant"}


def test_its_own_name_counts_unless_its_inci_name_says_otherwise():
    assert kinds_of(Ingredient("Fatty acid", "varied", inci=(("Palmitic Acid", 1.0),))) == set()
    assert kinds_of(Ingredient("Humectant", "varied")) == {"is_humectant"}
    assert kinds_of(
        Ingredient("Preservative", "varied", inci=(("Phenoxyethanol", 0.9), ("C12-15 Alkyl Benzoate", 0.1)))
    ) == {"is_preservative"}
