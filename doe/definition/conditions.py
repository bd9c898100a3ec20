"""Where a limit holds: `when = "Gum is Xanthan A"`, `when = "Gum wetting is dry"`, `when = "Gum is present"`.

A rule on a choice is read alike: `rule = "Gum is not Xanthan A"`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from doe.definition.categories import NONE, PRESENT, material_of
from doe.definition.checks import Notes, folded, shown
from doe.definition.parts import Factor, Ingredient
from doe.definition.responses import hint
from doe.definition.ruletokens import normalised

Condition = tuple[str, tuple[str, ...]]
BARS = "is not"


def read_condition(
    text: str, ingredients: Sequence[Ingredient], factors: Sequence[Factor], where: str, notes: Notes, verb: str = "is"
) -> Condition | None:  # fmt: skip
    """The category and the levels that a `when` means; None, with a problem in `notes`, where it means nothing.

    With the verb "is not", those that a rule on a choice bars.
    """
    known: dict[str, tuple[str, tuple[str, ...]]] = {f.name: (f.name, f.levels) for f in factors if f.is_category}
    known |= {i.name: (material_of(i.name), i.materials) for i in ingredients if i.materials}
    said = normalised(text)
    for name in sorted(known, key=len, reverse=True):
        if folded(said).startswith(f"{folded(name)} {verb} "):
            category, levels = known[name]
            return _levels(category, levels, said[len(name) + len(verb) + 2 :], where, notes)
    allowed = _examples(known, verb)
    do = "give the ingredient a choice or or_none, or the factor levels" if not known else ""
    first = said.partition(f" {verb} ")[0]
    notes.stop("unknown-category", where, f"came {shown(text)}", allowed, do or hint(first, list(known)))
    return None


def _levels(category: str, levels: tuple[str, ...], asked: str, where: str, notes: Notes) -> Condition | None:
    by: dict[str, tuple[str, ...]] = {folded(level): (level,) for level in levels}
    if NONE in levels and category.startswith(material_of("")):
        by[PRESENT] = tuple(level for level in levels if level != NONE)
    if folded(asked) in by:
        return category, by[folded(asked)]
    allowed = "one of " + ", ".join([*levels, *([PRESENT] if PRESENT in by else [])])
    notes.stop("unknown-level", where, f"came {shown(asked)}", allowed, hint(asked, levels))
    return None


def _examples(known: Mapping[str, tuple[str, tuple[str, ...]]], verb: str) -> str:
    """What could stand there, in the names of this study."""
    named = [f'"{name} {verb} {levels[0]}"' for name, (_, levels) in known.items() if levels]
    return "for example " + " or ".join(named[:3]) if named else "a category or a choice of materials"
