"""Which material a recipe has in an ingredient's place, as its level and its category say together."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from doe.definition.categories import NONE, material_of
from doe.definition.parts import Ingredient
from doe.problems import Problem

if TYPE_CHECKING:
    from doe.study import Study


def settled(item: Ingredient, level: float, given: Any) -> str | Problem:
    """The material of one recipe: none where the level is 0 and it may be absent; what does not fit is a problem.

    `given` is what the category says, or None where it says nothing.
    """
    name, named = material_of(item.name), ", ".join(m.name for m in item.choice)
    if NONE in item.materials and level == 0:
        return NONE
    if given is None or given != given:
        got = f"{item.name} is {level:g}, and nothing says which material it is"
        return Problem("missing-level", "stop", name, got, f"one of {named}", f"give {name}")
    if given == NONE:
        got = f"{item.name} is {level:g}, and its material {NONE}"
        return Problem("material-and-level", "stop", name, got, f"level 0, or one of {named}", "mend one of them")
    if given not in item.materials:
        return Problem("unknown-level", "stop", name, f"came {given!r}", f"one of {named}", "choose one of these")
    return str(given)


def column(item: Ingredient, level: Iterable[float], given: Iterable[Any], problems: list[Problem]) -> list[str]:
    """The materials of many recipes; each way in which they do not fit is told once, in `problems`."""
    out = []
    for value, said in zip(level, given, strict=True):
        found = settled(item, float(value), said)
        if isinstance(found, Problem):
            problems += [] if found in problems else [found]
            found = item.materials[0]
        out.append(found)
    return out


def with_none(ingredients: Iterable[Ingredient], recipe: Mapping[str, Any]) -> dict[str, Any]:
    """A recipe as given, with the material of what it leaves out said as well."""
    out = dict(recipe)
    for item in ingredients:
        if item.choice and NONE in item.materials and out.get(item.name) == 0:
            out.setdefault(material_of(item.name), NONE)
    return out


def chosen_of(study: Study, levels: Mapping[str, Any]) -> dict[str, Any]:
    """The material of each ingredient of one recipe that has a choice, by ingredient."""
    return {f.of: levels.get(f.name) for f in study.category_factors if f.of is not None}


def material(study: Study, ingredient: str, levels: Mapping[str, Any]) -> str:
    """The material of one ingredient of a recipe; nothing where there is no choice, or none of it."""
    chosen = chosen_of(study, levels).get(ingredient)
    return "" if chosen is None or chosen == NONE else str(chosen)


def label(ingredient: str, chosen: str) -> str:
    """An ingredient as papers name it: with the material that stands in its place, where there is a choice."""
    return f"{ingredient}: {chosen}" if chosen else ingredient


def labels(study: Study) -> dict[str, tuple[str, str]]:
    """What papers may call each ingredient, with the ingredient and the material it means ("" where it says none)."""
    out = {item.name: (item.name, "") for item in study.ingredients}
    return out | {label(i.name, m.name): (i.name, m.name) for i in study.ingredients for m in i.choice}


def as_chosen(study: Study, levels: Mapping[str, Any]) -> tuple[Ingredient, ...]:
    """The ingredients of one recipe, each as the material it is made with: its own INCI, price and facts."""
    chosen = chosen_of(study, levels)
    return tuple(item.of(chosen.get(item.name)) for item in study.ingredients)
