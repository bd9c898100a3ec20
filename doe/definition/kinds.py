"""What kind of material an ingredient is, as far as its facts, its INCI name or its own name tell.

The words are those of common practice, no source: a name that says nothing gives no kind, and what rests on kinds
stays silent then.
"""

from __future__ import annotations

import re

from doe.definition.parts import Ingredient

_MOST = 0.5  # of a blend: what the most of it is, the blend is to the hand that weighs it

_WATER = ("aqua", "water")
_GUMS = re.compile(r"\bgums?\b|xanthan|\bguar\b|gellan|carrageenan|\balgin|hydroxyethyl ?cellulose|sclerotium")
_HUMECTANTS = re.compile(r"\b(humectant|(di)?glycerin|glycerine|glycerol|propanediol|glycol|sorbitol)s?\b")
_NO_HUMECTANTS = re.compile(r"glycol \w+ate\b|caprylyl glycol")  # esters, and a wax that keeps
_FRAGRANCES = re.compile(r"parfum|perfume|fragrance|\baroma\b|essential oil")
_PRESERVATIVES = re.compile(
    r"preservative|phenoxyethanol|benzyl alcohol|benzoate\b|benzoic|\bsorbates?\b|sorbic|dehydroacet|salicylic|paraben"
    r"|isothiazolinone|chlorphenesin|hydantoin"
)
_NO_PRESERVATIVES = re.compile(r"alkyl benzoate|(dodecyl|stearyl|octyldodecyl) benzoate")  # emollients
_SEEN = re.compile(r"bead|pearl|sphere")
_CORROSIVES = re.compile(r"\bacid\b|hydroxide|\blye\b|triethanolamine|aminomethyl propanol|\barginine\b")
_MILD_ACIDS = re.compile(r"hyaluronic|stearic|palmitic|oleic|lauric|myristic|behenic")  # acids in name only


def _says(item: Ingredient, words: re.Pattern[str], but: re.Pattern[str] | None = None, least: float = 0.0) -> bool:
    """Whether its INCI names say one of `words` and not one of `but`, together from the share `least` on.

    Its own name says as much, where none of its names says one of `but`.
    """
    own = item.name.casefold()
    inci = [(name.casefold(), share) for name, share in item.inci]
    refused = {name for name in (own, *(name for name, _ in inci)) if but is not None and but.search(name)}
    if words.search(own) and not refused:
        return True
    return sum(share for name, share in inci if name not in refused and words.search(name)) > max(least - 1e-9, 0.0)


def is_water(item: Ingredient) -> bool:
    """Water itself, by its INCI name or its own."""
    names = [name for name, _ in item.inci] or [item.name]
    return any(word in names[0].casefold().split() for word in _WATER)


def is_gum(item: Ingredient) -> bool:
    """A gum that lumps when it meets water dry; one that comes wetted out in something else is none."""
    return _says(item, _GUMS, least=_MOST) and not item.made_of


def is_humectant(item: Ingredient) -> bool:
    """A liquid a gum can be wetted out in before it meets water: of a blend, the most of it."""
    return _says(item, _HUMECTANTS, _NO_HUMECTANTS, least=_MOST)


def is_fragrance(item: Ingredient) -> bool:
    """Fragrance or an essential oil."""
    return "allergens" in item.facts or _says(item, _FRAGRANCES)


def is_preservative(item: Ingredient) -> bool:
    """A preservative."""
    return "acid" in item.facts or _says(item, _PRESERVATIVES, _NO_PRESERVATIVES)


def is_acid_or_alkali(item: Ingredient) -> bool:
    """A corrosive acid or alkali; fatty acids and the like are not."""
    return _says(item, _CORROSIVES, _MILD_ACIDS)


def is_seen(item: Ingredient) -> bool:
    """Particles that are there to be seen."""
    return _says(item, _SEEN)


def is_bead(item: Ingredient) -> bool:
    """A solid that stays a particle in the product and melts when it gets hot."""
    return "melts_c" in item.facts and ("d50_um" in item.facts or "d90_um" in item.facts)
