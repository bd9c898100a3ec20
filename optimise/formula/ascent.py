"""Many uphill runs at once: sequential quadratic programming in lock step, so that all places are worked out together.

What goes up is F(u), the sum over groups r of weight_r times the least of the group's aims (at most 0, where capped);
one smooth aim is a group of one. Each step goes to the top of the model at u within the limits made straight,

    max over p, t:  sum of weight_r t_r - p'Bp / 2,   t_r <= a_i + a_i'p for the aims i of r (and t_r <= 0),
                    g_j + g_j'p >= 0 for the limits j,   G (u + p) <= h,

with B the second derivatives of the Lagrangian by differences of its slopes, made positive (Wilson 1963; Han 1977, J.
Optim. Theory Appl. 22, 297-309; for the least of several aims Han 1981, Math. Programming 20, 1-13; Nocedal & Wright
2006, Numerical Optimization, chapter 18; from memory). It is solved as a least-distance problem through non-negative
least squares (Lawson & Hanson 1974, Solving Least Squares Problems, chapter 23; from memory). A step is halved until
F less a multiple of what limits are missed by goes up (the exact penalty of Han).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import nnls

Array = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.intp]
Flags = npt.NDArray[np.bool_]
Slopes = tuple[Array, Array]
Rises = Callable[[Array], Slopes]

_DIFFERENCE = 1e-5
_FLAT = 1e-3  # of the steepest slope: the least bend of a model, so that each has one top
_LEVEL = 1e-2  # of the weights: the bend along t
_SLACK = 1e4  # what it costs to let limits that are missed give way
_RISE = 1e-4  # the share of the gain foreseen that a step must bring
_HALVINGS = 10
_GAIN = 1e-7  # a step that gains less is not made
_SHORT = 0.1  # how far curvature of what is like the aims is taken to hold
_MET, _WITHIN = 1e-9, 1e-6  # misses of limits: none while a run goes on, none worth speaking of
_BESIDE = 0.25  # how much nearer than to ended runs those under way come before they count as one
_ASTRAY = 0.1  # how far beyond limits a run may go that was within them
_MOST_STEPS = 80


@dataclass(frozen=True, slots=True, eq=False)
class Ascent:
    """What goes up and where it may go.

    `aims` and `limits` give values (n, m) and slopes (n, m, d) at places (n, d); limits ask for 0 or more. `group` (a,)
    numbers each aim's group and `weights` (r,) are the groups'. `bent` has the aims' curvature: the aims themselves, or
    what is like them and cheaper. Rows G u <= h hold throughout; `frozen` coordinates keep their start.
    """

    aims: Rises
    group: Numbers
    weights: Array
    capped: bool
    bent: Rises
    limits: Rises | None
    G: Array
    h: Array
    frozen: Flags | None = None

    @property
    def smooth(self) -> bool:
        """Whether there is one aim alone, so that F is as smooth as it."""
        return len(self.group) == 1 and not self.capped

    def least(self, values: Array) -> Array:
        """The least of each group's aims (n, a), (n, r)."""
        out = np.full((len(values), len(self.weights)), 0.0 if self.capped else np.inf)
        for i, number in enumerate(self.group):
            np.minimum(out[:, number], values[:, i], out=out[:, number])
        return out


