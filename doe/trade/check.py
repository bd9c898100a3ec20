"""One check held against many recipes at once, and the findings that come of it: numbers first, words where asked.

Functions of this room that yield checks take a `Stock` of m materials and `percent` (n, m), the share of each in n
recipes, as supplied [% of the product]; and, where they ask for readings, what is known of these recipes as `Given`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from doe.problems import Level, Problem
from doe.trade.forms import Form
from doe.trade.rulebook import RULES

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Words = Callable[[float], str]

_SLACK = 1e-9


@dataclass(frozen=True, slots=True)
class Given:
    """What is known of n recipes besides their levels, (n,) each or None: measured, or predicted, as `how` says.

    `yield_pa` is the apparent yield value [Pa], `low_shear` the viscosity at low shear [Pa.s].
    """

    ph: Array | None = None
    yield_pa: Array | None = None
    low_shear: Array | None = None
    how: str = "measured"

    def take(self, rows: Flags) -> Given:
        """The same of some rows."""
        ph, stress, viscosity = (None if x is None else x[rows] for x in (self.ph, self.yield_pa, self.low_shear))
        return Given(ph, stress, viscosity, self.how)


NOTHING = Given()


@dataclass(frozen=True, slots=True, eq=False)
class Live:
    """A check as a live page can ask it again: in terms of the levels, or of a reading that is predicted.

    The value is the sum of `forms` times their factors, divided by the reading `under` where one is named; or it is the
    `reading` itself (ph, yield_pa, low_shear). It is held against `low` and `high`; `least` is a further low in terms
    of the levels. `level` is how grave a miss is, where the check grades by what it finds. Asked only where every
    ingredient of `present` is in. `says` and `allowed` (that of the check unless given) put it into words: {v} is the
    value and {n} the `least`, {v:2.5} times a factor, {v:abs} its size, {v:.2f} with two decimals, {v?above|below} a
    word by its sign. Numbers and words as in the check itself, which tests hold.
    """

    says: str
    forms: tuple[tuple[float, Form], ...] = ()
    reading: str = ""
    under: str = ""
    low: float | None = None
    high: float | None = None
    least: tuple[float, Form] | None = None
    present: tuple[str, ...] = ()
    allowed: str = ""
    level: Level | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Check:
    """One check of n recipes: `value` (n,) is held against `low` and `high`, and NaN where the check does not apply.

    `code` is that of its rule in `doe.trade.rulebook`, which also gives `level` and `source` unless they are given
    here; `where` names the materials. For the finding of one recipe `got` puts its value into words, `allowed` what it
    is held against (a text, or one for each row), `do` what to do; its `numbers` hold the value under the name
    `number`, and `also`. With `tell` there is a finding wherever the check applies, met or not; the worst of many is
    then the highest value, or the lowest where `worse` is -1. `live` is the same check for a live page. `topic` tells
    apart what one check asks of the same materials, such as one law and another.
    """

    code: str
    where: str
    value: Array
    got: Words
    allowed: str | Callable[[int], str]
    do: str
    low: npt.ArrayLike = -np.inf
    high: npt.ArrayLike = np.inf
    number: str = "value"
    level: Level | None = None
    source: str = ""
    tell: bool = False
    worse: float = 1.0
    also: tuple[tuple[str, float], ...] = field(default=())
    live: Live | None = None
    topic: str = ""

    @property
    def grade(self) -> Level:
        """How grave its findings are."""
        return self.level or RULES[self.code].levels[0]

    @property
    def missed(self) -> Flags:
        """Where there is something to say, (n,)."""
        return self.tell & ~np.isnan(self.value) | (self.over > 0)

    @property
    def over(self) -> Array:
        """How far each recipe is beyond what is allowed, (n,); 0 where it is not, or where the check does not apply."""
        size = np.maximum(np.abs(np.nan_to_num(self.value)), 1e-300)
        with np.errstate(invalid="ignore"):
            past = np.maximum(np.asarray(self.low) - self.value, self.value - np.asarray(self.high))
        out: Array = np.where(past > _SLACK * size, np.nan_to_num(past), 0.0)
        return out

    def finding(self, row: int, extra: str = "") -> Problem:
        """The finding of one recipe; `extra` says which recipes it stands for."""
        value = float(self.value[row])
        allowed = self.allowed if isinstance(self.allowed, str) else self.allowed(row)
        numbers = [(self.number, value)]
        for name, limit in (("low", self.low), ("high", self.high)):
            end = float(np.broadcast_to(limit, self.value.shape)[row])
            numbers += [(name, end)] if np.isfinite(end) else []
        source = self.source or RULES[self.code].source
        got = self.got(value) + extra
        return Problem(self.code, self.grade, self.where, got, allowed, self.do, source, (*numbers, *self.also))

    def worst(self, rows: Sequence[int]) -> int:
        """The row that is farthest beyond what is allowed, the first among equals."""
        over = self.over[list(rows)]
        return rows[int(np.argmax(over if over.any() else self.worse * self.value[list(rows)]))]


def figure(value: float, beside: float | None = None) -> str:
    """A number as findings print it: three digits, no exponent for ordinary sizes.

    More digits where it would else look like the limit `beside` it, from which it differs.
    """
    if beside is not None and value != beside:
        for digits in range(3, 13):
            if float(f"{value:.{digits}g}") != float(f"{beside:.{digits}g}"):
                return figure(value) if digits == 3 else f"{value:.{digits}g}"
    if value != 0 and (abs(value) >= 1e6 or abs(value) < 1e-4):
        return f"{value:.2e}"
    return f"{value:.0f}" if abs(value) >= 1000 else f"{value:.3g}"


def no_less(value: float) -> str:
    """A number above 0 to two digits, rounded up: what is asked for with it is enough."""
    place = 10.0 ** (int(np.floor(np.log10(value))) - 1)
    return f"{np.ceil(value / place * (1 - _SLACK)) * place:.2g}"
