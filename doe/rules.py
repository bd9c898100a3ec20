"""Reading linear and ratio limits as people write them: `Wax + Oil <= 9`, `Humectant / Gum >= 4`. Nothing is run."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

_NUMBER = re.compile(r"\d+(?:\.\d+)?(?:[eE][+-]?\d+)?|\.\d+")
_COMPARE = re.compile(r"<=|>=|==|=|≤|≥|<|>")
_WORD = re.compile(r"[^\s+\-*/×()<>=≤≥']+")
_SIGNS = "+-*/×()"


class RuleError(ValueError):
    """A rule that cannot be read: `reason`, and the characters at fault as `text[start:end]`."""

    def __init__(self, reason: str, start: int, end: int, do: str = "") -> None:
        super().__init__(reason)
        self.reason = reason
        self.start = start
        self.end = end
        self.do = do


@dataclass(frozen=True, slots=True)
class Rule:
    """`low <= sum(weights[name] * level) <= high`; a side that is absent is None."""

    weights: Mapping[str, float]
    low: float | None
    high: float | None
    divides_by: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Token:
    kind: str
    text: str
    start: int
    end: int


@dataclass(frozen=True, slots=True)
class _Sum:
    """A constant and weights of names; with `under` set, the quotient of this sum and that one."""

    constant: float
    weights: Mapping[str, float]
    under: _Sum | None = None

    @property
    def is_constant(self) -> bool:
        return not any(self.weights.values()) and self.under is None

    def scaled(self, by: float) -> _Sum:
        return _Sum(self.constant * by, {n: w * by for n, w in self.weights.items()}, self.under)

    def plus(self, other: _Sum) -> _Sum:
        names = dict.fromkeys([*self.weights, *other.weights])
        merged = {n: self.weights.get(n, 0.0) + other.weights.get(n, 0.0) for n in names}
        return _Sum(self.constant + other.constant, merged)


def _tokens(text: str, names: Sequence[str]) -> list[_Token]:
    longest_first = sorted(names, key=len, reverse=True)
    found: list[_Token] = []
    at = 0
    while at < len(text):
        if text[at].isspace():
            at += 1
            continue
        token = _next_token(text, at, longest_first)
        found.append(token)
        at = token.end
    return found


def _next_token(text: str, at: int, names: Sequence[str]) -> _Token:
    if text[at] == "'":
        close = text.find("'", at + 1)
        if close < 0:
            raise RuleError("a quoted name does not end", at, len(text), "close the name with '")
        name = text[at + 1 : close]
        if name not in names:
            raise _unknown(name, names, at, close + 1)
        return _Token("name", name, at, close + 1)
    for name in names:
        end = at + len(name)
        if text.startswith(name, at) and (end == len(text) or not _WORD.match(text[end])):
            return _Token("name", name, at, end)
    for kind, pattern in (("compare", _COMPARE), ("number", _NUMBER)):
        match = pattern.match(text, at)
        if match and not (kind == "number" and _WORD.match(text[match.end() : match.end() + 1])):
            return _Token(kind, match.group(), at, match.end())
    if text[at] in _SIGNS:
        return _Token("sign", text[at], at, at + 1)
    match = _WORD.match(text, at)
    end = match.end() if match else at + 1
    word = text[at:end]
    if re.fullmatch(r"\d+,\d+", word):
        raise RuleError(f"{word} has a decimal comma", at, end, f"write {word.replace(',', '.')}")
    raise _unknown(word, names, at, end)


def _unknown(word: str, names: Sequence[str], start: int, end: int) -> RuleError:
    near = difflib.get_close_matches(word, names, n=1, cutoff=0.5)
    do = f"did you mean {near[0]}?" if near else "use the names of ingredients and numeric factors: " + ", ".join(names)
    return RuleError(f"{word} is not the name of an ingredient or numeric factor", start, end, do)


class _Reader:
    """Recursive descent over the tokens of one side after the other."""

    def __init__(self, text: str, tokens: list[_Token]) -> None:
        self.text = text
        self.tokens = tokens
        self.at = 0

    def peek(self) -> _Token | None:
        return self.tokens[self.at] if self.at < len(self.tokens) else None

    def next_sign(self, allowed: str) -> _Token | None:
        token = self.peek()
        if token is not None and token.kind == "sign" and token.text in allowed:
            self.at += 1
            return token
        return None

    def side(self) -> _Sum:
        total = self.product()
        while sign := self.next_sign("+-"):
            right = self.product()
            if total.under is not None or right.under is not None:
                raise RuleError("a ratio stands in a sum", sign.start, sign.end, "multiply the limit out")
            total = total.plus(right if sign.text == "+" else right.scaled(-1.0))
        return total

    def product(self) -> _Sum:
        value = self.factor()
        while sign := self.next_sign("*/×"):
            right = self.factor()
            value = self.divide(value, right, sign) if sign.text == "/" else self.multiply(value, right, sign)
        return value

    def multiply(self, left: _Sum, right: _Sum, sign: _Token) -> _Sum:
        if right.is_constant:
            return left.scaled(right.constant)
        if left.is_constant:
            return right.scaled(left.constant)
        raise RuleError("two levels are multiplied", sign.start, sign.end, "a limit may only be linear, or one ratio")

    def divide(self, left: _Sum, right: _Sum, sign: _Token) -> _Sum:
        if right.is_constant:
            if right.constant == 0:
                raise RuleError("something is divided by zero", sign.start, sign.end)
            return left.scaled(1.0 / right.constant)
        if left.under is not None or right.under is not None:
            raise RuleError("a ratio of ratios", sign.start, sign.end, "multiply the limit out")
        return _Sum(left.constant, left.weights, right)

    def factor(self) -> _Sum:
        if self.next_sign("-"):
            return self.factor().scaled(-1.0)
        if self.next_sign("+"):
            return self.factor()
        if opened := self.next_sign("("):
            inner = self.side()
            if not self.next_sign(")"):
                raise RuleError("a bracket does not close", opened.start, opened.end)
            return inner
        token = self.peek()
        if token is None:
            raise RuleError("the rule stops short", len(self.text), len(self.text), "finish the right-hand side")
        if token.kind not in ("number", "name"):
            raise RuleError(f"{token.text} stands where a name or a number belongs", token.start, token.end)
        self.at += 1
        return _Sum(float(token.text), {}) if token.kind == "number" else _Sum(0.0, {token.text: 1.0})


def parse_rule(text: str, names: Sequence[str]) -> Rule:
    """Read one rule over `names`. Raises RuleError with the characters at fault.

    A ratio `A / B >= k` becomes `A - k B >= 0`, which is the same where B is not negative; the names in B
    are given as `divides_by`.
    """
    reader = _Reader(text, _tokens(text, names))
    sides = [reader.side()]
    signs: list[_Token] = []
    while (token := reader.peek()) is not None:
        if token.kind != "compare":
            raise RuleError(f"{token.text} was not expected here", token.start, token.end, "join terms with + or -")
        signs.append(token)
        reader.at += 1
        sides.append(reader.side())
    if not 1 <= len(signs) <= 2:
        do = "write e.g. Wax + Oil <= 9, or 2 <= Gum <= 3"
        raise RuleError("a rule compares two or three sides with <= or >=", 0, len(text), do)
    for sign in signs:
        if sign.text in "<>":
            raise RuleError(f"{sign.text} is strict", sign.start, sign.end, f"write {sign.text}=")
    return _as_rule(text, sides, [_direction(sign.text) for sign in signs])


def _direction(sign: str) -> int:
    return {"<=": 1, "≤": 1, ">=": -1, "≥": -1}.get(sign, 0)


def _as_rule(text: str, sides: list[_Sum], directions: list[int]) -> Rule:
    if len(sides) == 3:
        if not (sides[0].is_constant and sides[2].is_constant and directions[0] == directions[1] != 0):
            raise RuleError("a rule with three sides reads low <= ... <= high", 0, len(text))
        first, last = sides[0].constant, sides[2].constant
        low, high = (first, last) if directions[0] == 1 else (last, first)
        if low > high:
            raise RuleError(f"{low:g} is above {high:g}", 0, len(text), "swap the two numbers")
        return _bounded(text, sides[1], low, high)
    (left, right), direction = sides, directions[0]
    if left.is_constant:
        left, right, direction = right, left, -direction
    if left.under is not None and right.is_constant:
        value, middle = right.constant, left
    elif left.under is None and right.under is None:
        moved = left.plus(right.scaled(-1.0))
        middle = _Sum(0.0, moved.weights)
        value = -moved.constant
    else:
        raise RuleError("a ratio is compared with something else than a number", 0, len(text), "multiply it out")
    low = value if direction <= 0 else None
    high = value if direction >= 0 else None
    return _bounded(text, middle, low, high)


def _bounded(text: str, middle: _Sum, low: float | None, high: float | None) -> Rule:
    if middle.under is None:
        weights = {n: w for n, w in middle.weights.items() if w}
        if not weights:
            raise RuleError("no level stands in the rule", 0, len(text), "name an ingredient or a numeric factor")
        shift = middle.constant
        return Rule(weights, None if low is None else low - shift, None if high is None else high - shift)
    if low is not None and high is not None and low != high:
        raise RuleError("a ratio has two different limits", 0, len(text), "write it as two rules")
    value = high if low is None else low
    if value is None:
        raise RuleError("a ratio has no limit", 0, len(text))
    moved = _Sum(middle.constant, middle.weights).plus(middle.under.scaled(-value))
    weights = {n: w for n, w in moved.weights.items() if w}
    low, high = (None if low is None else -moved.constant), (None if high is None else -moved.constant)
    return Rule(weights, low, high, tuple(n for n, w in middle.under.weights.items() if w))