@dataclass(slots=True, eq=False)
class _Places:
    """Places U (n, d) of runs, with aims, limits, their slopes, and how these change along each coordinate.

    `bends` (n, d, a, d) and `curves` (n, d, m, d) are differences of slopes, worked out in one pass with the slopes
    themselves: a step is nearly always taken.
    """

    U: Array
    aims: Array
    steep: Array
    bends: Array
    limits: Array
    bounds: Array
    curves: Array
    height: Array
    missed: Array

    @classmethod
    def of(cls, ascent: Ascent, U: Array, bends: Array | None = None) -> _Places:
        """At places U; with `bends` as they are taken to be, or found."""
        n, d = U.shape
        around = np.vstack([U, (U[:, None, :] + _DIFFERENCE * np.eye(d)).reshape(-1, d)])
        if bends is None:
            aims, steep, bends = _parted(ascent.bent(around), n)
        if ascent.bent is not ascent.aims:
            aims, steep = ascent.aims(U)
        if ascent.limits is None:
            limits, bounds, curves = np.zeros((n, 0)), np.zeros((n, 0, d)), np.zeros((n, d, 0, d))
        else:
            limits, bounds, curves = _parted(ascent.limits(around), n)
        height = ascent.least(aims) @ ascent.weights
        missed = -np.minimum(limits, 0.0).sum(axis=1)
        broken = ~(np.isfinite(height) & np.isfinite(missed) & np.isfinite(steep).all(axis=(1, 2)))
        height[broken], missed[broken] = -np.inf, np.inf
        # What a limit gives as one slope for all places is not to be written to.
        parts = (U, aims, steep, bends, limits, bounds, curves, height, missed)
        return cls(*(np.require(part, requirements="W") for part in parts))

    def only(self, which: Flags) -> _Places:
        """Some of the places."""
        return _Places(*(getattr(self, name)[which] for name in self.__slots__))

    def but(self, which: Flags, others: _Places) -> None:
        """Put others in place of those at `which`."""
        for name in self.__slots__:
            getattr(self, name)[which] = getattr(others, name)


@dataclass(frozen=True, slots=True, eq=False)
class _Steps:
    """Steps p (n, d) to the tops of models, the gain by their straight parts (n,), multipliers of aims and limits."""

    p: Array
    gain: Array
    of_aims: Array
    of_limits: Array


@dataclass(frozen=True, slots=True, eq=False)
class Ends:
    """Where runs ended, (n, d), which (n,) came to an end of their own and did not join another, and how high, (n,)."""

    U: Array
    own: Flags
    height: Array


def ascend(
    ascent: Ascent, starts: Array, known: Array | None = None, apart: float = 0.0, enough: float = np.inf,
    least: float = _GAIN, most: int = _MOST_STEPS,
) -> Ends:  # fmt: skip
    """The ends of runs uphill from `starts` (n, d).

    A run ends where it comes within `apart` of `known` places (k, d), or of a higher one of the other runs that has
    ended, or much nearer to one still under way; where F is `enough` with every limit met; and where a step
    would gain less than `least`.
    """
    n, d = starts.shape
    runs = _Runs(starts.copy(), np.full(n, -np.inf), np.ones(n, dtype=bool), np.arange(n))
    if not n or not d or (ascent.frozen is not None and ascent.frozen.all()):
        return Ends(runs.U, runs.own, runs.height)
    with np.errstate(all="ignore"):
        here = _Places.of(ascent, runs.U)
        of_aims, of_limits, weight = _first_multipliers(ascent, here), np.zeros(here.limits.shape), np.zeros(n)
        going = np.isfinite(here.height)
        for _ in range(most):
            going &= (here.height < enough) | (here.missed > 0)
            if not going.all():
                here, runs.ids = here.only(going), runs.ids[going]
                of_aims, of_limits, weight = of_aims[going], of_limits[going], weight[going]
            if not len(runs.ids):
                break
            steps = _steps(ascent, here, *_bends(ascent, here, of_aims, of_limits))
            of_aims, of_limits = steps.of_aims, steps.of_limits
            weight = np.maximum(weight, 1.5 * of_limits.max(axis=1, initial=0.0))
            gain = steps.gain + weight * here.missed
            worth = (gain > least) | (here.missed > _MET)
            here, moved = _moved(ascent, here, steps.p, gain, weight, worth)
            runs.U[runs.ids], runs.height[runs.ids] = here.U, np.where(here.missed <= _WITHIN, here.height, -np.inf)
            going = moved & ~runs.joined(here.height, moved, known, apart)
    return Ends(runs.U, runs.own, runs.height)


