"""Levels of a recipe and settings of a factor, as they are read: to the last digit that tells them apart."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from doe.definition.categories import ingredient_of, material_of
from reports.numbers import figure, level, plain
from reports.tables import clean

if TYPE_CHECKING:
    from doe.study import Study

_NARROW = 5e-4  # a reach of fewer than five of the last digits shown
_SETTING = 3  # digits of what a factor ranges over


def shown_level(study: Study, column: str, value: Any) -> str:
    """A level of an ingredient or a factor by its step, else to digits that tell levels within its reach apart.

    What the study no longer has is given to three digits.
    """
    if isinstance(value, str):
        return clean(value)
    item = next((i for i in study.ingredients if i.name == column), None)
    if item is not None:
        return level(float(value), item.step or _fine(study, column), study.total)
    factor = next((f for f in study.factors if f.name == column), None)
    if factor is None or factor.low is None or factor.high is None:
        return figure(float(value))
    if factor.step:
        return level(float(value), factor.step)
    text = plain(float(value), max(_SETTING - 1 - math.floor(math.log10(factor.high - factor.low)), 0))
    return text.rstrip("0").rstrip(".") if "." in text else text


def in_one_line(study: Study, levels: Mapping[str, Any]) -> str:
    """The levels of all that varies in a recipe: `Gum 0.64, Beads: Blue perlite 1.8, Homogenise 5`."""
    moving = {i.name for i in study.varied} | {f.name for f in study.factors}
    said = []
    for column in study.columns:
        material = levels.get(material_of(column))
        if ingredient_of(column) is not None or not moving & {column, material_of(column)}:
            continue
        name = clean(column if material is None else f"{column}: {material}")
        said.append(
            f"{name}{':' if isinstance(levels[column], str) else ''} {shown_level(study, column, levels[column])}"
        )
    return ", ".join(said)


def _fine(study: Study, column: str) -> float | None:
    """The step that shows levels of an ingredient too little of which is used to be told apart in the usual digits."""
    low, high = study.region.reach.get(column, (0.0, 0.0))
    narrow = 0.0 < high - low < _NARROW * study.total
    return 10.0 ** (math.floor(math.log10(high - low)) - 1) if narrow else None
