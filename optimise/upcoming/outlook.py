"""What batches not made yet may be expected to bring: the pre-posterior rise of the best chance; a search for it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache, partial

import numpy as np
import numpy.typing as npt
from scipy import special
from scipy.stats import qmc

from doe.split import split

Array = npt.NDArray[np.float64]

_FANTASIES = 256
_LOOKED_AT = 64
_SHORT = 24
_PASSES = 2
_TINY = 1e-300
_BETTER = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """One response at t targets and then candidates: `centre` (t,), batch sd, df, window, and the covariance of all.

    The covariance (t + c, t + c) is that of the means, in batch variances.
    """

    centre: Array
    sd: float
    df: float
    low: float
    high: float
    covariance: Array

    def chance(self, centre: Array, scale: Array, exact: bool) -> Array:
        """Chance of the window about centres with a scale; not `exact`: by Wallace's normal score of t.

        Wallace (1959) Ann. Math. Statist. 30, 1124-1130, from memory.
        """
        size = np.maximum(scale, _TINY)
        low, high = (self.low - centre) / size, (self.high - centre) / size
        if not np.isfinite(self.df):
            return np.asarray(special.ndtr(high) - special.ndtr(low), dtype=float)
        if exact:
            return np.asarray(special.stdtr(self.df, high) - special.stdtr(self.df, low), dtype=float)
        return np.asarray(special.ndtr(_score(high, self.df)) - special.ndtr(_score(low, self.df)), dtype=float)


def _score(x: Array, df: float) -> Array:
    shrunk = (8 * df + 1) / (8 * df + 3)
    out: Array = np.sign(x) * shrunk * np.sqrt(df * np.log1p(np.minimum(x * x, 1e300) / df))
    return out


@dataclass(frozen=True, slots=True, eq=False)
class Outlook:
    """All responses that have to be met, at `targets` formulas worth making and at candidates for the next batches."""

    views: tuple[View, ...]
    targets: int

    def fewer(self) -> Outlook:
        """The same at the most promising targets only, which come first: for a search."""
        t = min(self.targets, _LOOKED_AT)
        views = []
        for view in self.views:
            keep = np.concatenate([np.arange(t), np.arange(self.targets, len(view.covariance))])
            views.append(View(view.centre[:t], view.sd, view.df, view.low, view.high,
                              view.covariance[np.ix_(keep, keep)]))  # fmt: skip
        return Outlook(tuple(views), t)

    def gain(self, picked: Sequence[int], *, exact: bool = True) -> float:
        """Expected rise of the best chance among the targets, over what batches of the picked candidates may read.

        For 256 fixed draws of the readings each response's centres move by the normal updating rule and its variances
        shrink; the best chance is taken anew in each. First form: one component, the batch variance as known, the
        targets for the whole region. The best chance now is taken in the same way: no information gains nothing. What
        is `exact` has draws of its own, so that a search cannot fit those it is judged by.
        """
        t, rows = self.targets, [self.targets + i for i in picked]
        if not rows or not self.views:
            return 0.0
        normal = _normals(len(self.views), len(rows), exact)
        now, then = np.ones(t), np.ones((_FANTASIES, t))
        for r, view in enumerate(self.views):
            C = view.covariance
            root = np.linalg.cholesky(C[np.ix_(rows, rows)] + np.eye(len(rows)))
            pull = np.linalg.solve(root, C[:t][:, rows].T).T
            left = np.maximum(np.diag(C)[:t] - (pull**2).sum(axis=1), 0.0)
            # Averaged over the readings, the moved centre and the smaller variance give back the variance of now.
            now *= view.chance(view.centre, view.sd * np.sqrt(1 + np.diag(C)[:t]), exact)
            moved = view.centre + view.sd * normal[:, r] @ pull.T
            then *= view.chance(moved, view.sd * np.sqrt(1 + left), exact)
        before, after = float(now.max()), float(then.max(axis=1).mean())
        fixed = float(then[:, int(np.argmax(now))].mean())
        # What the draws say of the formula that is best now is noise of the sample and of t tails, not a gain.
        return max(0.0, after - max(before, fixed))

    def course(self, picked: Sequence[int]) -> tuple[list[int], list[float]]:
        """The picked candidates in the order in which they bring most, and the gain of the first, the first two, ..."""
        left, order, gains = list(picked), list[int](), list[float]()
        while left:
            each = [self.gain([*order, i], exact=False) for i in left]
            best = int(np.flatnonzero(np.array(each) >= max(each) - _BETTER)[0])
            order.append(left.pop(best))
            gains.append(self.gain(order))
        # More batches cannot be worth less: what a later one seems to lose is noise of the draws.
        return order, np.maximum.accumulate(gains).tolist() if gains else []


def best_of(outlook: Outlook, by_variance: Sequence[int]) -> list[int]:
    """The batches that raise the chance most: from those that take most variance away, and from none, exchanged.

    Both starts are worked out wherever shared work is done; each batch is held against the 24 candidates that tell most
    of the promising targets, given the others, as long as the expected gain rises.
    """
    few = outlook.fewer()
    starts = [tuple(by_variance), _grown(few, len(by_variance))]
    ends = split(partial(_exchanged, few), list(dict.fromkeys(starts)))
    gains = [outlook.gain(end) for end in (tuple(by_variance), *ends)]
    first = int(np.flatnonzero(np.array(gains) >= max(gains) - _BETTER)[0])
    return sorted((tuple(by_variance), *ends)[first])


def _grown(outlook: Outlook, count: int) -> tuple[int, ...]:
    picked: list[int] = []
    for _ in range(count):
        near = _short(outlook, picked)
        gains = np.array([outlook.gain([*picked, i], exact=False) for i in near])
        picked.append(near[int(np.flatnonzero(gains >= gains.max() - _BETTER)[0])])
    return tuple(sorted(picked))


def _exchanged(outlook: Outlook, start: Sequence[int]) -> tuple[int, ...]:
    picked = list(start)
    now = outlook.gain(picked, exact=False)
    for _ in range(_PASSES):
        before = now
        for place in range(len(picked)):
            others = picked[:place] + picked[place + 1 :]
            near = _short(outlook, others)
            gains = np.array([outlook.gain([*others, i], exact=False) for i in near])
            best = int(np.flatnonzero(gains >= gains.max() - _BETTER)[0])
            if gains[best] > now + _BETTER:
                picked[place], now = near[best], float(gains[best])
        if now <= before + _BETTER:
            break
    return tuple(sorted(picked))


def _short(outlook: Outlook, picked: Sequence[int]) -> list[int]:
    """The candidates that take most variance away at the targets, weighted by their chance, given those picked."""
    t, rows = outlook.targets, [outlook.targets + i for i in picked]
    chance = np.ones(t)
    for view in outlook.views:
        chance *= view.chance(view.centre, view.sd * np.sqrt(1 + np.diag(view.covariance)[:t]), False)
    taken = np.zeros(len(outlook.views[0].covariance) - t)
    for view in outlook.views:
        C = view.covariance
        cross, own = C[:t, t:], np.diag(C)[t:]
        if rows:
            solved = np.linalg.solve(C[np.ix_(rows, rows)] + np.eye(len(rows)), C[rows][:, t:])
            cross = cross - C[:t][:, rows] @ solved
            own = own - (C[rows][:, t:] * solved).sum(axis=0)
        taken += (chance @ cross**2) / (np.maximum(own, 0.0) + 1)
    return [int(i) for i in np.argsort(-np.round(taken / max(float(taken.max()), _TINY), 9), kind="stable")[:_SHORT]]


@lru_cache(maxsize=32)
def _normals(responses: int, rows: int, exact: bool) -> Array:
    """Fixed normal draws (draws, responses, rows)."""
    rng = np.random.default_rng(41 if exact else 40)
    uniform = qmc.Sobol(responses * rows, scramble=True, seed=rng).random(_FANTASIES)
    normal: Array = special.ndtri(np.clip(uniform, 1e-12, 1 - 1e-12)).reshape(_FANTASIES, responses, rows)
    normal.setflags(write=False)
    return normal