@dataclass(slots=True, eq=False)
class _Runs:
    """Where all runs are, (n, d), how high within limits, (n,), which are their `own` still, which are under way."""

    U: Array
    height: Array
    own: Flags
    ids: Numbers

    def joined(self, height: Array, moved: Flags, known: Array | None, apart: float) -> Flags:
        """Which of the runs under way, at `height`, come to known places, or to others that are as high."""
        out = np.zeros(len(self.ids), dtype=bool)
        if apart <= 0:
            return out
        ended = np.ones(len(self.U), dtype=bool)
        ended[self.ids[moved]] = False
        U, height = self.U[self.ids], height[:, None]
        if known is not None and len(known):
            out |= (np.linalg.norm(U[:, None] - known, axis=2) <= apart).any(axis=1)
        if len(self.U) < 2:
            return out
        apart_by = np.linalg.norm(U[:, None] - self.U, axis=2)
        # Of two under way that are as high as each other the first goes on.
        ahead = (self.height > height) | ((self.height == height) & (np.arange(len(self.U)) < self.ids[:, None]))
        joins = (ended & self.own & (apart_by <= apart) & (self.height >= height - 1e-12)).any(axis=1)
        joins |= (~ended & self.own & (apart_by <= _BESIDE * apart) & ahead).any(axis=1)
        joins &= moved
        self.own[self.ids[joins]] = False
        out |= joins
        return out


def _first_multipliers(ascent: Ascent, here: _Places) -> Array:
    """All of a group's weight on the least of its aims; none where all are above the cap."""
    out = np.zeros(here.aims.shape)
    low = ascent.least(here.aims)
    for i, number in enumerate(ascent.group):
        out[:, i] = np.where(here.aims[:, i] <= low[:, number], ascent.weights[number], 0.0)
    return out


def _parted(found: Slopes, n: int) -> tuple[Array, Array, Array]:
    """Values, slopes and their changes at n places, from those at the places and then about each of them."""
    values, slopes = found
    d = slopes.shape[2]
    change = slopes[n:].reshape(n, d, -1, d) - slopes[:n, None]
    return values[:n], slopes[:n], change / _DIFFERENCE


def _bends(ascent: Ascent, now: _Places, of_aims: Array, of_limits: Array) -> tuple[Array, Array]:
    """Second derivatives of the Lagrangian turned down, made positive: their sizes (n, d) and ways (n, d, d)."""
    H = (of_aims[:, None, None, :] @ now.bends)[:, :, 0]
    if of_limits.any():
        H = H + (of_limits[:, None, None, :] @ now.curves)[:, :, 0]
    H = np.nan_to_num(-(H + H.transpose(0, 2, 1)) / 2, posinf=0.0, neginf=0.0)
    if ascent.frozen is not None:
        H[:, ascent.frozen], H[:, :, ascent.frozen] = 0.0, 0.0
    size, ways = np.linalg.eigh(H)
    slope = np.abs(now.steep).max(axis=(1, 2), initial=0.0) * ascent.weights.max(initial=0.0)
    return np.maximum(np.abs(size), np.maximum(_FLAT * slope, 1e-12)[:, None]), ways


