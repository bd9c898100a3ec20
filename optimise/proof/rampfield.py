"""Published desirability as a field for proofs: its log is a sum of concave functions of the predicted centres."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from optimise.formula.goals import Property, Ramp, ramps
from optimise.formula.space import Space
from optimise.models.fence import Fence
from optimise.models.scales import Scale
from optimise.proof.boxes import Boxes
from optimise.proof.branching import Bounds
from optimise.proof.confines import Confines, Wall, widest
from optimise.proof.cuts import Quadratic, Rows, closest
from optimise.proof.expansion import Curve, Source
from optimise.proof.fields import dead, met, within
from optimise.proof.sources import source

Array = npt.NDArray[np.float64]

_LEAST = 1e-3
_NOTHING = -1e3
_ROUNDS = 1


@dataclass(frozen=True, slots=True, eq=False)
class Hill:
    """`share` times the log of one side of a desirability, over the centre on the model scale.

    `concave`: wherever it rises from nothing to 1. On a log scale that takes a start that is not negative, on a logit
    scale one between 0 and the whole (by the second derivative); for grades it is not so.
    """

    ramp: Ramp
    scale: Scale
    share: float

    @property
    def sign(self) -> float:
        """Which way the centre has to go."""
        return 1.0 if self.ramp.full > self.ramp.start else -1.0

    @property
    def concave(self) -> bool:
        """Whether a tangent lies above it."""
        start = self.ramp.start
        return {
            "linear": True, "log": start >= 0, "logit": 0 <= start <= self.scale.whole, "grades": False
        }[self.scale.name]  # fmt: skip

    def value(self, m: Array) -> Array:
        """The function, (n,)."""
        rise = self.ramp.share(self.scale.back(m))
        log = np.log(np.clip(rise, 1e-300, 1.0))
        return np.where(rise > 0, self.share * self.ramp.exponent * log, _NOTHING)

    def tangent(self, m: Array) -> tuple[Array, Array, Array]:
        """Places (n,) next to m that are within the rise, not below a small share; values and slopes there."""
        span = self.ramp.full - self.ramp.start
        back = self.scale.back(m)
        share = np.clip(self.ramp.share(back), _LEAST, 1.0)
        same = share == self.ramp.share(back)
        at = np.where(same, m, self.scale.forward(self.ramp.start + share * span))
        size = self.share * self.ramp.exponent
        return at, size * np.log(share), size * self.scale.back_slope(at) / (span * share)

    def curvature(self, low: Array, high: Array) -> Array:
        """The greatest second derivative over intervals, of the function carried on beyond 1: on the own scale."""
        if self.scale.name != "linear":
            return np.zeros_like(low)
        far = np.maximum(np.abs(low - self.ramp.start), np.abs(high - self.ramp.start))
        return np.asarray(-self.share * self.ramp.exponent / np.maximum(far, 1e-300) ** 2, dtype=float)


@dataclass(frozen=True, slots=True, eq=False)
class RampField:
    """The log of the weighted geometric mean of desirabilities in one piece of a space.

    `hills` are the sides of each source's desirability; `barriers` (source, sign, limit) ask sign * centre >= sign *
    limit on the model scale, and nothing is worth anything behind one.
    """

    confines: Confines
    sources: tuple[Source, ...]
    hills: tuple[tuple[Hill, ...], ...]
    barriers: tuple[tuple[int, float, float], ...]

    @property
    def cost(self) -> float:
        """The work of one box."""
        return 10_000.0 + sum(one.mean_cost for one in self.sources)

    @classmethod
    def of(
        cls, space: Space, combo: Mapping[str, str], fence: Fence | None, properties: Sequence[Property]
    ) -> RampField | None:
        """The field at one combination of category levels; None where some prediction cannot be expanded."""
        place, sources = space.at(combo), []
        for one in properties:
            made = source(one.predictor, one.exact, place, combo)
            if made is None:
                return None
            sources.append(made)
        slopes, walls = ramps([p.response for p in properties])
        total = sum(p.response.weight for p in properties)
        hills: list[list[Hill]] = [[] for _ in properties]
        for side in slopes:
            one = properties[side.response]
            hills[side.response].append(Hill(side, one.scale, one.response.weight / total))
        barriers = tuple((n, sign, float(properties[n].scale.forward(limit))) for n, sign, limit in walls)
        return cls(Confines.of(place, combo, fence), tuple(sources), tuple(map(tuple, hills)), barriers)

    def whole(self) -> Boxes:
        """The box that holds the piece."""
        return self.confines.whole()

    def over(self, boxes: Boxes, known: Array, enough: float) -> Bounds:
        """Bounds of log desirability over boxes; no closer where that is not above `enough`."""
        boxes, known, walls = within(self.confines, boxes, known)
        curves = [one.mean(boxes.centre, boxes.half) for one in self.sources]
        walls = [*walls, *(self._wall(curves[n], sign, limit, boxes.half) for n, sign, limit in self.barriers)]
        near = np.flatnonzero(~dead(walls, boxes.count))
        boxes, known = boxes.only(near), known[near]
        curves, walls = [curve.only(near) for curve in curves], [wall.only(near) for wall in walls]
        a, w = boxes.centre, boxes.half
        top, middle, pull = np.zeros(len(a)), np.zeros(len(a)), np.zeros_like(a)
        for curve, sides in zip(curves, self.hills, strict=True):
            if sides:
                reach = (np.abs(curve.slope) * w).sum(axis=1) + curve.second
                here = np.min([hill.value(curve.value) for hill in sides], axis=0)
                best = np.min([hill.value(curve.value + hill.sign * reach) for hill in sides], axis=0)
                bent = curve.second[:, None] * w * w / np.maximum((w * w).sum(axis=1), 1e-300)[:, None]
                each = np.abs(curve.slope) * w + bent
                pull += ((best - np.maximum(here, -50.0)) / np.maximum(each.sum(axis=1), 1e-300))[:, None] * each
                top, middle = top + best, middle + here
        if not any(self.hills):
            pull = w.copy()
        upper = np.fmin(known, top)
        rows, kept = np.flatnonzero(upper > enough), Quadratic.none(*a.shape)
        if len(rows):
            close, best = self._closer(rows, curves, walls, a, w, enough, top)
            upper[rows] = np.fmin(upper[rows], close)
            kept.put(rows, best)
        high = middle > enough
        middle = np.where(self.confines.allowed(a) & met(walls, len(a)), middle, -np.inf)
        return Bounds(boxes, upper, middle, widest(pull, high, walls, w), kept)

    def _wall(self, curve: Curve, sign: float, limit: float, w: Array) -> Wall:
        """A barrier as a wall: -sign * centre <= -sign * limit. One at infinity is met always or never."""
        if np.isfinite(limit):
            return Wall.of(curve, -sign * limit, w, -sign)
        flat = Curve(
            np.full(len(w), sign * limit), np.zeros_like(w), np.zeros((*w.shape, w.shape[1])), *np.zeros((2, len(w)))
        )
        return Wall.of(flat, 0.0, w)

    def _closer(
        self, rows: Rows, curves: Sequence[Curve], walls: Sequence[Wall], a: Array, w: Array, enough: float, top: Array
    ) -> tuple[Array, Quadratic]:
        some = [curve.only(rows) for curve in curves]
        place = np.zeros((len(rows), a.shape[1]))

        def again(which: Rows, at: Array) -> Quadratic:
            return self._cut([curve.only(which) for curve in some], w[rows[which]], at, curved=False)

        first = [self._cut(some, w[rows], place, curved) for curved in (False, True)]
        cut = [wall.only(rows) for wall in walls]
        return closest(self.confines, a[rows], w[rows], cut, first, again, enough, top[rows], _ROUNDS)

    def _cut(self, curves: Sequence[Curve], w: Array, place: Array, curved: bool) -> Quadratic:
        """Tangents of all sides at a place (n, d) of each box, with or without their curvature, `mixed` best."""
        wanted = [(curve, sides) for curve, sides in zip(curves, self.hills, strict=True) if sides]
        lines = np.stack([self._lines(curve, sides, w, place, curved) for curve, sides in wanted], axis=1)
        slopes = np.stack([curve.slope for curve, _ in wanted], axis=1)
        level, rise, kappa = mixed(lines, slopes, w)
        steep = slopes[:, :, :, None] * slopes[:, :, None, :]
        bend = rise[:, :, None, None] * np.stack([curve.bend for curve, _ in wanted], axis=1)
        bend += kappa[:, :, None, None] * steep
        return Quadratic(level.sum(axis=1), (rise[:, :, None] * slopes).sum(axis=1), bend.sum(axis=1))

    def _lines(self, curve: Curve, sides: Sequence[Hill], w: Array, place: Array, curved: bool) -> Array:
        """Two lines above one desirability, (n, 3, 2): level, rise, curvature; the one lower at `place` comes first."""
        linear = (curve.slope * place).sum(axis=1)
        span = (np.abs(curve.slope) * w).sum(axis=1)
        reach = span + curve.second
        m = curve.value + np.clip(linear + 0.5 * np.einsum("nd,nde,ne->n", place, curve.bend, place), -reach, reach)
        lines, there = [], []
        for hill in sides:
            if hill.concave:
                at, height, rise = hill.tangent(m)
                kappa = hill.curvature(curve.value - reach, curve.value + reach) if curved else np.zeros(len(m))
                kappa = np.where(np.abs(at - curve.value) < 1e-12, kappa, 0.0)
                rest = np.abs(rise) * curve.third + np.abs(kappa) * curve.second * (span + 0.5 * curve.second)
                lines.append(np.stack([height + rise * (curve.value - at) + rest, rise, kappa], axis=1))
                there.append(height + rise * (m - at))
            else:
                top = hill.value(curve.value + hill.sign * reach)
                lines.append(np.stack([top, *np.zeros((2, len(m)))], axis=1))
                there.append(top)
        if len(sides) == 1:
            # Nothing is worth more than 1.
            lines.append(np.zeros_like(lines[0]))
            there.append(np.zeros_like(m))
        both = np.stack(lines, axis=2)
        return np.where((there[1] < there[0])[:, None, None], both[:, :, ::-1], both)


def mixed(lines: Array, slopes: Array, w: Array) -> tuple[Array, Array, Array]:
    """Level, rise and curvature, each (n, r), of one line above each of r functions, mixed from two.

    `lines` (n, r, 3, 2) are levels, rises and curvatures of two lines, over values with `slopes` (n, r, d). Any mixture
    of the two lies above too; those are taken, one function after the other, whose sum is least at the highest place of
    a box of half-widths w (n, d): at a kink neither of the two sides alone says that there is nothing better.
    """
    n, r = slopes.shape[:2]
    share = np.zeros((n, r))
    part = lines[..., 1] - lines[..., 0]
    total = (lines[:, :, 1, 0][:, :, None] * slopes).sum(axis=1)
    for i in range(r):
        turn = part[:, i, 1][:, None] * slopes[:, i]
        with np.errstate(divide="ignore", invalid="ignore"):
            kinks = np.clip(np.nan_to_num(-total / turn, nan=0.0), 0.0, 1.0)
        tries = np.concatenate([np.zeros((n, 1)), np.ones((n, 1)), kinks], axis=1)
        high = (np.abs(total[:, None, :] + tries[:, :, None] * turn[:, None, :]) * w[:, None, :]).sum(axis=2)
        best = (high + tries * part[:, i, 0][:, None]).argmin(axis=1)
        share[:, i] = np.take_along_axis(tries, best[:, None], axis=1)[:, 0]
        total += share[:, i][:, None] * turn
    level, rise, kappa = np.moveaxis(lines[..., 0] + share[:, :, None] * part, 2, 0)
    return level, rise, kappa
