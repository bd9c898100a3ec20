"""Many uphill runs at once: sequential quadratic programming in lock step, so that all places are worked out together.

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

import sys
from dataclasses import dataclass, field, fields
from typing import Self

import numpy as np
import numpy.typing as npt
from scipy.optimize import nnls

from optimise.formula.bends import Bent, Sloped

Array = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.intp]
Flags = npt.NDArray[np.bool_]

_FLAT = 1e-3  # of the steepest slope: the least bend of a model, so that each has one top
_LEVEL = 1e-2  # of the weights: the bend along t
_SLACK = 1e4  # what it costs to let limits that are missed give way
_RISE = 1e-4  # the share of the gain foreseen that a step must bring
_CUTS = 10  # a step shortened more often than this ends its run
_GAIN = 1e-7  # a step that gains less is not made
_MET, _WITHIN = 1e-9, 1e-6  # misses of limits: none while a run goes on, none worth speaking of
_BESIDE = 0.25  # how much nearer than to ended runs those under way come before they count as one
_ASTRAY = 0.1  # how far beyond limits a run may go that was within them
MOST_ROUNDS = 120  # steps of a run, unless it is given its own
_REAL = 1e-8  # of what it might be: the least share of a change of slopes along a step that corrects anything


@dataclass(frozen=True, slots=True, eq=False)
class Ascent:
    """What goes up and where it may go.

    `rises` gives the aims, then the limits, which ask for 0 or more: values (n, m), slopes (n, m, d) and second
    derivatives (n, m, d, d) at places (n, d). `group` (a,) numbers each aim's group, in order, and `weights` (r,) are
    the groups'. Rows G u <= h hold throughout; `frozen` coordinates keep their start. Where second derivatives are
    dear, `sloped` gives values and slopes alone: those of a run's start are then corrected by what its slopes tell.
    """

    rises: Bent
    group: Numbers
    weights: Array
    capped: bool
    G: Array
    h: Array
    frozen: Flags | None = None
    sloped: Sloped | None = None
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
        return type(self)(*(getattr(self, one.name)[which] for one in fields(self)))

    def put(self, which: Flags, others: Self) -> None:
        """Put others in place of those at `which`."""
        for one in fields(self):
            getattr(self, one.name)[which] = getattr(others, one.name)


@dataclass(slots=True, eq=False)
class _Places(_Rows):
    """Places U (n, d) of runs, with aims and limits there, how high F is, and what limits are missed by in all."""

    U: Array
    values: Array
    slopes: Array
    bends: Array
    height: Array
    missed: Array

    @classmethod
    def of(cls, ascent: Ascent, U: Array, before: _Places | None = None) -> _Places:
        """At places U, to which runs came from those `before`."""
        if before is None or ascent.sloped is None:
            values, slopes, bends = ascent.rises(U)
        else:
            values, slopes = ascent.sloped(U)
            bends = before.corrected(U, slopes)
        if ascent.frozen is not None:
            slopes, bends = np.array(slopes), np.array(bends)
            slopes[..., ascent.frozen], bends[..., ascent.frozen], bends[..., ascent.frozen, :] = 0.0, 0.0, 0.0
        height = ascent.least(values) @ ascent.weights
        missed = -np.minimum(values[:, len(ascent.group) :], 0.0).sum(axis=1)
        slopes, bends = (part if part.flags.writeable else part.copy() for part in (slopes, bends))
        n = len(U)
        whole = np.isfinite(height + missed + slopes.reshape(n, -1).sum(axis=1) + bends.reshape(n, -1).sum(axis=1))
        if not whole.all():
            height, missed = np.where(whole, height, -np.inf), np.where(whole, missed, np.inf)
        return cls(U, values, slopes, bends, height, missed)

    def corrected(self, U: Array, slopes: Array) -> Array:
        """The bends, made to tell the slopes (n, m, d) found at U by the least change: symmetric, of rank one.

        Nocedal & Wright 2006, section 6.2 (from memory).
        """
        step = (U - self.U)[:, :, None]
        off = slopes - self.slopes - (self.bends @ step[:, None])[..., 0]
        share = off @ step
        size = np.linalg.norm(off, axis=2, keepdims=True) * np.linalg.norm(step, axis=1)[:, None]
        real = np.abs(share) > _REAL * size
        scaled = np.where(real, off / np.where(real, share, 1.0), 0.0)
        bends: Array = self.bends + scaled[..., None] * off[:, :, None]
        return bends


@dataclass(slots=True, eq=False)
class _Steps(_Rows):
    """Steps p (n, d) to the tops of models, the gain by their straight parts (n,), multipliers of aims and limits
    (n, m), what a miss weighs (n,), the share of p that is tried (n,) and how often that was made less.
    """

    p: Array
    gain: Array
    multipliers: Array
    weight: Array
    share: Array
    cuts: Numbers


@dataclass(frozen=True, slots=True, eq=False)
class Ends:
    """Where runs ended, (n, d), which (n,) came to an end of their own and did not join another, and how high, (n,)."""

    U: Array
    own: Flags
    height: Array


def ascend(
    ascent: Ascent, starts: Array, known: Array | None = None, apart: float = 0.0, enough: float = np.inf,
    least: float = _GAIN, most: int = MOST_ROUNDS, suffice: int = sys.maxsize,
) -> Ends:  # fmt: skip
    """The ends of runs uphill from `starts` (n, d), of at most so many rounds; all are worked out once in each.

    A run ends where it comes within `apart` of `known` places (k, d), or of a higher one of the other runs that has
    ended, or much nearer to one still under way; where F is `enough` with every limit met; and where a step
    would gain less than `least`. All end once as many as `suffice` have enough.
    """
    n, d = starts.shape
    runs = _Runs(starts.copy(), np.full(n, -np.inf), np.zeros(n, dtype=bool), np.ones(n, dtype=bool), np.arange(n))
    if not n or not d or (ascent.frozen is not None and ascent.frozen.all()):
        return Ends(runs.U, runs.own, runs.height)
    with np.errstate(all="ignore"):
        here = _Places.of(ascent, runs.U)
        runs.height, runs.within = here.height.copy(), here.missed <= _WITHIN
        first = _first_multipliers(ascent, here)
        steps = _Steps(np.zeros((n, d)), np.zeros(n), first, np.zeros(n), np.ones(n), np.zeros(n, dtype=np.intp))
        fresh = going = np.isfinite(here.height)
        for _ in range(most):
            full = going & (here.height >= enough) & (here.missed <= 0)
            suffice -= int(full.sum())
            if suffice <= 0:
                break
            going = going & ~full
            if (fresh & going).any():
                steps = _chosen(ascent, here, steps, fresh & going)
                going = going & (~fresh | (steps.gain > least) | (here.missed > _MET))
            if not going.any():
                break
            if not going.all():
                here, steps, runs.ids = here.only(going), steps.only(going), runs.ids[going]
            here, fresh, going = _tried(ascent, here, steps)
            runs.U[runs.ids], runs.height[runs.ids], runs.within[runs.ids] = here.U, here.height, here.missed <= _WITHIN
            going = going & ~runs.joined(going, known, apart)
    return Ends(runs.U, runs.own, np.where(runs.within, runs.height, -np.inf))


@dataclass(slots=True, eq=False)
class _Runs:
    """Where runs are, (n, d), how high, which are within limits and which their `own` still, (n,); those under way."""

    U: Array
    height: Array
    within: Flags
    own: Flags
    ids: Numbers

    def joined(self, going: Flags, known: Array | None, apart: float) -> Flags:
        """Which of the runs under way that are `going` on come to known places, or to others as high."""
        out = np.zeros(len(self.ids), dtype=bool)
        if apart <= 0:
            return out
        U, height = self.U[self.ids], self.height[self.ids, None]
        if known is not None and len(known):
            out |= (_squares(U, known) <= apart**2).any(axis=1)
        ended = np.ones(len(self.U), dtype=bool)
        ended[self.ids[going]] = False
        near = self.own & (_squares(U, self.U) <= np.where(ended, apart, _BESIDE * apart) ** 2)
        near[np.arange(len(U)), self.ids] = False
        if not near.any():
            return out
        # Of two under way that are as high as each other the first goes on.
        ahead = (self.height > height) | ((self.height == height) & (np.arange(len(self.U)) < self.ids[:, None]))
        joins = going & (near & np.where(ended, self.within & (self.height >= height - 1e-12), ahead)).any(axis=1)
        self.own[self.ids[joins]] = False
        return out | joins


def _squares(U: Array, others: Array) -> Array:
    """Squared distances of places U (n, d) from others (m, d), (n, m)."""
    gaps = U[:, None] - others
    squares: Array = (gaps * gaps).sum(axis=2)
    return squares


def _first_multipliers(ascent: Ascent, here: _Places) -> Array:
    """All of a group's weight on the least of its aims; none where all are above the cap, none on limits."""
    out, aims = np.zeros(here.values.shape), here.values[:, : len(ascent.group)]
    low = ascent.least(aims)[:, ascent.group]
    out[:, : len(ascent.group)] = np.where(aims <= low, ascent.weights[ascent.group], 0.0)
    return out