def _steps(ascent: Ascent, now: _Places, size: Array, ways: Array) -> _Steps:
    """The tops of all models, each by its own least-distance problem: the least y'y/2 with E'(y, -1) >= 0.

    In units of the steepest, p = back y - B^-1 q and t = y / level + weight / level², with q the slope turned down and
    level² the bend along t. Limits that are missed may give way by a share that costs `_SLACK` times its square.
    """
    n, d = now.U.shape
    first, last = len(ascent.G), len(ascent.G) + now.limits.shape[1]
    smooth, weights, group = ascent.smooth, ascent.weights, ascent.group
    r = 0 if smooth else len(weights)
    q = -weights[0] * now.steep[:, 0] if smooth else np.zeros((n, d))
    rows = np.broadcast_to(-ascent.G, (n, *ascent.G.shape))
    C = np.concatenate([rows, now.bounds, *([now.steep] if r else [])], axis=1)
    if ascent.frozen is not None:
        q[:, ascent.frozen], C[:, :, ascent.frozen] = 0.0, 0.0
    unit = np.maximum(np.abs(q).max(axis=1), 1e-12) if smooth else np.full(n, float(weights.max(initial=1e-12)))
    back = ways * np.sqrt(unit[:, None] / size)[:, None, :]
    about = ((q / unit[:, None])[:, None, :] @ back)[:, 0]
    E = np.zeros((n, d + r + 2, C.shape[1] + (r if ascent.capped else 0)))
    m, low = C.shape[1], ascent.least(now.aims)
    side = C @ back
    E[:, :d, :m] = side.transpose(0, 2, 1)
    E[:, -2, first:last] = np.maximum(-now.limits, 0.0) / np.sqrt(_SLACK)
    E[:, -1, :first] = np.minimum(now.U @ ascent.G.T - ascent.h, 0.0)
    E[:, -1, first:last] = -now.limits
    if r:
        t = weights / (unit[:, None] * _LEVEL)
        E[:, d + group, last + np.arange(len(group))] = -1 / np.sqrt(_LEVEL)
        E[:, -1, last:m] = low[:, group] - now.aims + t[:, group]
        if ascent.capped:
            E[:, d + np.arange(r), m + np.arange(r)] = -1 / np.sqrt(_LEVEL)
            E[:, -1, m:] = low + t
    E[:, -1, :m] += (side @ about[:, :, None])[:, :, 0]
    y, dual = _least_distances(E)
    p = np.nan_to_num((back @ (y[:, :d] - about)[:, :, None])[:, :, 0])
    if ascent.frozen is not None:
        p[:, ascent.frozen] = 0.0
    dual *= unit[:, None]
    gain = (ascent.least(now.aims + (now.steep @ p[:, :, None])[:, :, 0]) - low) @ weights
    return _Steps(p, gain, dual[:, last:m] if r else np.tile(weights, (n, 1)), dual[:, first:last])


def _least_distances(E: Array) -> tuple[Array, Array]:
    """The shortest y (n, k) with E[:, :k]' y >= E[:, k], and its multipliers (n, m), from E (n, k + 1, m).

    No numbers (NaN) and no multipliers where none is found.
    """
    y, dual = np.zeros((len(E), E.shape[1] - 1)), np.zeros((len(E), E.shape[2]))
    f = np.zeros(E.shape[1])
    f[-1] = 1.0
    for i, one in enumerate(E):
        try:
            found = nnls(one, f)[0]
        except (RuntimeError, ValueError):
            y[i] = np.nan
            continue
        rest = one @ found - f
        size = max(-float(rest[-1]), 1e-14)
        y[i], dual[i] = rest[:-1] / size, found / size
    return y, dual


def _moved(
    ascent: Ascent, here: _Places, p: Array, gain: Array, weight: Array, worth: Flags
) -> tuple[_Places, Flags]:  # fmt: skip
    """Where steps lead, each halved until it goes up; and which of the runs that are `worth` moving could be moved."""
    height, missed = here.height - weight * here.missed, np.maximum(here.missed, _ASTRAY)
    share, left, moved = np.ones(len(p)), worth, np.zeros(len(p), dtype=bool)
    for _ in range(_HALVINGS):
        if not left.any():
            break
        way = share[left, None] * p[left]
        # Curvature of what is only like the aims is not worth finding again a short way off.
        still = ascent.bent is not ascent.aims and bool((np.linalg.norm(way, axis=1) <= _SHORT).all())
        there = _Places.of(ascent, here.U[left] + way, here.bends[left] if still else None)
        up = there.height - weight[left] * there.missed - height[left]
        fine = (up >= _RISE * share[left] * gain[left]) & (there.missed <= missed[left])
        if fine.all() and left.all():
            return there, np.ones(len(p), dtype=bool)
        rows = left.copy()
        rows[left] = fine
        here.but(rows, there.only(fine))
        # Where the top of the parabola through what is known would lie, but a tenth of the way at least.
        drop = gain[left] * share[left]
        share[left] *= np.clip(np.nan_to_num(drop / np.maximum(2 * (drop - up), 1e-300), nan=0.1), 0.1, 0.5)
        moved |= rows
        left = left & ~rows
    return here, moved
