"""Those checks of the trade that are a sum of the levels, or one sum over another, as weights.

So a page can hold any formula against them. Which checks are of that kind is found by solving for the weights at
recipes spread over the region, and kept only where they give the value of the check at every one of them.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.categories import ingredient_of
from doe.region import Combination, Region
from doe.trade.engine import TradeChecks
from doe.trade.look import Look, figure

if TYPE_CHECKING:
    from doe.study import Study

Array = npt.NDArray[np.float64]

_SEED = 23
_CLOSE = 1e-9
_HOLE = "{}"


def sums_of_checks(study: Study) -> list[dict[str, Any]]:
    """Each check as weights (k,) over `region.names` and a constant, `under` other ones where it is a ratio.

    `materials` are the choices it holds at, by category; `got` has a hole for the value times `sign`; `low` and `high`
    are what the value is held against, None where that side is open. A finding taken on purpose says so in `do`.
    """
    checks, out = TradeChecks(study), []
    for piece, combo in _choices(study):
        X = piece.sample(4 * (piece.dimension + 1) + 20, seed=_SEED)
        levels = study.complete(pd.DataFrame(X, columns=list(piece.names)).assign(**combo))
        materials = {name: level for name, level in combo.items() if ingredient_of(name) is not None}
        for _, looks in checks.looks(levels):
            for look in looks:
                told = _told(checks, look)
                weights = _weights(piece, X, look.value) if told is not None else None
                if told is not None and weights is not None:
                    out.append({**told, **weights, "materials": materials})
    return out


def _choices(study: Study) -> Iterator[tuple[Region, Combination]]:
    """Each choice of materials once, with a polytope it is in."""
    seen = set()
    for piece, combinations in study.region.pieces:
        for combo in combinations:
            choice = tuple(level for name, level in combo.items() if ingredient_of(name) is not None)
            if choice not in seen:
                seen.add(choice)
                yield piece, combo


def _told(checks: TradeChecks, look: Look) -> dict[str, Any] | None:
    """What a finding of a check says, with a hole for its value; None where it does not say the same everywhere."""
    ends = [np.unique(np.broadcast_to(np.asarray(end, dtype=float), look.value.shape)) for end in (look.low, look.high)]
    if look.tell or np.isnan(look.value).any() or any(len(end) != 1 for end in ends):
        return None
    allowed = {look.allowed(row) if callable(look.allowed) else look.allowed for row in range(len(look.value))}
    words = _with_hole(look)
    if len(allowed) > 1 or words is None:
        return None
    low, high = (float(end[0]) if np.isfinite(end[0]) else None for end in ends)
    finding = checks.accepted(look.finding(0))
    told = {"code": look.code, "level": finding.level, "where": look.where, **words, "allowed": allowed.pop()}
    return {**told, "do": finding.do, "low": low, "high": high}


def _with_hole(look: Look) -> dict[str, Any] | None:
    """The words of a value, with a hole for it times `sign`; None where they are not the same for every value."""
    for sign in (1.0, -1.0):
        got = look.got(sign * 123.0).replace("123", _HOLE)
        if got.count(_HOLE) <= 1 and all(got.replace(_HOLE, figure(sign * v)) == look.got(v) for v in (7.0, -7.0)):
            return {"got": got, "sign": sign}
    return None


def _weights(piece: Region, X: Array, value: Array) -> dict[str, Any] | None:
    """The sum, or the ratio of sums, that gives `value` (n,) at levels X (n, k); None where neither does."""
    free = [piece.names.index(name) for name in piece.free]
    columns = np.column_stack([X[:, free], np.ones(len(X))])
    size = _CLOSE * max(float(np.abs(value).max(initial=0.0)), 1e-12)
    plain = np.asarray(np.linalg.lstsq(columns, value, rcond=None)[0], dtype=float)
    if np.abs(columns @ plain - value).max() <= size:
        return _spread(piece, free, plain, None)
    scale = np.abs(columns).max(axis=0)
    both = np.column_stack([columns / scale, -value[:, None] * columns / scale])
    null = np.linalg.svd(both)[2][-1]
    above, below = (null[: len(scale)] / scale), (null[len(scale) :] / scale)
    bottom = columns @ below
    if np.abs(bottom).min() <= 1e-12 * np.abs(bottom).max() or np.ptp(np.sign(bottom)) > 0:
        return None
    good = np.abs(columns @ above / bottom - value).max() <= 100 * size
    return _spread(piece, free, above, below) if good else None


def _spread(piece: Region, free: list[int], above: Array, below: Array | None) -> dict[str, Any]:
    def over_all(weights: Array) -> dict[str, Any]:
        whole = np.zeros(len(piece.names))
        whole[free] = weights[:-1]
        return {"weights": whole.tolist(), "constant": float(weights[-1])}

    return {**over_all(above), "under": None if below is None else over_all(below)}