def _bends(ascent: Ascent, now: _Places, multipliers: Array) -> tuple[Array, Array]:
    """Second derivatives of the Lagrangian turned down, made positive: their sizes (n, d) and ways (n, d, d)."""
    n, m, d = now.slopes.shape
    H = (-multipliers[:, None, :] @ now.bends.reshape(n, m, d * d)).reshape(n, d, d)
    size, ways = np.linalg.eigh(H)
    steep = np.abs(now.slopes[:, : len(ascent.group)]).reshape(n, -1).max(axis=1, initial=0.0)
    least = np.maximum(_FLAT * ascent.weights.max(initial=0.0) * steep, 1e-12)
    return np.maximum(np.abs(size), least[:, None]), ways


def _tops(ascent: Ascent, now: _Places, size: Array, ways: Array) -> tuple[Array, Array, Array]:
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
    low = ascent.least(now.values)
    if not smooth:
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
    p[~np.isfinite(p)] = 0.0
    if ascent.frozen is not None:
        p[:, ascent.frozen] = 0.0
    dual *= unit
    of_aims = np.broadcast_to(weights, (n, 1)) if smooth else dual[:, first:last]
    gain = (ascent.least(now.values + (now.slopes @ p[:, :, None])[:, :, 0]) - low) @ weights
    return p, gain, np.concatenate([of_aims, dual[:, last:m]], axis=1)


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


def _chosen(ascent: Ascent, here: _Places, steps: _Steps, which: Flags) -> _Steps:
    """Steps with new ones for the runs at `which`."""
    every = bool(which.all())
    some, before = (here, steps) if every else (here.only(which), steps.only(which))
    p, gain, multipliers = _tops(ascent, some, *_bends(ascent, some, before.multipliers))
    n = len(p)
    weight = np.maximum(before.weight, 1.5 * multipliers[:, len(ascent.group) :].max(axis=1, initial=0.0))
    gain = gain + weight * some.missed
    new = _Steps(p, gain, multipliers, weight, np.ones(n), np.zeros(n, dtype=np.intp))
    if every:
        return new
    steps.put(which, new)
    return steps


def _tried(ascent: Ascent, here: _Places, steps: _Steps) -> tuple[_Places, Flags, Flags]:
    """Where steps lead, as far as they are good: which of the runs moved, and which are to go on.

    A step that is no good is made shorter, to be tried again with the next steps of the others.
    """
    there = _Places.of(ascent, here.U + steps.share[:, None] * steps.p, here)
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
