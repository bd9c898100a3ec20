"""One round of many uphill runs: sequential quadratic programming in lock step, all places worked out together.

What goes up is F(u), the sum over groups r of weight_r times the least of the group's aims (at most 0, where capped);
one smooth aim is a group of one. Each step goes to the top of the model at u within the limits made straight,

    max over p, t:  sum of weight_r t_r - p'Bp / 2,   t_r <= a_i + a_i'p for the aims i of r (and t_r <= 0),
                    g_j + g_j'p >= 0 for the limits j,   G (u + p) <= h,

with B the second derivatives of the Lagrangian, made positive (Wilson 1963; Han 1977, J. Optim. Theory Appl. 22,
297-309; for the least of several aims Han 1981, Math. Programming 20, 1-13; Nocedal & Wright 2006, Numerical
Optimization, chapter 18; from memory). It is solved as a least-distance problem through non-negative least squares
(Lawson & Hanson 1974, Solving Least Squares Problems, chapter 23; from memory). A step is made shorter until F less
a multiple of what limits are missed by goes up (the exact penalty of Han).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Self

import numpy as np
import numpy.typing as npt
from scipy.optimize import nnls

from optimise.formula.bends import Bent

Array = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.intp]
Flags = npt.NDArray[np.bool_]

_FLAT = 1e-3  # of the steepest slope: the least bend of a model, so that each has one top
_LEVEL = 1e-2  # of the weights: the bend along t
_SLACK = 1e4  # what it costs to let limits that are missed give way
_RISE = 1e-4  # the share of the gain foreseen that a step must bring
_CUTS = 10  # a step shortened more often than this ends its run
_TOUCH = 0.02  # how far beyond bent limits a step may go by what is known of them
_ASTRAY = 0.1  # how far beyond limits a run may go that was within them


@dataclass(frozen=True, slots=True, eq=False)
class Ascent:
    """What goes up and where it may go.

    `rises` gives the aims, then the limits, which ask for 0 or more: values (n, m), slopes (n, m, d) and second
    derivatives (n, m, d, d) at places (n, d). `group` (a,) numbers each aim's group, in order, and `weights` (r,) are
    the groups'. Rows G u <= h hold throughout; `frozen` coordinates keep their start. Where second derivatives are
    dear, `sloped` gives values and slopes of all, and second derivatives of the last of them alone: those of the others
    at a run's start are then corrected by what its slopes tell.
    """

    rises: Bent
    group: Numbers
    weights: Array
    capped: bool
    G: Array
    h: Array
    frozen: Flags | None = None
    sloped: Bent | None = None
    _first: Numbers = field(init=False, repr=False)
    _rows: Array = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_first", np.searchsorted(self.group, np.arange(len(self.weights))))
        still = np.zeros(self.G.shape[1], dtype=bool) if self.frozen is None else self.frozen
        object.__setattr__(self, "_rows", -np.where(still, 0.0, self.G).T)

    @property
    def smooth(self) -> bool:
        """Whether there is one aim alone, so that F is as smooth as it."""
        return len(self.group) == 1 and not self.capped

    def least(self, values: Array) -> Array:
        """The least of each group's aims, the first of `values` (n, m), (n, r)."""
        if self.smooth:
            return values[:, :1]
        out = np.minimum.reduceat(values[:, : len(self.group)], self._first, axis=1)
        return np.minimum(out, 0.0) if self.capped else out


@dataclass(slots=True, eq=False)
class _Rows:
    """Arrays with a row for each run."""

    def only(self, which: Flags) -> Self:
        """Some of the runs."""
        return type(self)(*[part[which] for part in self._all()])

    def put(self, which: Flags, others: Self) -> None:
        """Put others in place of those at `which`."""
        for mine, other in zip(self._all(), others._all(), strict=True):
            mine[which] = other

    def and_those(self, others: Self) -> Self:
        """Others behind these."""
        return type(self)(*[np.concatenate(pair) for pair in zip(self._all(), others._all(), strict=True)])

    def _all(self) -> list[Array]:
        names: tuple[str, ...] = self.__slots__
        return [getattr(self, name) for name in names]


