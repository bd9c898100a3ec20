"""Reading linear and ratio limits as people write them: `Wax + Oil <= 9`, `Humectant / Gum >= 4`. Nothing is run."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from doe.definition.ruletokens import _LARGEST, RuleError, Token, next_token, quoted

_DIRECTIONS = {"<=": 1, "≤": 1, ">=": -1, "≥": -1, "=": 0, "==": 0}
_LONGEST = 2000
_DEEPEST = 40


@dataclass(frozen=True, slots=True)
class Linear:
    """`constant + sum(weights[name] * level of name)`; no weight is 0."""

    constant: float
    weights: Mapping[str, float]

    def scaled(self, by: float) -> Linear:
        """The same times a number."""
        return Linear(self.constant * by, {n: w * by for n, w in self.weights.items() if w * by})

    def plus(self, other: Linear) -> Linear:
        """The sum of both; weights that cancel are left out."""
        names = dict.fromkeys([*self.weights, *other.weights])
        merged = {n: self.weights.get(n, 0.0) + other.weights.get(n, 0.0) for n in names}
        return Linear(self.constant + other.constant, {n: w for n, w in merged.items() if w})

    def least(self, bounds: Mapping[str, tuple[float, float]]) -> float:
        """The lowest value where each level is anywhere within its bounds (low, high)."""
        return self.constant + sum(min(w * bounds[n][0], w * bounds[n][1]) for n, w in self.weights.items())


@dataclass(frozen=True, slots=True)
class Rule:
    """`low <= sum(weights[name] * level) <= high`; a side that is absent is None.

    A ratio was multiplied by its lower part, `divisor`: that is the same limit only where the divisor is above 0.
    """

    weights: Mapping[str, float]
    low: float | None
    high: float | None
    divisor: Linear | None = None


@dataclass(frozen=True, slots=True)
class _Value:
    """A linear sum, or the quotient of two."""

    top: Linear
    under: Linear | None = None

    @property
    def is_constant(self) -> bool:
        return not self.top.weights and self.under is None

    def scaled(self, by: float) -> _Value:
        return _Value(self.top.scaled(by), self.under)


def written(weights: Mapping[str, float], low: float | None, high: float | None) -> str:
    """A limit as a rule that reads back to the same numbers. Raises ValueError when it has no side or no name."""
    if (low is None and high is None) or not any(weights.values()):
        raise ValueError("a limit needs a name and a side")
    body = ""
    for name, weight in weights.items():
        size = "" if abs(weight) == 1 else f"{_shortest(abs(weight))} * "
        sign = ("" if weight >= 0 else "-") if not body else (" + " if weight >= 0 else " - ")
        body += f"{sign}{size}{quoted(name)}"
    if low is not None and high is not None:
        return f"{body} = {_shortest(low)}" if low == high else f"{_shortest(low)} <= {body} <= {_shortest(high)}"
    return f"{body} >= {_shortest(low)}" if low is not None else f"{body} <= {_shortest(high or 0.0)}"


def _shortest(value: float) -> str:
    return f"{value:g}" if float(f"{value:g}") == value else repr(value)


def pointed(text: str, error: RuleError) -> str:
    """The rule with the characters at fault between >> and <<; of a long one only what stands near them."""
    before, fault, after = text[: error.start], text[error.start : error.end], text[error.end :]
    before = before if len(before) <= 40 else "..." + before[-37:]
    after = after if len(after) <= 40 else after[:37] + "..."
    fault = fault if len(fault) <= 60 else fault[:57] + "..."
    return f"{before}>>{fault}<<{after}"


def parse_rule(text: str, names: Sequence[str]) -> tuple[Rule, ...]:
    """Read one rule over `names`, all `normalised`. Raises RuleError with the characters at fault.

    A ratio `A / B >= k` becomes `A - k B >= 0`; one with two ends, `j <= A / B <= k`, becomes two rules. All else is
    one rule.
    """
    reader = _reader(text, names)
    sides = [reader.side()]
    signs: list[Token] = []
    while (token := reader.peek()) is not None:
        if token.kind != "compare":
            raise _misplaced(token)
        signs.append(token)
        reader.at += 1
        sides.append(reader.side())
    for sign in signs:
        if sign.text not in _DIRECTIONS:
            meant = {"<": "<=", ">": ">=", "=<": "<=", "=>": ">="}[sign.text]
            what = "is strict, which weighing cannot tell" if len(sign.text) == 1 else "is written the other way round"
            raise RuleError(f"{sign.text} {what}", sign.start, sign.end, f"write {meant}")
    if not 1 <= len(signs) <= 2:
        do = "write e.g. Wax + Oil <= 9, or 2 <= Gum <= 3"
        raise RuleError("a rule compares two or three sides with <= or >=", 0, len(text), do)
    directions = [_DIRECTIONS[sign.text] for sign in signs]
    return _two_sided(text, sides, directions[0]) if len(signs) == 1 else _three_sided(text, sides, directions)


def parse_sum(text: str, names: Sequence[str]) -> Linear:
    """Read a linear sum such as `Wax + 0.5 * Oil` over `names`, all `normalised`. Raises RuleError."""
    reader = _reader(text, names)
    value = reader.side()
    token = reader.peek()
    if token is not None:
        raise _misplaced(token)
    if value.under is not None:
        raise RuleError("a ratio is not a linear sum", 0, len(text), "use sums of weights times levels")
    if not value.top.weights:
        raise RuleError("no level stands in the sum", 0, len(text), "name an ingredient or a numeric factor")
    return value.top


def _misplaced(token: Token) -> RuleError:
    do = "write * between a number and a name" if token.kind in ("name", "number") or token.text == "(" else ""
    return RuleError(f"{token.text} was not expected here", token.start, token.end, do or "join terms with + or -")


def _reader(text: str, names: Sequence[str]) -> _Reader:
    if len(text) > _LONGEST:
        raise RuleError(f"it has {len(text)} characters", 0, len(text), f"up to {_LONGEST}")
    longest_first = sorted(names, key=len, reverse=True)
    found: list[Token] = []
    at = 0
    while at < len(text):
        if text[at].isspace():
            at += 1
            continue
        found.append(next_token(text, at, longest_first))
        at = found[-1].end
    return _Reader(text, found)


class _Reader:
    """Recursive descent over the tokens of one side after the other."""

    def __init__(self, text: str, tokens: list[Token]) -> None:
        self.text = text
        self.tokens = tokens
        self.at = 0
        self.depth = 0

    def peek(self) -> Token | None:
        return self.tokens[self.at] if self.at < len(self.tokens) else None

    def next_sign(self, allowed: str) -> Token | None:
        token = self.peek()
        if token is not None and token.kind == "sign" and token.text in allowed:
            self.at += 1
            return token
        return None

    def side(self) -> _Value:
        total = self.product()
        while sign := self.next_sign("+-"):
            right = self.product()
            total = self.add(total, right if sign.text == "+" else right.scaled(-1.0), sign)
        return total

    def add(self, left: _Value, right: _Value, sign: Token) -> _Value:
        if left.under is None and right.under is None:
            return _Value(left.top.plus(right.top))
        raise RuleError("a ratio stands in a sum", sign.start, sign.end, "multiply the limit out")

    def product(self) -> _Value:
        value = self.factor()
        while sign := self.next_sign("*/"):
            right = self.factor()
            value = self.divide(value, right, sign) if sign.text == "/" else self.multiply(value, right, sign)
        return value

    def multiply(self, left: _Value, right: _Value, sign: Token) -> _Value:
        if right.is_constant:
            return left.scaled(right.top.constant)
        if left.is_constant:
            return right.scaled(left.top.constant)
        raise RuleError("two levels are multiplied", sign.start, sign.end, "a limit may only be linear, or one ratio")

    def divide(self, left: _Value, right: _Value, sign: Token) -> _Value:
        if right.is_constant:
            if right.top.constant == 0:
                raise RuleError("something is divided by zero", sign.start, sign.end, "divide by a number above 0")
            return left.scaled(1.0 / right.top.constant)
        if left.under is not None or right.under is not None:
            raise RuleError("a ratio of ratios", sign.start, sign.end, "multiply the limit out")
        return _Value(left.top, right.top)

    def factor(self) -> _Value:
        negative = False
        while sign := self.next_sign("+-"):
            negative ^= sign.text == "-"
        value = self.atom()
        return value.scaled(-1.0) if negative else value

    def atom(self) -> _Value:
        if opened := self.next_sign("("):
            self.depth += 1
            if self.depth > _DEEPEST:
                raise RuleError("too many brackets in brackets", opened.start, opened.end, "multiply the limit out")
            inner = self.side()
            self.depth -= 1
            if not self.next_sign(")"):
                raise RuleError("a bracket does not close", opened.start, opened.end, "close it with )")
            return inner
        token = self.peek()
        if token is None:
            raise RuleError("the rule stops short", len(self.text), len(self.text), "finish the right-hand side")
        if token.kind not in ("number", "name"):
            do = "write a name or a number there"
            raise RuleError(f"{token.text} stands where a name or a number belongs", token.start, token.end, do)
        self.at += 1
        if token.kind == "number":
            return _Value(Linear(float(token.text), {}))
        return _Value(Linear(0.0, {token.text: 1.0}))


def _three_sided(text: str, sides: list[_Value], directions: list[int]) -> tuple[Rule, ...]:
    if not (sides[0].is_constant and sides[2].is_constant and directions[0] == directions[1] != 0):
        do = "numbers at both ends and the same sign twice, or write two limits"
        raise RuleError("a rule with three sides reads low <= ... <= high", 0, len(text), do)
    first, last = sides[0].top.constant, sides[2].top.constant
    low, high = (first, last) if directions[0] == 1 else (last, first)
    if low > high:
        raise RuleError(f"{low:g} is above {high:g}", 0, len(text), "swap the two numbers")
    return _bounded(text, sides[1], low, high)


def _two_sided(text: str, sides: list[_Value], direction: int) -> tuple[Rule, ...]:
    left, right = sides
    if left.is_constant:
        left, right, direction = right, left, -direction
    if left.under is not None and right.is_constant:
        middle, value = left, right.top.constant
    elif left.under is None and right.under is None:
        moved = left.top.plus(right.top.scaled(-1.0))
        middle, value = _Value(Linear(0.0, moved.weights)), -moved.constant
    else:
        do = "multiply it out"
        raise RuleError("a ratio is compared with something else than a number", 0, len(text), do)
    return _bounded(text, middle, value if direction <= 0 else None, value if direction >= 0 else None)


def _bounded(text: str, middle: _Value, low: float | None, high: float | None) -> tuple[Rule, ...]:
    if middle.under is None:
        return (_checked(text, middle.top, low, high, None),)
    if low is None or high is None or low == high:
        value = high if low is None else low
        body = middle.top.plus(middle.under.scaled(-(value or 0.0)))
        ends = (None if low is None else 0.0, None if high is None else 0.0)
        return (_checked(text, body, *ends, middle.under),)
    return _bounded(text, middle, low, None) + _bounded(text, middle, None, high)


def _checked(text: str, body: Linear, low: float | None, high: float | None, divisor: Linear | None) -> Rule:
    low, high = (None if side is None else side - body.constant + 0.0 for side in (low, high))
    if not body.weights:
        raise RuleError("no level is left in the rule", 0, len(text), "name an ingredient or a numeric factor")
    if not all(math.isfinite(v) and abs(v) <= _LARGEST for v in (*body.weights.values(), low or 0.0, high or 0.0)):
        raise RuleError("a number in it is too large", 0, len(text), f"numbers up to {_LARGEST:.0e}")
    return Rule(body.weights, low, high, divisor)
