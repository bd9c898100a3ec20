"""What batches not made yet may be expected to bring: the pre-posterior rise of the best chance."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import special
from scipy.stats import qmc

from optimise.statistics.student import sd_factor

Array = npt.NDArray[np.float64]
Inside = Callable[[Sequence[int]], npt.NDArray[np.bool_]]

MOST_FURTHER = 12  # batches whose gain is worked out; our choice
_DRAWS = 256
# A search makes do with fewer draws, targets and components of what predicts.
_DRAWS_IN_SEARCH = 96
_LOOKED_AT = 48
_PARTS = 4
_TINY = 1e-300


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """One must at t targets and then candidates, n in all, by the c components of what predicts it.

    `weights` (c,), `df` (c,), `centre` (c, n), `scale` (c,) of one batch about its mean, and the `covariance` (c, n, n)
    of the means in its squares; the window `low` to `high`.
    """

    weights: Array
    df: Array
    centre: Array
    scale: Array
    covariance: Array
    low: float
    high: float

    def heaviest(self, parts: int) -> View:
        """The same by its heaviest components, which come first."""
        weights = self.weights[:parts] / self.weights[:parts].sum()
        return replace(self, weights=weights, df=self.df[:parts], centre=self.centre[:parts], scale=self.scale[:parts],
                       covariance=self.covariance[:parts])  # fmt: skip

    def at(self, places: npt.NDArray[np.intp]) -> View:
        """The same at some of its places."""
        return replace(self, centre=self.centre[:, places], covariance=self.covariance[:, places][:, :, places])

    def now(self, targets: int) -> Array:
        """The chance of the window at each target, (t,)."""
        wide = self.scale[:, None] * np.sqrt(1 + self._variance(targets))
        each = _between(self.df[:, None], (self.low - self.centre[:, :targets]) / wide,
                        (self.high - self.centre[:, :targets]) / wide)  # fmt: skip
        out: Array = self.weights @ each
        return out

    def then(self, targets: int, rows: Sequence[int], draws: Array) -> Array:
        """The chance of the window at each target once `rows` are read, for each of f draws, (f, t).

        `draws` (f, 2 + rows) are uniform: the component the truth is drawn from, its batch variance (scaled inverse
        chi-square), and what is read. Bayes' rule then moves the weight of each component (by the t density of what
        was read), its centres and its batch variance, and adds a degree of freedom a reading.
        """
        k, at = len(rows), list(rows)
        root = np.linalg.cholesky(self.covariance[:, at][:, :, at] + np.eye(k))
        pull = np.linalg.solve(root, self.covariance[:, at, :targets])
        left = np.maximum(self._variance(targets) - (pull**2).sum(axis=1), 0.0)
        true = np.minimum(np.searchsorted(np.cumsum(self.weights), draws[:, 0]), len(self.weights) - 1)
        sizes = self.scale[true] * sd_factor(self.df[true], 1 - draws[:, 1])
        noise = np.einsum("fkj,fj->fk", root[true], special.ndtri(draws[:, 2:]))
        read = self.centre[true][:, at] + sizes[:, None] * noise
        # Components first from here on: (c, k, f), (c, f), (c, f, t).
        off = (read.T[None] - self.centre[:, at, None]) / self.scale[:, None, None]
        white = np.linalg.solve(root, off)
        square, df = (white**2).sum(axis=1), self.df[:, None]
        finite = np.isfinite(df)
        some = np.where(finite, df, 1.0)
        tail = np.where(finite, (some + k) / 2 * np.log1p(square / some), square / 2)
        logs = np.log(np.maximum(self.weights, _TINY))[:, None] - tail - k * np.log(self.scale)[:, None]
        logs -= np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)[:, None]
        weights = np.exp(logs - logs.max(axis=0))
        weights /= weights.sum(axis=0)
        scale = self.scale[:, None] * np.where(finite, np.sqrt((some + square) / (some + k)), 1.0)
        centre = self.centre[:, None, :targets] + self.scale[:, None, None] * (white.transpose(0, 2, 1) @ pull)
        wide = np.maximum(scale[:, :, None] * np.sqrt(1 + left)[:, None, :], _TINY)
        each = _between(self.df[:, None, None] + k, (self.low - centre) / wide, (self.high - centre) / wide)
        out: Array = (weights[:, :, None] * each).sum(axis=0)
        return out

    def known(self, targets: int, draws: Array) -> Array:
        """The chance of the window at each target once the means and the batch sd are known, for each draw, (f, t).

        `draws` (f, 2 + t) as for `then`.
        """
        true = np.minimum(np.searchsorted(np.cumsum(self.weights), draws[:, 0]), len(self.weights) - 1)
        sizes = (self.scale[true] * sd_factor(self.df[true], 1 - draws[:, 1]))[:, None]
        normal, centre = special.ndtri(draws[:, 2:]), np.empty((len(draws), targets))
        for part in np.unique(true):
            root = _root(self.covariance[part, :targets, :targets])
            mine = true == part
            centre[mine] = self.centre[part, :targets] + sizes[mine] * (normal[mine] @ root.T)
        out: Array = special.ndtr((self.high - centre) / sizes) - special.ndtr((self.low - centre) / sizes)
        return out

    def _variance(self, targets: int) -> Array:
        return np.maximum(np.diagonal(self.covariance, axis1=1, axis2=2)[:, :targets], 0.0)


def _root(C: Array) -> Array:
    """A lower root of a covariance (t, t) of means.

    Means known to a ten-thousandth of what was thought before leave so little that rounding may make it negative in
    some direction: as much is added to the diagonal as it takes.
    """
    size = max(float(np.diag(C).max()), 1e-9)
    for grain in (1e-9, 1e-8, 1e-7, 1e-6, 1e-5, 1e-4):
        try:
            return np.asarray(np.linalg.cholesky(C + grain * size * np.eye(len(C))), dtype=float)
        except np.linalg.LinAlgError:
            continue
    return np.asarray(np.diag(np.sqrt(np.maximum(np.diag(C), 0.0))), dtype=float)


def _between(df: Array, low: Array, high: Array) -> Array:
    """P(low < t < high), by Wallace's normal score of t: Wallace (1959) Ann. Math. Statist. 30, 1124-1130, from memory.

    A side that is open everywhere costs nothing.
    """
    above = np.ones(1) if np.isposinf(high.flat[0]) else special.ndtr(_score(high, df))
    found: Array = above if np.isneginf(low.flat[0]) else above - special.ndtr(_score(low, df))
    return np.broadcast_to(found, low.shape)


def _score(x: Array, df: Array) -> Array:
    finite = np.isfinite(df)
    some = np.where(finite, df, 1.0)
    shrunk = (8 * some + 1) / (8 * some + 3)
    squared = np.minimum(x * x, 1e300)
    return np.where(finite, np.sign(x) * shrunk * np.sqrt(some * np.log1p(squared / some)), x)


@dataclass(frozen=True, slots=True, eq=False)
class Prospect:
    """What further batches may bring: the expected rise of the best chance; how likely what is wanted is reached."""

    gain: float
    reached: float


@dataclass(frozen=True, slots=True, eq=False)
class Preposterior:
    """All musts, at `targets` formulas worth making (the first is the formula found) and at candidates for batches.

    `inside` says which targets may be made (t,) once some candidates are; none of them means now.
    """

    views: tuple[View, ...]
    targets: int
    inside: Inside

    def small(self) -> Preposterior:
        """The same by the heaviest components and at the most promising targets, which come first: for a search."""
        t = min(self.targets, _LOOKED_AT)
        keep = np.concatenate([np.arange(t), np.arange(self.targets, self.views[0].centre.shape[1])])
        inside = self.inside
        return Preposterior(
            tuple(v.heaviest(_PARTS).at(keep) for v in self.views), t, lambda picked: inside(picked)[:t]
        )

    def now(self) -> Array:
        """The chance of all musts at each target, (t,)."""
        out: Array = np.prod([view.now(self.targets) for view in self.views], axis=0)
        return out

    def gain(self, picked: Sequence[int], *, search: bool = False) -> float:
        """Expected rise of the best chance over what batches of the picked candidates may read (see `prospect`)."""
        return self.prospect(picked, search=search).gain

    def prospect(self, picked: Sequence[int], wanted: float = 1.0, *, search: bool = False) -> Prospect:
        """What batches of the picked candidates may bring, over fixed draws of what they read.

        In each draw the best formula is taken anew from the targets that may then be made, and held against the one
        that is best now, as it then stands: its own chance rises in some draws and falls in others, and in the mean
        does not move.
        A `search` has draws of its own, so that it cannot fit those it is judged by.
        """
        if not picked or not self.views:
            return Prospect(0.0, 0.0)
        return self._prospect(self.after(picked, search=search), self.inside(picked), wanted)

    def after(self, picked: Sequence[int], *, search: bool) -> Array:
        """The chance of all musts at each target once batches of the picked candidates are read, by draw, (f, t)."""
        rows = [self.targets + i for i in picked]
        draws = _draws(len(self.views), max(len(rows), MOST_FURTHER), search)
        then = np.ones((len(draws), self.targets))
        for r, view in enumerate(self.views):
            then *= view.then(self.targets, rows, draws[:, r, : 2 + len(rows)])
        return then

    def ceiling(self, wanted: float = 1.0) -> Prospect:
        """What could be had if all musts were known exactly: no number of further trials is expected to bring more."""
        if not self.views:
            return Prospect(0.0, 0.0)
        draws = _draws(len(self.views), self.targets, False)
        known = np.ones((len(draws), self.targets))
        for r, view in enumerate(self.views):
            known *= view.known(self.targets, draws[:, r, : 2 + self.targets])
        return self._prospect(known, np.ones(self.targets, dtype=bool), wanted)

    def _prospect(self, chances: Array, inside: npt.NDArray[np.bool_], wanted: float) -> Prospect:
        before = self.inside([]).copy()
        before[0] = True
        # The best now is held on the same footing: the formula found stands on whole steps, and targets do not.
        held = int(np.argmax(np.where(before, np.round(self.now(), 9), -1.0)))
        best = chances[:, inside | before].max(axis=1)
        return Prospect(float((best - chances[:, held]).mean()), float((best >= wanted).mean()))


@lru_cache(maxsize=32)
def _draws(responses: int, rows: int, search: bool) -> Array:
    """Fixed uniform draws (draws, responses, 2 + rows)."""
    count = _DRAWS_IN_SEARCH if search else _DRAWS
    rng = np.random.default_rng(40 if search else 41)
    sobol = qmc.Sobol(responses * (rows + 2), scramble=True, seed=rng)
    uniform: Array = np.clip(sobol.random_base2(8)[:count], 1e-9, 1 - 1e-9).reshape(count, responses, rows + 2)
    uniform.setflags(write=False)
    return uniform
