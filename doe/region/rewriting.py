"""A limit read back from its words: a sum or a ratio against a number, and how to write it with another number."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from doe.definition.rules import Rule, parse_rule, written
from doe.definition.ruletokens import RuleError, quoted
from doe.region.limits import number

Array = npt.NDArray[np.float64]

_RIGHT = re.compile(r"([^<>=≤≥/]*[^<>=≤≥/\s])\s*(<=|>=|≤|≥|==?)\s*(\d+(?:\.\d+)?)")
ACTIVE = " (active)"
_TURNED = {"=": "=", ">=": "<=", "<=": ">="}


@dataclass(frozen=True, slots=True)
class Ratio:
    """A limit top - value * under >= 0 (or <= 0, or = 0): `top`, `under` are weights (k,), `text` writes it anew."""

    top: Array
    under: Array
    value: float
    text: Callable[[str], str]


def rule_of(label: str, names: Sequence[str], sign: str) -> Rule | None:
    """The rule of a label, where it can be read in these names; of two, the one with a side for `sign`."""
    try:
        rules = parse_rule(label.removesuffix(ACTIVE), names)
    except RuleError:
        return None
    sides = [r for r in rules if sign == "=" or (r.low if sign == ">=" else r.high) is not None]
    return sides[0] if sides else None


def renumbered(label: str, change: float) -> str | None:
    """A limit whose number stands alone on the right, that number moved; for limits that name what is fixed."""
    found = _RIGHT.fullmatch(label.removesuffix(ACTIVE))
    return f"{found[1]} {found[2]} {number(free_of_dust(float(found[3]) + change))}" if found else None


def free_of_dust(value: float) -> float:
    """The value without what adding decimals leaves at its end."""
    return float(f"{value:.12g}")


def ratio_of(rule: Rule, names: Sequence[str], line: Array, sign: str) -> Ratio | None:
    """The parts of a limit that compares two levels by a number: Humectant >= 4 * Gum, Humectant / Gum >= 4.

    `line` (k,) is the row the rule became: with active contents it carries assays, which the rule as written does not.
    """
    share = {n: abs(float(line[names.index(n)]) / w) for n, w in rule.weights.items()}

    def vector(weights: Mapping[str, float]) -> Array:
        return np.array([weights.get(n, 0.0) * share.get(n, 0.0) for n in names])

    if rule.divisor is not None:
        return _quotient(rule, vector, sign)
    return _multiple(rule, vector, sign) if len(rule.weights) == 2 else None


def _quotient(rule: Rule, vector: Callable[[Mapping[str, float]], Array], sign: str) -> Ratio | None:
    """Above / under >= value was multiplied out to above - value * under; names stand on one side of the line only."""
    divisor = rule.divisor
    if divisor is None or divisor.constant or not set(divisor.weights) <= set(rule.weights):
        return None
    values = [-rule.weights[n] / w for n, w in divisor.weights.items()]
    if max(values) - min(values) > 1e-9 * abs(values[0]):
        return None
    top = {n: w for n, w in rule.weights.items() if n not in divisor.weights}
    words = f"{_sum(top)} / {_sum(divisor.weights)}"
    return Ratio(vector(top), vector(divisor.weights), values[0], lambda v: f"{words} {sign} {v}") if top else None


def _multiple(rule: Rule, vector: Callable[[Mapping[str, float]], Array], sign: str) -> Ratio | None:
    (a, wa), (b, wb) = rule.weights.items()
    if wa * wb > 0:
        return None
    # Written as one name against a multiple of the other: the one that stood alone stays alone.
    if abs(wa) != 1 and abs(wb) == 1:
        (a, wa), (b, wb) = (b, wb), (a, wa)
    sign = sign if wa > 0 else _TURNED[sign]
    return Ratio(vector({a: 1.0}), vector({b: 1.0}), -wb / wa, lambda v: f"{quoted(a)} {sign} {v} * {quoted(b)}")


def _sum(weights: Mapping[str, float]) -> str:
    """A sum as it stands on one side of a ratio."""
    text = written(weights, 0.0, None).removesuffix(" >= 0")
    return text if len(weights) == 1 else f"({text})"
