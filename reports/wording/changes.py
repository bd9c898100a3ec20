"""Sentences on what has moved: the formula, the chances of formulas kept, a better one than the confirmed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from doe.definition.categories import ingredient_of
from doe.study import Study
from reports.numbers import likely, listed
from reports.tables import clean
from reports.wording.levels import shown_level


def changed_line(study: Study, changed: Mapping[str, Any] | None) -> str:
    """One sentence on the formula found now against the one found before; nothing where nothing moved on."""
    if not changed:
        return ""
    said = f"Since the last search ({listed(list(changed['because']))}): {_from_to(*changed['chance'])}"
    if not changed["levels"]:
        return f"{said}; the formula is the same."
    moves = [_move(study, name, *pair) for name, pair in changed["levels"].items() if not _is_fill(study, name)]
    return f"{said}; {'; '.join(moves)}." if moves else f"{said}."


def held_words(asked: Mapping[str, Any] | None) -> str:
    """Under what a formula is the best, where it is not by all that the study allows and by the chance."""
    asked = asked or {}
    under = ["by desirability"] if asked.get("objective") == "desirability" else []
    under += [f"with {clean(str(asked['hold']))} held"] if asked.get("hold") else []
    return " and ".join([*under, *(["outside what was tried too"] if asked.get("outside") else [])])


def look_line(name: str, own: str | None = None) -> str:
    """That a search was only a look at what would be, and how to go on with what it found.

    `own` is the name of the formula of the study, where it has one: a look may find the same.
    """
    if name == own:
        return f"This is a look, and it finds the formula of the study: {clean(name)}."
    return (
        f"This is a look: the formula of the study stays what it was. To go on with {clean(name)}, "
        f"give --formula {clean(name)} to next or card."
    )


def stays_line(found: str, due: Mapping[str, Any]) -> str:
    """That a formula confirmed before stays that of the study, where another was found now; nothing otherwise."""
    own, other = clean(str(due["formula"])), clean(found)
    if own == other:
        return ""
    return (
        f"{own}, which fresh batches confirmed, stays the formula of the study: report, next and card go on with it. "
        f"To test {other} beside it: next --confirm --formula {other}."
    )


def kept_line(name: str, label: str, best: str) -> str:
    """Which formula was kept, and where: the best, or the other that bears the name."""
    which = "one of the others" if label != best else "the formula above"
    return f"Kept as {clean(name)}, {which}: formulas/{clean(name)}.json."


def kept_lines(kept: Sequence[Mapping[str, Any]]) -> list[str]:
    """A sentence a kept formula whose chance is no longer what it was when it was kept, or that is allowed no more."""
    lines = []
    for entry in kept:
        then, now, name = entry["then"], entry["now"], clean(str(entry["formula"]))
        if not isinstance(then, float):
            continue
        if entry.get("breaks"):
            broken = clean(listed([str(limit) for limit in entry["breaks"]]))
            lines.append(f"{name}, kept with a chance of {likely(then)}, is not allowed any more: {broken}.")
        elif not isinstance(now, float):
            why = now.get("unavailable", "") if isinstance(now, Mapping) else ""
            lines.append(f"{name} was kept with a chance of {likely(then)}; none can be given any more: {why}.")
        elif likely(then) != likely(now):
            lines.append(f"{name} was kept with a chance of {likely(then)}; by all that is known now {likely(now)}.")
    return lines


def better_line(better: Mapping[str, Any] | None) -> str:
    """That the models now hold another formula for better than the confirmed one; nothing where they do not."""
    if better is None:
        return ""
    other, own = clean(str(better["formula"])), clean(str(better["confirmed"]))
    now, then = likely(better["chance"]), likely(better["confirmed_chance"])
    return (
        f"With the fresh batches known, the models hold another formula, {other}, for better: {now} as predicted, "
        f"against {then} of {own}. It is not confirmed: optimise shows it, next --confirm --formula {other} would "
        "test it."
    )


def weighed_line(share: float, chances: Mapping[str, tuple[float, tuple[str, float, float] | None]]) -> str:
    """The chance of each recipe when every weighing is off by up to `share` of it, and what takes most of it."""
    each = "; ".join(
        f"{recipe_name(name)} {likely(float(chance), 1)}{_mostly(fall)}" for name, (chance, fall) in chances.items()
    )
    return f"With every weighing off by up to {100 * share:g} % of it, the chance is: {each}."


def recipe_name(label: object) -> str:
    """What a recipe that was asked about is called: by its own name, or by its number."""
    return f"Recipe {label}" if str(label).isdigit() else clean(label)


def _mostly(fall: tuple[str, float, float] | None) -> str:
    return "" if fall is None else f" (mostly by {clean(fall[0])}: {likely(fall[1])} to {likely(fall[2])})"


def _from_to(then: Any, now: Any) -> str:
    if not isinstance(then, float) or not isinstance(now, float):
        return "the chance cannot be compared"
    if likely(then) == likely(now):
        return f"the chance is {likely(now)} as before"
    return f"the chance went from {likely(then)} to {likely(now)}"


def _move(study: Study, name: str, then: Any, now: Any) -> str:
    name = name if ingredient_of(name) is None else f"{ingredient_of(name)}:"
    return f"{clean(name)} {shown_level(study, name, then)} to {shown_level(study, name, now)}"


def _is_fill(study: Study, name: str) -> bool:
    return study.fill is not None and study.fill.name == name
