"""Many uphill runs at once, round by round (see `optimise.formula.rounds`): where each ends, and which join another."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from typing import Self

import numpy as np
import numpy.typing as npt

from optimise.formula.joining import on_one_hill
from optimise.formula.rounds import Ascent, Places, Steps, chosen, first_multipliers, last_step, tried

Array = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.intp]
Flags = npt.NDArray[np.bool_]

_GAIN = 1e-7  # a step that gains less is not made
_LEFT = 2e-8  # what may be left to gain, as far as steps tell, where the last one is not looked at
_MET, _WITHIN = 1e-9, 1e-6  # misses of limits: none while a run goes on, none worth speaking of
_BESIDE = 0.25  # how much nearer than to ended runs those under way come before they count as one
_ALL_BUT = 1e-4  # a top lower than what is enough by less does not stop others: these may come to all of it
MOST_ROUNDS = 120  # steps of a run, unless it is given its own


@dataclass(frozen=True, slots=True, eq=False)
class Ends:
    """Where runs ended, (n, d), and which (n,) came to an end of their own and did not join another.

    `seen` (n, d) are the last places that were worked out, how high these are (n,), below everything where limits are
    missed, and the second derivatives there (n, m, d, d).
    """

    U: Array
    own: Flags
    seen: Array
    height: Array
    bends: Array


@dataclass(frozen=True, slots=True, eq=False)
class Company:
    """Whom runs may join: tops that are `known` (k, d), and each other, where they are within `apart`.

    A run next to a known top, and higher by no more than `level`, has come to that top.
    """

    apart: float
    known: Array | None = None
    level: float = 0.0


@dataclass(frozen=True, slots=True)
class Stop:
    """When runs end: where F is `enough`, or a step would gain less than `least` and limits are missed by no more than
    `met`, or after the `most` rounds; all of them once as many as `suffice` have enough.

    With `unseen` the last step, which gains so little, is made and not looked at.
    """

    least: float = _GAIN
    met: float = _MET
    enough: float = np.inf
    suffice: int = sys.maxsize
    most: int = MOST_ROUNDS
    unseen: bool = False


def ascend(
    ascent: Ascent, starts: Array, stop: Stop = Stop(), company: Company | None = None, bends: Array | None = None
) -> Ends:
    """The ends of runs uphill from `starts` (n, d); all are worked out once in each round.

    With `company` a run ends too where it comes near known places or higher ones of the other runs that have ended, or
    much nearer to one still under way, or is on the way to such a top. `bends` (n, m, d, d) are second derivatives at
    the starts, where they are known.
    """
    n, d = starts.shape
    alone = np.ones(n, dtype=bool)
    if not n or not d or (ascent.frozen is not None and ascent.frozen.all()):
        return Ends(starts.copy(), alone, starts.copy(), np.full(n, -np.inf), np.zeros((n, 0, d, d)))
    with np.errstate(all="ignore"):
        here, runs = _Runs.begun(ascent, starts, stop, company, bends)
        first = first_multipliers(ascent, here)
        gain, weight, share, cuts, before = np.zeros((5, n))
        steps = Steps(np.zeros((n, d)), gain, first, weight, 1.0 + share, cuts.astype(np.intp), before)
        fresh = going = np.isfinite(here.height)
        suffice = stop.suffice
        for _ in range(stop.most):
            full = going & (here.height >= stop.enough) & (here.missed <= 0)
            suffice -= int(full.sum())
            if suffice <= 0:
                break
            going = going & ~full
            if (fresh & going).any():
                steps = chosen(ascent, here, steps, fresh & going)
                ended = going & fresh & _small(steps, stop) & (here.missed <= stop.met)
                going = going & ~ended
                if ended.any():
                    runs.end(here, steps, ended, going)
                going = going & ~runs.led(here, going)
            if not going.any():
                break
            if not going.all():
                here, steps, runs.ids = here.only(going), steps.only(going), runs.ids[going]
            here, fresh, going = tried(ascent, here, steps)
            runs.put(here)
            going = going & ~runs.joined(going)
    return Ends(runs.U, runs.own, runs.seen, np.where(runs.within, runs.height, -np.inf), runs.bends)


@dataclass(slots=True, eq=False)
class _Runs:
    """All runs, those under way by their `ids`: where they are and were `seen` last, (n, d), how high, which are within
    limits and which their `own` still, (n,), and the second derivatives there; places `known` and `tops` to join.
    """

    ascent: Ascent
    stop: Stop
    apart: float
    level: float
    known: Places
    tops: Places
    U: Array
    seen: Array
    height: Array
    within: Flags
    own: Flags
    bends: Array
    ids: Numbers

    @classmethod
    def begun(
        cls, ascent: Ascent, starts: Array, stop: Stop, company: Company | None, bends: Array | None
    ) -> tuple[Places, Self]:
        """The places of runs from `starts` (n, d), and the runs."""
        n, others = len(starts), None if company is None else company.known
        every = Places.of(ascent, np.vstack([starts] if others is None else [starts, others]), None, bends)
        first = np.arange(len(every.U)) < n
        here, known = every if others is None else every.only(first), every.only(~first)
        apart, level = (0.0, 0.0) if company is None else (company.apart, company.level)
        tops = known.only(known.height < stop.enough - _ALL_BUT)
        runs = cls(ascent, stop, apart, level, known, tops, here.U.copy(), here.U.copy(), here.height.copy(),
                   here.missed <= 0, np.ones(n, dtype=bool), here.bends.copy(), np.arange(n))  # fmt: skip
        runs.put(here)
        return here, runs

    def put(self, here: Places) -> None:
        """Where the runs under way are."""
        ids = self.ids
        self.U[ids], self.seen[ids], self.height[ids], self.bends[ids] = here.U, here.U, here.height, here.bends
        self.within[ids] = here.missed <= max(_WITHIN, self.stop.met)

    def end(self, here: Places, steps: Steps, ended: Flags, going: Flags) -> None:
        """Some of the runs under way are at their tops, while others are `going` on."""
        there, ids = here.only(ended), self.ids[ended]
        if self.stop.unseen:
            self.U[ids] = last_step(self.ascent, there, steps.only(ended))
        if self.apart > 0:
            others = self.own.copy()
            others[self.ids[going]] = False
            for i in ids:
                others[i] = False
                beside = ((self.seen - self.seen[i]) ** 2).sum(axis=1) <= self.apart**2
                self.own[i] &= not (beside & others & self.within & (self.height >= self.height[i] - 1e-12)).any()
                others[i] = self.own[i]
            low = there.height < self.stop.enough - _ALL_BUT
            self.tops = self.tops.and_those(there.only(low)) if low.any() else self.tops

    def led(self, here: Places, going: Flags) -> Flags:
        """Which of the runs under way that are `going` on stand on the hill of a top that is known."""
        out = np.zeros(len(going), dtype=bool)
        if not len(self.tops.U) or not going.any():
            return out
        some, tops, ascent = here if going.all() else here.only(going), self.tops, self.ascent
        hills = on_one_hill(
            some.U, (some.values, some.slopes, some.bends), tops.U, (tops.values, tops.slopes, tops.bends),
            lambda values: ascent.least(values) @ ascent.weights, len(ascent.group),
        )  # fmt: skip
        out[going] = hills.any(axis=1)
        self.own[self.ids[out]] = False
        return out

    def joined(self, going: Flags) -> Flags:
        """Which of the runs under way that are `going` on come to known places, or to others as high."""
        out, apart = np.zeros(len(self.ids), dtype=bool), self.apart
        if apart <= 0:
            return out
        U, height = self.U[self.ids], self.height[self.ids, None]
        if len(self.known.U):
            near = _squares(U, self.known.U) <= apart**2
            out |= near.any(axis=1)
            self.own[self.ids[(near & (height <= self.known.height + self.level)).any(axis=1)]] = False
        if len(self.U) == 1:
            return out
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


def _small(steps: Steps, stop: Stop) -> Flags:
    """Which steps gain so little that runs end there, (n,).

    Steps that are not looked at may gain more where little is left after them: gains fall from step to step by a share
    that falls itself.
    """
    little: Flags = steps.gain <= stop.least
    if stop.unseen:
        little |= steps.gain**2 <= _LEFT * steps.before
    return little
