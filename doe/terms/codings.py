"""The units that coefficients are printed in, and the well-scaled ones that fits are done in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from doe.region.region import Region

Array = npt.NDArray[np.float64]
CodingName = Literal["units", "proportion", "l-pseudo", "coded"]
CODINGS: tuple[CodingName, ...] = ("units", "proportion", "l-pseudo", "coded")


@dataclass(frozen=True, slots=True, eq=False)
class Coding:
    """An affine recoding of each numeric column: x' = (x - shift) / scale, both of shape (k,)."""

    name: CodingName
    shift: Array
    scale: Array

    def __call__(self, X: Array) -> Array:
        """Levels X (n, k) in the study's units, recoded, (n, k)."""
        coded: Array = (np.asarray(X, dtype=float) - self.shift) / self.scale
        return coded


def coding(region: Region, name: str, total: float | None = None, *, free: Sequence[str] = ()) -> Coding:
    """The coding called `name` for the numeric columns of a region.

    units: the study's units. proportion: level / total for the blend, factors as coded. l-pseudo: lower-bound
    pseudo-components (x - L) / (T - sum L), with L the true lowest levels and T what the blend adds up to
    (Crosier 1984, Technometrics 26, 209-216; from memory), factors as coded. coded: -1..+1 over low..high of a
    factor and over the reach of those blend variables named in `free`; any other blend variable as l-pseudo,
    since a blend that is coded around its own centre loses its constant. Raises ValueError for another name.
    """
    if name not in CODINGS:
        raise ValueError(f"{name} is not a coding; known are {', '.join(CODINGS)}")
    k = len(region.names)
    shift, scale = np.zeros(k), np.ones(k)
    if name != "units":
        lows = np.array([region.reach[n][0] for n in region.blend])
        room = (region.blend_total or 0.0) - lows.sum() if region.blend else 1.0
        for j, column in enumerate(region.names):
            low, high = region.reach[column]
            if column not in region.blend:
                shift[j], scale[j] = _middle(float(region.low[j]), float(region.high[j]))
            elif name == "proportion":
                scale[j] = total if total is not None else (region.blend_total or 1.0)
            elif name == "coded" and column in free:
                shift[j], scale[j] = _middle(low, high)
            else:
                shift[j], scale[j] = low, room if room > 0 else 1.0
    shift.setflags(write=False)
    scale.setflags(write=False)
    return Coding(name, shift, scale)


def _middle(low: float, high: float) -> tuple[float, float]:
    half = (high - low) / 2
    return (low + high) / 2, half if half > 0 else 1.0
