"""Factors named in the words of a step: `homogenise {Homogenise}` says that trial's own level on its sheet."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

from doe.definition.parts import Factor, Step

_NAMED = re.compile(r"\{([^{}]*)\}")


def factors_named(step: Step) -> tuple[str, ...]:
    """What stands in braces in the words of a step, as written."""
    return tuple(name.strip() for text in (step.does, step.gate) for name in _NAMED.findall(text))


def at_levels(text: str, factors: Iterable[Factor], levels: Mapping[str, Any]) -> str:
    """The words of a step with each factor in braces as the level it has there, with its unit.

    >>> at_levels("homogenise {Time}", [Factor("Time", "min")], {"Time": 5.0})
    'homogenise 5 min'
    """
    known = {factor.name: factor for factor in factors}

    def told(match: re.Match[str]) -> str:
        factor = known.get(match[1].strip())
        if factor is None or factor.name not in levels:
            return match[1].strip()
        value = levels[factor.name]
        return str(value) if factor.is_category else f"{float(value):.6g} {factor.unit}".strip()

    return _NAMED.sub(told, text)
