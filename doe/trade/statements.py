"""What a study says of its materials that a check cannot count on: names and facts that disagree, facts that lack."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from doe.definition.kinds import is_fragrance
from doe.definition.materials import label
from doe.definition.parts import Ingredient
from doe.problems import Problem, listed
from doe.trade.composition import Stock, taken_apart, unknown_rest, volume_of
from doe.trade.emulsion import charge_of
from doe.trade.legal import allergen_threshold, is_eu, polymer_of
from doe.trade.rulebook import RULES
from doe.trade.suspension import particles

if TYPE_CHECKING:
    from doe.study import Study

MUCH = 2.0  # % of the product from which a density that is not known is told; our choice


def statements(study: Study) -> tuple[Problem, ...]:
    """The findings of the materials themselves, each once, whatever the recipe."""
    found = [*_diluted(study), *_no_allergens(study), *_no_size(study), *_no_density(study)]
    for name, item in materials(study):
        found += _against_its_name(name, item)
    return tuple(found)


def materials(study: Study) -> Iterator[tuple[str, Ingredient]]:
    """Every material that may stand in a recipe, by the name findings give it."""
    for item in study.ingredients:
        if not item.choice:
            yield item.name, item
        for one in item.choice:
            yield label(item.name, one.name), item.of(one.name)


def _say(code: str, where: str, got: str, allowed: str, do: str) -> Problem:
    return Problem(code, "inform", where, got, allowed, do, RULES[code].source)


def _diluted(study: Study) -> Iterator[Problem]:
    """K03: a material that is diluted and does not say with what."""
    for item in unknown_rest(Stock.of(study)):
        got = f"is {100 * item.assay:g} % active, and does not say what the rest is"
        do = "give made_of, INCI shares or solids; until then its rest counts under its INCI name, and not as water"
        yield _say("K03", item.name, got, "what all of it is", do)


def _against_its_name(name: str, item: Ingredient) -> Iterator[Problem]:
    """A charge or a kind of polymer that is given, where the INCI name tells another."""
    for key, tells in (("charge", charge_of), ("polymer", polymer_of)):
        given, told = item.facts.get(key), tells(item, by_name=True)
        if given is not None and told and told != given:
            got = f"{key} is given as {given}, and its INCI name tells {told}"
            yield _say("name-differs", name, got, "", "nothing, if its supplier says so; what is given counts")


def _no_allergens(study: Study) -> Iterator[Problem]:
    """K16: a fragrance that does not say which allergens it brings, where these go on the label."""
    if allergen_threshold(study) is None:
        return
    known = {item.name: item for item in study.ingredients}
    for name, item in materials(study):
        parts = [part for part, _ in taken_apart(item, known)]
        if (
            any(is_fragrance(part) and "allergens" not in part.facts for part in parts)
            and "allergens" not in item.facts
        ):
            got = "is a fragrance, and does not say which allergens it brings"
            do = 'ask the supplier, and give allergens = { Linalool = "5 %" }, {} if there are none'
            yield _say("K16", name, got, "those that go on the label", do)


def _no_size(study: Study) -> Iterator[Problem]:
    """K17: a synthetic polymer that does not say whether it is a particle."""
    if not is_eu(study):
        return
    for name, item in materials(study):
        if polymer_of(item) == "synthetic" and not {"d50_um", "d90_um"} & set(item.facts):
            got = "is a synthetic polymer, and does not say whether it is solid particles, and of what size"
            do = "give d50_um or d90_um if it stays solid in the product; solid particles up to 5 mm are asked about"
            yield _say("K17", name, got, "its size", do)


def _no_density(study: Study) -> Iterator[Problem]:
    """A density that is not known, where particles stand in what it is part of."""
    if not any(particles(Stock.of(study, dict(c))) for c in study.region.combinations):
        return
    short = []
    known = {item.name: item for item in study.ingredients}
    for item in study.ingredients:
        high = study.region.reach.get(item.name, (0.0, item.level or 0.0))[1]
        rows = [one for name, one in materials(study) if name == item.name or one.name == item.name]
        if 100.0 * high / study.total >= MUCH and any(not _density_known(one, known) for one in rows):
            short.append(item.name)
    if short:
        got = f"no density of {listed(short)}: counted as 1 g/ml in what the particles stand in"
        yield _say("density-unknown", "ingredients, density", got, "g/ml", "give them, if they differ much from water")


def _density_known(item: Ingredient, known: Mapping[str, Ingredient]) -> bool:
    """By itself, or by all parts of a premix."""
    return "density" in item.facts or volume_of(taken_apart(item, known))[1] > 1.0 - 1e-9
