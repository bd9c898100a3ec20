"""What kind of material an ingredient is, as far as its facts, its INCI name or its own name tell.

The words are those of common practice, no source: a name that says nothing gives no kind, and what rests on kinds
stays silent then.
"""

from __future__ import annotations

from doe.definition.parts import Ingredient

_WATER = ("aqua", "water")
_GUMS = ("gum", "xanthan", "guar", "gellan", "carrageenan", "alginate", "hydroxyethylcellulose", "sclerotium")
_HUMECTANTS = (
    "humectant", "glycerin", "glycerine", "glycerol", "propanediol", "glycol", "sorbitol",
)  # fmt: skip
_FRAGRANCES = ("parfum", "perfume", "fragrance", "aroma", "essential oil")
_PRESERVATIVES = (
    "preservative", "phenoxyethanol", "benzyl alcohol", "benzoate", "benzoic", "sorbate", "sorbic", "dehydroacet",
    "salicylic", "paraben", "isothiazolinone", "chlorphenesin", "hydantoin",
)  # fmt: skip
_CORROSIVES = ("acid", "hydroxide", "lye", "triethanolamine", "aminomethyl propanol", "arginine")
_MILD_ACIDS = ("hyaluronic", "stearic", "palmitic", "oleic", "lauric", "myristic", "behenic")  # acids in name only


def _says(item: Ingredient, words: tuple[str, ...]) -> bool:
    names = [item.name, *(name for name, _ in item.inci)]
    return any(word in name.casefold() for name in names for word in words)


def is_water(item: Ingredient) -> bool:
    """Water itself, by its INCI name or its own."""
    names = [name for name, _ in item.inci] or [item.name]
    return any(word in names[0].casefold().split() for word in _WATER)


def is_gum(item: Ingredient) -> bool:
    """A gum that lumps when it meets water dry."""
    return _says(item, _GUMS) and not item.made_of


def is_humectant(item: Ingredient) -> bool:
    """A liquid a gum can be wetted out in before it meets water."""
    return _says(item, _HUMECTANTS) and not _says(item, ("stearate", "distearate", "dicaprylate"))


def is_fragrance(item: Ingredient) -> bool:
    """Fragrance or an essential oil."""
    return "allergens" in item.facts or _says(item, _FRAGRANCES)


def is_preservative(item: Ingredient) -> bool:
    """A preservative."""
    return "acid" in item.facts or _says(item, _PRESERVATIVES)


def is_acid_or_alkali(item: Ingredient) -> bool:
    """A corrosive acid or alkali; fatty acids and the like are not."""
    return _says(item, _CORROSIVES) and not _says(item, _MILD_ACIDS)


def is_seen(item: Ingredient) -> bool:
    """Particles that are there to be seen."""
    return _says(item, ("bead", "pearl", "sphere"))


def is_bead(item: Ingredient) -> bool:
    """A solid that stays a particle in the product and melts when it gets hot."""
    return "melts_c" in item.facts and ("d50_um" in item.facts or "d90_um" in item.facts)
