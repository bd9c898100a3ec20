"""Augmentation of the trials made: which candidates to add, and in which order, so that the best chance rises most."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from doe.split import split
from optimise.upcoming.preposterior import Preposterior, Prospect

Array = npt.NDArray[np.float64]

_SHORT = 24  # candidates that each step tries: those that take most variance away
_BETTER = 1e-6
_TINY = 1e-300


@dataclass(frozen=True, slots=True, eq=False)
class Augmentation:
    """Candidates in the order in which they are worth making, and what the first, the first two ... may bring.

    There may be more `steps` than `picked`: what further batches would bring beside those.
    """

    picked: tuple[int, ...]
    steps: tuple[Prospect, ...]


def given(C: Array, rows: Sequence[int]) -> Array:
    """The covariance C (n, n) of means, in squares of the batch sd, once a batch at each of `rows` is read."""
    if not len(rows):
        return C
    cross = C[rows]
    left: Array = C - cross.T @ np.linalg.solve(cross[:, rows] + np.eye(len(rows)), cross)
    return left


def _taken(C: Array, targets: int, chances: Array) -> Array:
    """What a batch of each candidate takes off the variance at the targets (t,), weighted by their `chances`."""
    cross, own = C[:targets, targets:], np.diag(C)[targets:]
    out: Array = (chances @ cross**2) / (np.maximum(own, 0.0) + 1)
    return out


def by_variance(preposterior: Preposterior, weights: Array, count: int) -> list[int]:
    """Candidates (repeats allowed) that take most variance away at the targets, weighted by their chance, one by one.

    `weights` (r,) say what each must counts; by the heaviest component of each.
    """
    t, chances = preposterior.targets, preposterior.now()
    left = [view.covariance[0] for view in preposterior.views]
    picked: list[int] = []
    for _ in range(count):
        gain = np.sum([w * _taken(C, t, chances) for w, C in zip(weights, left, strict=True)], axis=0)
        picked.append(int(np.flatnonzero(gain >= gain.max() * (1 - 1e-9))[0]))
        left = [given(C, [t + picked[-1]]) for C in left]
    return picked


def augment(
    preposterior: Preposterior, start: Sequence[int], wanted: float, count: int | None, enough: Callable[[Array], int]
) -> Augmentation:
    """The batches that raise the chance most, those that bring most first.

    As many as `start` has are added one by one, each the candidate that brings most beside those before it; of
    those the first `count` are taken, or as many as `enough` says of the gains of the first, the first two, ... These,
    and as many of the `start`, are then exchanged one after another for candidates that tell much, as long as
    the whole gains, wherever shared work is done; the best set is taken.
    """
    few, most = preposterior.small(), len(start)
    grown = _grown(few, most)
    steps = _rising([preposterior.prospect(grown[: k + 1], wanted) for k in range(most)])
    count = enough(np.array([step.gain for step in steps])) if count is None else count
    if count < 1:
        return Augmentation((), steps)
    starts = [grown[:count], tuple(start[:count])]
    sets = [grown[:count], *split(_Exchange(few), starts)]
    gains = [preposterior.gain(one) for one in sets]
    left = list(sets[int(np.flatnonzero(np.array(gains) >= max(gains) - _BETTER)[0])])
    if left != list(grown[:count]):
        order: list[int] = []
        while left:
            each = [few.gain([*order, i], search=True) for i in left]
            order.append(left.pop(int(np.flatnonzero(np.array(each) >= max(each) - _BETTER)[0])))
        left = order
        steps = _rising([*(preposterior.prospect(order[: k + 1], wanted) for k in range(count)), *steps[count:]])
    return Augmentation(tuple(left), steps)


def _rising(steps: Sequence[Prospect]) -> tuple[Prospect, ...]:
    """More batches cannot be worth less: what a later one seems to lose is noise of the draws."""
    gain, reached = (np.maximum.accumulate([getattr(s, name) for s in steps]) for name in ("gain", "reached"))
    return tuple(Prospect(float(g), float(r)) for g, r in zip(gain, reached, strict=True))


def _grown(preposterior: Preposterior, count: int) -> tuple[int, ...]:
    picked: list[int] = []
    for _ in range(count):
        picked.append(_addition(preposterior, picked)[0])
    return tuple(picked)


def _addition(preposterior: Preposterior, picked: Sequence[int]) -> tuple[int, float]:
    near = _short(preposterior, picked)
    gains = np.array([preposterior.gain([*picked, i], search=True) for i in near])
    best = int(np.flatnonzero(gains >= gains.max() - _BETTER)[0])
    return near[best], float(gains[best])


@dataclass(frozen=True, slots=True, eq=False)
class _Exchange:
    """Holds each batch of a choice against all others that tell much."""

    preposterior: Preposterior

    def __call__(self, start: Sequence[int]) -> tuple[int, ...]:
        picked = list(start)
        now = self.preposterior.gain(picked, search=True)
        for place in range(len(picked)):
            other, gain = _addition(self.preposterior, picked[:place] + picked[place + 1 :])
            if gain > now + _BETTER:
                picked[place], now = other, gain
        return tuple(picked)


def _short(preposterior: Preposterior, picked: Sequence[int]) -> list[int]:
    """The candidates that take most variance away at the targets, weighted by their chance, given those picked."""
    t, rows = preposterior.targets, [preposterior.targets + i for i in picked]
    chances = preposterior.now()
    taken = np.sum([_taken(given(view.covariance[0], rows), t, chances) for view in preposterior.views], axis=0)
    return [int(i) for i in np.argsort(-np.round(taken / max(float(taken.max()), _TINY), 9), kind="stable")[:_SHORT]]