@dataclass(slots=True, eq=False)
class Places(_Rows):
    """Places U (n, d) of runs, with aims and limits there, how high F is, and what limits are missed by in all."""

    U: Array
    values: Array
    slopes: Array
    bends: Array
    height: Array
    missed: Array

    @classmethod
    def of(cls, ascent: Ascent, U: Array, before: Places | None = None, bends: Array | None = None) -> Places:
        """At places U, to which runs came from those `before`, or where second derivatives are nearly `bends`."""
        if ascent.sloped is None or (before is None and bends is None):
            values, slopes, bends = ascent.rises(U)
        else:
            values, slopes, last = ascent.sloped(U)
            bends = np.array(bends) if before is None else before.corrected(U, slopes)
            bends[:, bends.shape[1] - last.shape[1] :] = last
        if ascent.frozen is not None:
            slopes, bends = np.array(slopes), np.array(bends)
            slopes[..., ascent.frozen], bends[..., ascent.frozen], bends[..., ascent.frozen, :] = 0.0, 0.0, 0.0
        height = ascent.least(values) @ ascent.weights
        missed = -np.minimum(values[:, len(ascent.group) :], 0.0).sum(axis=1)
        slopes, bends = (part if part.flags.writeable else part.copy() for part in (slopes, bends))
        if not np.isfinite(height.sum() + missed.sum() + slopes.sum() + bends.sum()):
            whole = np.isfinite(height + missed + slopes.sum(axis=(1, 2)) + bends.sum(axis=(1, 2, 3)))
            height, missed = np.where(whole, height, -np.inf), np.where(whole, missed, np.inf)
        return cls(U, values, slopes, bends, height, missed)

    def corrected(self, U: Array, slopes: Array) -> Array:
        """The bends, made to tell the slopes (n, m, d) found at U by the least symmetric change.

        Powell 1970 (in Rosen, Mangasarian & Ritter, Nonlinear Programming, 31-65; from memory).
        """
        step = U - self.U
        way = (step / np.maximum((step * step).sum(axis=1), 1e-300)[:, None])[:, None]
        off = slopes - self.slopes - (self.bends @ step[:, None, :, None])[..., 0]
        off -= (off @ step[:, :, None]) / 2 * way
        half = off[..., None] * way[:, :, None]
        bends: Array = self.bends + half + half.transpose(0, 1, 3, 2)
        return bends


@dataclass(slots=True, eq=False)
class Steps(_Rows):
    """Steps p (n, d) to the tops of models, the gain by their straight parts (n,), multipliers of aims and limits
    (n, m), what a miss weighs (n,), the share of p that is tried (n,) and how often that was made less; and the gain of
    the step before (n,), if that was made as it was.
    """

    p: Array
    gain: Array
    multipliers: Array
    weight: Array
    share: Array
    cuts: Numbers
    before: Array


def first_multipliers(ascent: Ascent, here: Places) -> Array:
    """All of a group's weight on the least of its aims; none where all are above the cap, none on limits."""
    out, aims = np.zeros(here.values.shape), here.values[:, : len(ascent.group)]
    low = ascent.least(aims)[:, ascent.group]
    out[:, : len(ascent.group)] = np.where(aims <= low, ascent.weights[ascent.group], 0.0)
    return out


def _bends(ascent: Ascent, now: Places, multipliers: Array) -> tuple[Array, Array]:
    """Second derivatives of the Lagrangian turned down, made positive: their sizes (n, d) and ways (n, d, d)."""
    n, m, d = now.slopes.shape
    H = (-multipliers[:, None, :] @ now.bends.reshape(n, m, d * d)).reshape(n, d, d)
    size, ways = np.linalg.eigh(H)
    steep = np.abs(now.slopes[:, : len(ascent.group)]).reshape(n, -1).max(axis=1, initial=0.0)
    least = np.maximum(_FLAT * ascent.weights.max(initial=0.0) * steep, 1e-12)
    return np.maximum(np.abs(size), least[:, None]), ways


