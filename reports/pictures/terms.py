"""Which terms of a model move together over the trials: a triangle of squares, as large as each pair correlates."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from markupsafe import Markup

from reports.numbers import figure
from reports.pictures.svg import element, picture, words

LEAST = 0.1  # weaker correlations are left out of the picture
MOST = 28  # more terms than this make squares that cannot be read
_CELL = 15.0
_KEY_WIDTH = 156.0


def together(terms: Sequence[str], correlations: npt.NDArray[np.float64]) -> Markup:
    """The triangle; nothing for a single term, for more than could be read, or where no square would stand in it."""
    n = len(terms)
    strongest = max((abs(float(correlations[i, j])) for i in range(n) for j in range(i)), default=0.0)
    if not 2 <= n <= MOST or strongest < LEAST:
        return Markup("")
    left = 26.0 + 6.4 * min(max(len(t) for t in terms), 24)
    width, height = left + max(_CELL * n + 14, _KEY_WIDTH), 24.0 + _CELL * n + 30
    parts: list[Markup] = []
    for i, term in enumerate(terms):
        y = 14 + _CELL * i
        parts.append(words(left - 8, y + 11, f"{term}  {i + 1}", anchor="end", most=28))
        for j in range(i):
            parts += _cell(left + _CELL * j, y, float(correlations[i, j]), f"{term} with {terms[j]}")
        parts.append(words(left + _CELL * i + _CELL / 2, y + 11, str(i + 1), anchor="middle"))
    parts += _key(left, height - 18)
    return picture(
        width, height, f"correlations of {n} terms over the trials, the strongest {figure(strongest)}", parts
    )


def pairs(terms: Sequence[str], correlations: npt.NDArray[np.float64]) -> list[list[str]]:
    """What the picture shows as rows of text: two terms and how they correlate, the strongest first."""
    found = [(float(correlations[i, j]), terms[j], terms[i]) for i in range(len(terms)) for j in range(i)]
    shown = sorted((row for row in found if abs(row[0]) >= LEAST), key=lambda row: -abs(round(row[0], 9)))
    return [[one, other, figure(r, digits=2)] for r, one, other in shown]


def _cell(x: float, y: float, r: float, pair: str) -> list[Markup]:
    """A well with a square in it: its area goes with |r|, a cut corner says that r is negative."""
    well = element("rect", x=x + 0.5, y=y + 0.5, width=_CELL - 1, height=_CELL - 1, cls="well")
    if abs(r) < LEAST:
        return [well]
    side = (_CELL - 3) * math.sqrt(abs(r))
    a, b = x + (_CELL - side) / 2, y + (_CELL - side) / 2
    cut = side * 0.45 if r < 0 else 0.0
    d = f"M{a + cut:.1f} {b:.1f}H{a + side:.1f}V{b + side:.1f}H{a:.1f}V{b + cut:.1f}z"
    return [well, element("path", element("title", f"{pair}: {figure(r, digits=2)}"), d=d, cls="filled")]


def _key(x: float, y: float) -> list[Markup]:
    out: list[Markup] = []
    for k, (r, says) in enumerate(((0.3, "0.3"), (0.8, "0.8"), (-0.8, "\u22120.8"))):
        at = x + k * 52
        out += [*_cell(at, y, r, "key"), words(at + _CELL + 4, y + 11, says)]
    return out
