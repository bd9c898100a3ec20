"""How large the third derivative of one sum of curves gets along each axis, looked up in a table.

Bounds that add up the sizes of all batches' parts lose what cancels between them, which over wide boxes is nearly all.
Where the weights are known beforehand, a sum of functions of one coordinate each can be tabled: its values at the
middles of cells, and no more beside them than the fourth derivative allows, |M''''| <= 25 for M of `kernels`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from optimise.statistics.kernels import ROOT

Array = npt.NDArray[np.float64]

_CELLS = 512  # along an axis
_THIRD, _FOURTH = 5 / 3 * ROOT, 25.0  # M''' = _THIRD a (3 - a) e^-a, up to its sign; |M''''| at its greatest, at a = 0
_EDGE = 1e-9  # of a cell


@dataclass(frozen=True, slots=True, eq=False)
class Steepest:
    """Bounds of the third derivative of a sum over q axes, along each: over 2^k cells in turn, `most` (q, levels, N).

    The cells begin at `low` (q,) and are `width` (q,) wide.
    """

    low: Array
    width: Array
    most: Array

    @classmethod
    def of(cls, weights: Array, known: Array, low: Array, high: Array) -> Steepest:
        """Of the sum over batches at `known` (q, m) along the axes with weights (m,), each curve a mean over the axes.

        From `low` (q,) to `high` (q,).
        """
        q, width = len(known), np.maximum(high - low, 1e-9) / _CELLS
        middles = low[:, None] + width[:, None] * (np.arange(_CELLS) + 0.5)
        offset = middles[:, :, None] - known[:, None, :]
        a = ROOT * np.abs(offset)
        found = np.abs((np.sign(offset) * (_THIRD * a * (3 - a) * np.exp(-a))) @ weights)
        rows = [(found + _FOURTH * np.abs(weights).sum() * width[:, None] * (0.5 + _EDGE)) / q]
        while 2 ** len(rows) <= _CELLS:
            step, last = 2 ** (len(rows) - 1), rows[-1]
            rows.append(np.maximum(last, np.concatenate([last[:, step:], last[:, -1:].repeat(step, axis=1)], axis=1)))
        return cls(low, width, np.stack(rows, axis=1))

    def beyond(self, x: Array, radius: Array) -> Array:
        """Bound (n,) of what the sum has beyond its bend within `radius` (q, n) of places x (q, n) along the axes.

        Infinite where a box leaves the table.
        """
        start = (x - radius - self.low[:, None]) / self.width[:, None]
        end = (x + radius - self.low[:, None]) / self.width[:, None]
        # At its ends a box may overstep the table by what rounds away, and no more.
        fine = ((start >= -_EDGE) & (end <= _CELLS + _EDGE)).all(axis=0)
        first, last = (np.floor(cells).astype(np.intp) for cells in (start - _EDGE, end + _EDGE))
        first, last = np.clip(first, 0, _CELLS - 1), np.clip(last, 0, _CELLS - 1)
        level = np.log2(last - first + 1).astype(np.intp)
        axis = np.arange(len(self.low))[:, None]
        most = np.maximum(self.most[axis, level, first], self.most[axis, level, last + 1 - (1 << level)])
        return np.where(fine, (most * radius**3 / 6).sum(axis=0), np.inf)
