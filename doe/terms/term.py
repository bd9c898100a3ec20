"""One term of a model: its powers, contrasts and difference, and how it is spelt."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from doe.definition.categories import contrasts, present, short
from doe.definition.keys import nearest

Form = Literal["scheffe", "slack", "process"]
Categories = Mapping[str, Sequence[str]]
_POWERS = {1: "", **dict(enumerate("²³⁴⁵⁶⁷⁸⁹", start=2))}


@dataclass(frozen=True, slots=True)
class Term:
    """A product of levels, of category contrasts, and at most one difference of two levels.

    `powers` and `level` stand in the order of the study's names (`parse` sees to it), so that equal terms are equal;
    the empty term is the intercept.
    """

    powers: tuple[tuple[str, int], ...] = ()
    level: tuple[tuple[str, str], ...] = ()
    difference: tuple[str, str] | None = None

    @property
    def label(self) -> str:
        """The term as people read it: Gum × Wax, Gum², Gum × [Gum wetting: dry], 1 for an intercept."""
        pieces = [name + _POWERS.get(power, f"^{power}") for name, power in self.powers]
        pieces += [f"[{short(factor)}: {level}]" for factor, level in self.level]
        if self.difference:
            pieces.append(f"({self.difference[0]} - {self.difference[1]})")
        return " × ".join(pieces) or "1"

    @property
    def powers_dict(self) -> dict[str, int]:
        """Powers by name, for scripts; a category contrast counts as `[factor: level]` with power 1."""
        return {**dict(self.powers), **{f"[{short(f)}: {v}]": 1 for f, v in self.level}}

    @property
    def order(self) -> int:
        """Total degree, contrasts and the difference counting one each."""
        return sum(p for _, p in self.powers) + len(self.level) + (self.difference is not None)

    def times(self, other: Term) -> Term:
        """The product of two terms; names keep the order in which they come."""
        powers = dict(self.powers)
        for name, power in other.powers:
            powers[name] = powers.get(name, 0) + power
        return Term(tuple(powers.items()), self.level + other.level, self.difference or other.difference)

    def parents(self) -> tuple[Term, ...]:
        """The terms one order lower that divide it (not the intercept)."""
        out = []
        for i, (name, power) in enumerate(self.powers):
            rest = self.powers[:i] + (((name, power - 1),) if power > 1 else ()) + self.powers[i + 1 :]
            out.append(replace(self, powers=rest))
        for i in range(len(self.level)):
            out.append(replace(self, level=self.level[:i] + self.level[i + 1 :]))
        if self.difference:
            out.append(replace(self, difference=None))
        return tuple(t for t in dict.fromkeys(out) if t.order)

    @classmethod
    def parse(cls, text: str, names: Sequence[str], categories: Categories | None = None) -> Term:
        """Read a term such as `Gum × Wax`, `Gum^2`, `Gum * [Gum wetting: dry]`. Raises ValueError in words."""
        term = cls()
        for piece in _split(text, names):
            term = term.times(_piece(piece, names, categories or {}, text))
        if term.level and len({f for f, _ in term.level}) < len(term.level):
            raise ValueError(f"{text}: a category cannot meet itself")
        place, groups = list(names), list(categories or {})
        return cls(
            tuple(sorted(term.powers, key=lambda p: place.index(p[0]))),
            tuple(sorted(term.level, key=lambda v: groups.index(v[0]))),
            term.difference,
        )


def _split(text: str, names: Sequence[str]) -> list[str]:
    """Pieces between × or * signs that do not stand inside a name or brackets."""
    if text.strip() == "1":
        return []
    pieces, depth, current, at = [], 0, "", 0
    longest = sorted(names, key=len, reverse=True)
    while at < len(text):
        name = next((n for n in longest if text.startswith(n, at)), None) if not current.strip() else None
        if name:
            current += name
            at += len(name)
            continue
        depth += {"[": 1, "(": 1, "]": -1, ")": -1}.get(text[at], 0)
        if depth == 0 and text[at] in "×*":
            pieces.append(current.strip())
            current = ""
        else:
            current += text[at]
        at += 1
    return [*pieces, current.strip()]


def _piece(piece: str, names: Sequence[str], categories: Categories, text: str) -> Term:
    """One factor of a product: a name, a power of one, a difference, a category level. Raises ValueError in words."""
    if piece in names:
        return Term(((piece, 1),))
    for factor, levels in categories.items():
        for level in levels:
            spelt = "|".join(re.escape(name) for name in dict.fromkeys([short(factor), factor]))
            if re.fullmatch(rf"\[({spelt}):\s*{re.escape(level)}\]", piece):
                if level not in present(factor, levels):
                    raise ValueError(f"{text}: at {level} there is no material, and so no term for it")
                return Term(level=((factor, level),))
    if piece.startswith("(") and piece.endswith(")"):
        # A name may hold the sign itself, so every place where the bracket could be parted is tried.
        for cut in re.finditer(" [-−] ", piece):
            first, second = piece[1 : cut.start()].strip(), piece[cut.end() : -1].strip()
            if first in names and second in names:
                return Term(difference=(first, second))
    power = re.fullmatch(r"(.+?)\s*([²³⁴-⁹]|\^[1-9])", piece)
    if power and power[1] in names:
        raised = {sign: number for number, sign in _POWERS.items()}
        return Term(((power[1], raised.get(power[2]) or int(power[2][-1])),))
    for factor, levels in categories.items():
        if piece in (factor, short(factor)):
            spelt = ", ".join(f"[{short(factor)}: {level}]" for level in contrasts(factor, levels))
            raise ValueError(f"{text}: {piece} has levels by name, a term each but for the last: {spelt}")
    near = nearest(piece, tuple(names))
    raise ValueError(f"{text}: {piece or 'nothing'} is not known" + (f"; did you mean {near}?" if near else ""))


def is_first_order(term: Term, form: Form) -> bool:
    """Whether a term is of first order in a model of this form, the intercept with them."""
    if form == "scheffe" and not term.powers and not term.level and term.difference is None:
        return True
    return term.order <= 1
