"""Levels of a recipe and settings of a factor, as they are read: to the last digit that tells them apart."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

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


def _fine(study: Study, column: str) -> float | None:
    """The step that shows levels of an ingredient too little of which is used to be told apart in the usual digits."""
    low, high = study.region.reach.get(column, (0.0, 0.0))
    narrow = 0.0 < high - low < _NARROW * study.total
    return 10.0 ** (math.floor(math.log10(high - low)) - 1) if narrow else None