def _tops(ascent: Ascent, now: Places, size: Array, ways: Array) -> tuple[Array, Array, Array]:
    """Steps p (n, d) to the tops of all models, their gains (n,) by the straight parts, and multipliers (n, m).

    Each by its own least-distance problem: the least y'y/2 with E'(y, -1) >= 0.

    In units of the steepest, p = back'y - B^-1 q and t = y / level + weight / level², with q the slope turned down and
    level² the bend along t. Limits that are missed may give way by a share that costs `_SLACK` times its square.
    Columns of E: the rows of G, the aims (but one that is smooth), the limits, the caps.
    """
    n, d = now.U.shape
    weights, group, first, a = ascent.weights, ascent.group, len(ascent.G), len(ascent.group)
    smooth = ascent.smooth
    r = 0 if smooth else len(weights)
    q = -weights[0] * now.slopes[:, 0] if smooth else np.zeros((n, d))
    unit = np.maximum(np.abs(q).max(axis=1), 1e-12)[:, None] if smooth else np.full((n, 1), weights.max(initial=1e-12))
    back = (ways * np.sqrt(unit / size)[:, None, :]).transpose(0, 2, 1)
    about = (back @ (q / unit)[:, :, None])[:, :, 0]
    bound = now.slopes[:, 1:] if smooth else now.slopes
    m = first + bound.shape[1]
    last = m - (now.values.shape[1] - a)
    E = np.zeros((n, d + r + 2, m + (r if ascent.capped else 0)))
    E[:, :d, :first] = back @ ascent._rows
    E[:, :d, first:m] = back @ bound.transpose(0, 2, 1)
    E[:, -1, :first] = np.minimum(now.U @ ascent.G.T - ascent.h, 0.0)
    E[:, -1, last:m] = -now.values[:, a:]
    if now.missed.any():
        E[:, -2, last:m] = np.maximum(-now.values[:, a:], 0.0) / np.sqrt(_SLACK)
    if not smooth:
        low = ascent.least(now.values)
        t = weights / (unit * _LEVEL)
        E[:, d + group, first + np.arange(a)] = -1 / np.sqrt(_LEVEL)
        E[:, -1, first:last] = (low + t)[:, group] - now.values[:, :a]
        if ascent.capped:
            E[:, d + np.arange(r), m + np.arange(r)] = -1 / np.sqrt(_LEVEL)
            E[:, -1, m:] = low + t
    else:
        E[:, -1] += (about[:, None, :] @ E[:, :d])[:, 0]
    y, dual = _least_distances(E)
    p = ((y[:, :d] - about)[:, None, :] @ back)[:, 0]
    if not np.isfinite(p.sum()):
        p[~np.isfinite(p)] = 0.0
    if ascent.frozen is not None:
        p[:, ascent.frozen] = 0.0
    dual *= unit
    multipliers = np.empty(now.values.shape)
    multipliers[:, :a] = weights if smooth else dual[:, first:last]
    multipliers[:, a:] = dual[:, last:m]
    if smooth:
        return p, -(q * p).sum(axis=1), multipliers
    gain = (ascent.least(now.values + (now.slopes @ p[:, :, None])[:, :, 0]) - low) @ weights
    return p, gain, multipliers


def _least_distances(E: Array) -> tuple[Array, Array]:
    """The shortest y (n, k) with E[:, :k]' y >= E[:, k], and its multipliers (n, m), from E (n, k + 1, m).

    No numbers (NaN) and no multipliers where none is found.
    """
    y, dual = np.zeros((len(E), E.shape[1] - 1)), np.zeros((len(E), E.shape[2]))
    f = np.zeros(E.shape[1])
    f[-1] = 1.0
    for i in np.flatnonzero((E[:, -1] > 0).any(axis=1)):
        try:
            found = nnls(E[i], f)[0]
        except (RuntimeError, ValueError):
            y[i] = np.nan
            continue
        rest = E[i] @ found - f
        size = max(-float(rest[-1]), 1e-14)
        y[i], dual[i] = rest[:-1] / size, found / size
    return y, dual


