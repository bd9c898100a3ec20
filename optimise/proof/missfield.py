"""By how much the worst of some limits is missed, as a field for proofs: where every box must miss, none can be met.

The score is minus the largest miss. In a box it is at most any mean of minus the misses with weights that add up to 1
(as in Farkas' lemma): a quadratic, which is below zero over the whole box where the weights are well chosen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from optimise.proof.boxes import Boxes
from optimise.proof.branching import BOX, Bounds
from optimise.proof.cuts import Cut, Quadratic, Rows, tightest
from optimise.proof.domain import Domain, all_met, widest
from optimise.proof.expansion import Curve, Source, Vicinity, rise_of
from optimise.proof.sources import mean_cost

Array = npt.NDArray[np.float64]

_STEPS = 24  # of the game for the weights; the first third is not counted in


@dataclass(frozen=True, slots=True, eq=False)
class MissField:
    """Minus the largest of the misses sign * (limit - value) / size of `sources`, in one piece of a space.

    `which` (k,) says whose value each limit is about; `sign`, `limit`, `size` are (k,). `hint` (k,) are weights to try
    in every box, such as those that hold the balance where the largest miss is smallest.
    """

    domain: Domain
    sources: tuple[Source, ...]
    which: tuple[int, ...]
    sign: Array
    limit: Array
    size: Array
    hint: Array | None = None

    @property
    def cost(self) -> float:
        """The work of one box."""
        return BOX + mean_cost(self.sources)

    def over(self, boxes: Boxes, known: Array, enough: float) -> Bounds:
        """Bounds of minus the largest miss; no closer where that is not above `enough`."""
        boxes, known, walls = self.domain.reduced(boxes, known)
        a, w = boxes.centre, boxes.half
        vicinity = Vicinity(a, w)
        curves = [one.mean(vicinity) for one in self.sources]
        value, slope, bend, second = self._gains(curves)
        third, share = np.stack([curve.third for curve in curves], axis=1), self._share
        reach = (np.abs(slope) * w[:, None, :]).sum(axis=2) + second
        top = (value + reach).min(axis=1)
        middle = np.where(self.domain.allowed(a) & all_met(walls, len(a)), value.min(axis=1), -np.inf)
        upper = np.fmin(known, top)
        rows, kept = np.flatnonzero(upper > enough), Quadratic.none(*a.shape)
        if len(rows):
            cut = [wall.only(rows) for wall in walls]

            def again(some: Rows, place: Array) -> Cut:
                k = rows[some]
                made = _weighed(value[k], slope[k], bend[k], third[k], share, w[k], place)
                return made.mixed(made, [wall.only(some) for wall in cut], w[k])

            first = [again(np.arange(len(rows)), np.zeros((len(rows), a.shape[1])))]
            if self.hint is not None:
                hinted = np.broadcast_to(self.hint, (len(rows), len(self.hint)))
                made = _mean(hinted, value[rows], slope[rows], bend[rows], third[rows], share)
                first.append(made.mixed(made, cut, w[rows]))
            close, best = tightest(self.domain, a[rows], w[rows], cut, first, again, enough, top[rows], 2)
            upper[rows] = np.fmin(upper[rows], close)
            kept.put(rows, best)
        weights = np.exp(
            -(value - value.min(axis=1, keepdims=True)) / np.maximum(reach.mean(axis=1, keepdims=True), 1e-12)
        )
        weights /= weights.sum(axis=1, keepdims=True)
        pull = np.einsum("nk,nkd->nd", weights, np.abs(slope)) * w
        bent = (weights * second).sum(axis=1)[:, None] * w * w
        pull = pull + bent / np.maximum((w * w).sum(axis=1), 1e-300)[:, None]
        return Bounds(boxes, upper, middle, widest(pull, value.min(axis=1) > enough, walls, w), kept)

    @property
    def _share(self) -> Array:
        """How much of each source is in each gain, (k, sources)."""
        out: Array = np.equal.outer(self.which, np.arange(len(self.sources))) * (self.sign / self.size)[:, None]
        return out

    def _gains(self, curves: Sequence[Curve]) -> tuple[Array, Array, Array, Array]:
        """Minus each miss: value (n, k), slope (n, k, d), bend (n, k, d, d), bound beyond the slope (n, k)."""
        rate = self.sign / self.size
        value = np.stack([curves[i].value for i in self.which], axis=1)
        slope = np.stack([curves[i].slope for i in self.which], axis=1)
        bend = np.stack([curves[i].bend for i in self.which], axis=1)
        second = np.stack([curves[i].second for i in self.which], axis=1)
        return rate * (value - self.limit), rate[:, None] * slope, rate[:, None, None] * bend, second / self.size


def _weighed(
    value: Array, slope: Array, bend: Array, third: Array, share: Array, w: Array, place: Array
) -> Cut:  # fmt: skip
    """The mean of the gains with the weights that a game about the box comes to, begun at a place (n, d).

    One side picks the corner that is best for the mean, the other moves weight to the gains that are least there
    (multiplicative weights); their average weights are near the best for the linear parts.
    """
    n, k = value.shape
    total, log = np.zeros((n, k)), np.zeros((n, k))
    t = place
    reach = (np.abs(slope) * w[:, None, :]).sum(axis=2)
    scale = np.maximum((reach + np.abs(value - value.min(axis=1, keepdims=True))).max(axis=1, keepdims=True), 1e-300)
    for step in range(_STEPS):
        gain = value + (slope @ t[:, :, None])[:, :, 0] + rise_of(bend, t)
        log -= 2.0 * gain / scale
        weights = np.exp(log - log.max(axis=1, keepdims=True))
        weights /= weights.sum(axis=1, keepdims=True)
        if step >= _STEPS // 3:
            total += weights
        t = w * np.sign(np.einsum("nk,nkd->nd", weights, slope))
    return _mean(total / total.sum(axis=1, keepdims=True), value, slope, bend, third, share)


def _mean(weights: Array, value: Array, slope: Array, bend: Array, third: Array, share: Array) -> Cut:
    """The mean of the gains with weights (n, k), where `third` (n, sources) bounds what lies beyond the sources' bends.

    Of a source that is in several gains, as between two limits, what lies beyond counts as often as is left of it.
    """
    beyond = (np.abs(weights @ share) * third).sum(axis=1)
    return Cut.of(
        ((weights * value).sum(axis=1) + beyond)[:, None], np.einsum("nk,nkd->nd", weights, slope)[:, None],
        np.einsum("nk,nkde->nde", weights, bend)[:, None],
    )  # fmt: skip
