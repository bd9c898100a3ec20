"""Sums and ratios of sums of the levels, and what is made of a ratio: the shape of every exact quantity of a recipe."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Weights = Mapping[str, float]
Ends = tuple[float | None, float | None]


def spacing_mm(share: npt.ArrayLike, d_um: float) -> Array:
    """Mean distance [mm] between centres of spheres at a volume share, each in a cube of its own: d (pi / 6 phi)^(1/3).

    Geometry of a simple cubic lattice.
    """
    phi = np.asarray(share, dtype=float)
    with np.errstate(divide="ignore"):
        out: Array = d_um * 1e-3 * np.cbrt(np.pi / 6.0 / phi)
    return out


@dataclass(frozen=True, slots=True, eq=False)
class Bend:
    """What is made of a ratio r: a distance between particles, or a size of a difference; else the ratio itself.

    spacing: `scale` (pi / 6 / (r / 100))^(1/3); gap: `scale` |`at` - r|; difference: `scale` (`at` - r).
    """

    kind: Literal["spacing", "gap", "difference"]
    scale: float
    at: float = 0.0

    def of(self, ratio: Array) -> Array:
        """The quantity at ratios, of their shape."""
        if self.kind == "spacing":
            return spacing_mm(ratio / 100.0, 1000.0 * self.scale)
        apart: Array = self.scale * (self.at - ratio)
        return np.abs(apart) if self.kind == "gap" else apart

    def slope(self, ratio: Array) -> Array:
        """Its derivative by the ratio."""
        if self.kind == "spacing":
            return -self.of(ratio) / (3.0 * ratio)
        down: Array = np.full_like(ratio, -self.scale)
        return down * np.sign(self.at - ratio) if self.kind == "gap" else down

    def ratios(self, low: float | None, high: float | None) -> Ends:
        """The ratios between which the quantity lies within low and high; a gap's low cannot be had so, and is open."""
        if self.kind == "gap":
            return (None, None) if high is None else (self.at - high / self.scale, self.at + high / self.scale)
        ends = [self._back(end) if end is not None and self._is_there(end) else None for end in (high, low)]
        return ends[0], ends[1]

    def _is_there(self, value: float) -> bool:
        return self.kind != "spacing" or value > 0

    def _back(self, value: float) -> float:
        if self.kind == "spacing":
            return float(100.0 * np.pi / 6.0 * (self.scale / value) ** 3)
        return self.at - value / self.scale


@dataclass(frozen=True, slots=True, eq=False)
class Form:
    """An exact quantity of recipes: `bend` of the ratio of two sums over level columns; `under` is None for a sum."""

    top: Weights
    under: Weights | None = None
    bend: Bend | None = None

    @property
    def is_sum(self) -> bool:
        """Whether it is a plain linear sum."""
        return self.under is None and self.bend is None

    def values(self, levels: Mapping[str, npt.NDArray[Any]]) -> Array:
        """The quantity of recipes, (n,), from their columns (n,) by name. NaN where a ratio has nothing under it."""
        top = _summed(self.top, levels)
        if self.under is None:
            return top if self.bend is None else self.bend.of(top)
        with np.errstate(invalid="ignore", divide="ignore"):
            ratio = top / _summed(self.under, levels)
            return ratio if self.bend is None else self.bend.of(ratio)

    def rows(self, low: float | None, high: float | None) -> list[tuple[dict[str, float], Ends]]:
        """Linear limits on levels that say it lies within low and high: (weights, ends) each."""
        ends = (low, high) if self.bend is None else self.bend.ratios(low, high)
        if self.under is None:
            return [(dict(self.top), ends)] if ends != (None, None) else []
        out: list[tuple[dict[str, float], Ends]] = []
        for end, side in zip(ends, (0, 1), strict=True):
            if end is not None:
                names = dict.fromkeys([*self.top, *self.under])
                row = {n: self.top.get(n, 0.0) - end * self.under.get(n, 0.0) for n in names}
                out.append((row, (0.0, None) if side == 0 else (None, 0.0)))
        return out


def _summed(weights: Weights, levels: Mapping[str, npt.NDArray[Any]]) -> Array:
    total = np.zeros(len(next(iter(levels.values()))) if levels else 0)
    for name, weight in weights.items():
        total += weight * levels[name].astype(float)
    return total
