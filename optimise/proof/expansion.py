"""What predicts a response, near many places at once: value, slope and bend at each, and how far the rest can reach.

With t = u - a and |t| <= w, every component k of a response has over the box around a

    m_k(u) = m_k + g_k't + t'H_k t / 2 + rest,      |rest| <= m_third
    v_k(u) >= v_k + c_k't + t'K_k t / 2 - v_third
    v_k - v_under <= v_k(u) - c_k't <= v_k + v_over

The second is the tangent of a convex function: the variance of f(u) is at least 2 cov(f(u), f(a)) - var f(a), which is
linear in what f(u) is made of. Variances are in units of the component's own, before that of one batch is added.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, fields, replace
from typing import Any, Protocol, TypeVar

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Expansion:
    """n places, c components, d coordinates; see above. `m_second` bounds all beyond the slope, `v_second` that of the
    lower curve, which lies below its slope by no more than `v_dip`.

    `sd` (c,) is the scale, `batch` (c,) the variance of one batch in its units. All else is (n, c), slopes (n, c, d),
    bends (n, c, d, d).
    """

    weights: Array
    df: float
    sd: Array
    batch: Array
    m: Array
    m_slope: Array
    m_bend: Array
    m_second: Array
    m_third: Array
    v: Array
    v_slope: Array
    v_bend: Array
    v_second: Array
    v_third: Array
    v_under: Array
    v_dip: Array
    v_over: Array

    def only(self, rows: npt.NDArray[Any]) -> Expansion:
        """Near some of the places."""
        cut = {f.name: getattr(self, f.name)[rows] for f in fields(self) if f.name[:2] in ("m", "m_", "v", "v_")}
        return replace(self, **cut)


def bent(bend: Array, w: Array) -> Array:
    """The most that t'bend t / 2 can be over |t| <= w, to either side: bend (n, c, d, d), w (n, d), (n, c)."""
    return rise_of(np.abs(bend), w)


def rise_of(bend: Array, t: Array) -> Array:
    """The value of t'bend t / 2 at places t (n, d): bend (n, c, d, d), (n, c)."""
    n, c, d, _ = bend.shape
    pairs = (0.5 * t[:, :, None] * t[:, None, :]).reshape(n, d * d, 1)
    return np.asarray((bend.reshape(n, c, d * d) @ pairs)[:, :, 0], dtype=float)


def filled(bend: Array, w: Array) -> Array:
    """How much less than `bent` it can be downwards, for squares that only rise: (n, c)."""
    up = np.maximum(np.einsum("ncdd->ncd", bend), 0.0)
    return np.asarray((up @ (0.5 * w * w)[:, :, None])[:, :, 0], dtype=float)


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """One function near n places: value (n,), slope (n, d), bend (n, d, d), and bounds (n,) of all beyond the slope
    (`second`) and beyond the bend (`third`).
    """

    value: Array
    slope: Array
    bend: Array
    second: Array
    third: Array

    def only(self, rows: npt.NDArray[Any]) -> Curve:
        """Near some of the places."""
        return Curve(self.value[rows], self.slope[rows], self.bend[rows], self.second[rows], self.third[rows])


Seen = TypeVar("Seen")


@dataclass(frozen=True, slots=True, eq=False)
class Vicinity:
    """Places a (n, d) with |t| <= w (n, d) about them, and by a key what several sources see there."""

    a: Array
    w: Array
    _seen: dict[Any, Any] = field(default_factory=dict, repr=False)

    def once(self, key: Any, make: Callable[[], Seen]) -> Seen:
        """What `make` gives, made once for a key."""
        if key not in self._seen:
            self._seen[key] = make()
        found: Seen = self._seen[key]
        return found


class Source(Protocol):
    """What gives a centre (averaged over the components) or an exact quantity near many places."""

    @property
    def mean_cost(self) -> float:
        """The work of one place: about nanoseconds of one slow core."""
        ...

    def mean(self, vicinity: Vicinity) -> Curve:
        """The centre near some places."""
        ...


class Expander(Source, Protocol):
    """What predicts one response in one piece of the region, ready to be expanded at any of its places."""

    @property
    def cost(self) -> float:
        """The work of one place, as `mean_cost`."""
        ...

    def at(self, vicinity: Vicinity) -> Expansion:
        """The expansion near some places."""
        ...