def chosen(ascent: Ascent, here: Places, steps: Steps, which: Flags) -> Steps:
    """Steps with new ones for the runs at `which`."""
    every = bool(which.all())
    some, before = (here, steps) if every else (here.only(which), steps.only(which))
    p, gain, multipliers = _tops(ascent, some, *_bends(ascent, some, before.multipliers))
    n = len(p)
    weight = np.maximum(before.weight, 1.5 * multipliers[:, len(ascent.group) :].max(axis=1, initial=0.0))
    gain = gain + weight * some.missed
    new = Steps(p, gain, multipliers, weight, _reach(ascent, some, p), np.zeros(n, dtype=np.intp),
                 np.where((before.share == 1) & (before.cuts == 0), before.gain, 0.0))  # fmt: skip
    if every:
        return new
    steps.put(which, new)
    return steps


def _reach(ascent: Ascent, here: Places, p: Array) -> Array:
    """The share of steps p (n, d) that goes no further beyond bent limits than runs may, as far as is known, (n,)."""
    (n, d), a = p.shape, len(ascent.group)
    if here.values.shape[1] == a:
        return np.ones(n)
    room = np.maximum(here.values[:, a:], 0.0) + _TOUCH
    rise = (here.slopes[:, a:] @ p[:, :, None])[:, :, 0]
    bend = (here.bends[:, a:].reshape(n, -1, d * d) @ _twice(p))[:, :, 0] / 2
    over = room + rise + bend < 0
    if not over.any():
        return np.ones(n)
    share = np.where(over, 2 * room / (np.sqrt(np.maximum(rise * rise - 4 * bend * room, 0.0)) - rise), 1.0)
    reach: Array = np.clip(share.min(axis=1), 0.1, 1.0)
    return reach


def last_step(ascent: Ascent, here: Places, steps: Steps) -> Array:
    """Where steps lead that are not looked at any more, (n, d): chosen anew with what limits bend by along them."""
    (n, d), a = here.U.shape, len(ascent.group)
    p = steps.p
    if here.values.shape[1] > a:
        here.values = here.values.copy()
        here.values[:, a:] += (here.bends[:, a:].reshape(n, -1, d * d) @ _twice(p))[:, :, 0] / 2
        here.missed = -np.minimum(here.values[:, a:], 0.0).sum(axis=1)
        p = _tops(ascent, here, *_bends(ascent, here, steps.multipliers))[0]
    there: Array = here.U + p
    return there


def _twice(p: Array) -> Array:
    """The products of the numbers of steps p (n, d) two by two, (n, d d, 1)."""
    twice: Array = (p[:, :, None] * p[:, None, :]).reshape(len(p), -1, 1)
    return twice


def tried(ascent: Ascent, here: Places, steps: Steps) -> tuple[Places, Flags, Flags]:
    """Where steps lead, as far as they are good: which of the runs moved, and which are to go on.

    A step that is no good is made shorter, to be tried again with the next steps of the others.
    """
    there = Places.of(ascent, here.U + steps.share[:, None] * steps.p, here)
    drop = steps.share * steps.gain
    up = (there.height - here.height) - steps.weight * (there.missed - here.missed)
    fine = (up >= _RISE * drop) & (there.missed <= np.maximum(here.missed, _ASTRAY))
    if fine.all():
        return there, fine, fine
    here.put(fine, there.only(fine))
    # Where the top of the parabola through what is known would lie, but a tenth of the way at least.
    cut = drop / np.maximum(2 * (drop - up), 1e-300)
    cut = np.where(cut >= 0.1, np.minimum(cut, 0.5), 0.1)
    steps.share = np.where(fine, steps.share, steps.share * cut)
    steps.cuts = steps.cuts + ~fine
    return here, fine, fine | (steps.cuts < _CUTS)
