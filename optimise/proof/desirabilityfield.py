"""The published desirability as a field for proofs: its log is a sum of concave functions of the predicted centres."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from optimise.formula.goals import Property
from optimise.formula.space import Space
from optimise.models.aims import Ramp, ramps
from optimise.models.fence import Fence
from optimise.models.scales import Scale
from optimise.proof.boxes import Boxes
from optimise.proof.branching import BOX, Bounds
from optimise.proof.cuts import Cut, Quadratic, Rows, tightest
from optimise.proof.domain import Domain, Wall, all_met, any_dead, tightened_by, widest
from optimise.proof.expansion import Curve, Source, Vicinity
from optimise.proof.sources import mean_cost, source

Array = npt.NDArray[np.float64]

_LEAST = 1e-3  # the least desirability that a tangent of its log is taken at
_NOTHING = -1e3  # in place of the log of 0
_ROUNDS = 1  # of further cuts


@dataclass(frozen=True, slots=True, eq=False)
class LogRamp:
    """The log of one side of a desirability times the weight `share`, as a function of the centre on the model scale.

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

    def needed(self, least: Array) -> Array:
        """The centre (n,) that it takes for the function to be `least` (n,), at most 0."""
        share = np.exp(np.minimum(least / (self.share * self.ramp.exponent), 0.0))
        return self.scale.forward(self.ramp.start + share * (self.ramp.full - self.ramp.start))


@dataclass(frozen=True, slots=True, eq=False)
class DesirabilityField:
    """The log of the weighted geometric mean of desirabilities in one piece of a space.

    `log_ramps` are the sides of each source's desirability. `barriers` (source, sign, limit) ask for sign * centre >=
    sign * limit on the model scale: the desirability is 0 where one is not kept.
    """

    domain: Domain
    sources: tuple[Source, ...]
    log_ramps: tuple[tuple[LogRamp, ...], ...]
    barriers: tuple[tuple[int, float, float], ...]

    @property
    def cost(self) -> float:
        """The work of one box."""
        return BOX + mean_cost(self.sources)

    @classmethod
    def of(
        cls, space: Space, combo: Mapping[str, str], fence: Fence | None, properties: Sequence[Property]
    ) -> DesirabilityField | None:
        """The field at one combination of category levels; None where some prediction cannot be expanded."""
        place, sources = space.at(combo), []
        for one in properties:
            made = source(one.predictor, one.exact, place, combo)
            if made is None:
                return None
            sources.append(made)
        slopes, walls = ramps([p.response for p in properties])
        total = sum(p.response.weight for p in properties)
        log_ramps: list[list[LogRamp]] = [[] for _ in properties]
        for side in slopes:
            one = properties[side.response]
            log_ramps[side.response].append(LogRamp(side, one.scale, one.response.weight / total))
        barriers = tuple((n, sign, float(properties[n].scale.forward(limit))) for n, sign, limit in walls)
        return cls(Domain.of(place, combo, fence), tuple(sources), tuple(map(tuple, log_ramps)), barriers)

    def over(self, boxes: Boxes, known: Array, enough: float) -> Bounds:
        """Bounds of log desirability over boxes; no closer where that is not above `enough`."""
        boxes, known, rest = self._drawn_in(boxes, known, enough)
        boxes, known, walls = self.domain.reduced(boxes, known)
        vicinity = Vicinity(boxes.centre, boxes.half)
        curves = [one.mean(vicinity) for one in self.sources]
        walls = [*walls, *(self._wall(curves[n], sign, limit, boxes.half) for n, sign, limit in self.barriers)]
        near = np.flatnonzero(~any_dead(walls, boxes.count))
        boxes, known = boxes.only(near), known[near]
        curves, walls = [curve.only(near) for curve in curves], [wall.only(near) for wall in walls]
        a, w = boxes.centre, boxes.half
        top, middle, pull = np.zeros(len(a)), np.zeros(len(a)), np.zeros_like(a)
        for curve, sides in zip(curves, self.log_ramps, strict=True):
            if sides:
                here, best = _least(sides, curve.value), _most(sides, curve, w)
                bent = curve.second[:, None] * w * w / np.maximum((w * w).sum(axis=1), 1e-300)[:, None]
                each = np.abs(curve.slope) * w + bent
                pull += ((best - np.maximum(here, -50.0)) / np.maximum(each.sum(axis=1), 1e-300))[:, None] * each
                top, middle = top + best, middle + here
        if not any(self.log_ramps):
            pull = w.copy()
        upper = np.fmin(known, top)
        rows, kept = np.flatnonzero(upper > enough), Quadratic.none(*a.shape)
        if len(rows) and any(self.log_ramps):
            close, cut = self._closer(rows, curves, walls, a, w, enough, top)
            upper[rows] = np.fmin(upper[rows], close)
            kept.put(rows, cut)
        high = middle > enough
        middle = np.where(self.domain.allowed(a) & all_met(walls, len(a)), middle, -np.inf)
        return Bounds(boxes, upper, middle, widest(pull, high, walls, w), kept, rest)

    def _drawn_in(self, boxes: Boxes, known: Array, enough: float) -> tuple[Boxes, Array, float]:
        """Boxes drawn in to where each desirability is what it has to be, the others at their best, for `enough`.

        And the most that the score can be in what was left out.
        """
        boxes, alive = self.domain.tightened(boxes)
        boxes, known = boxes.only(alive), known[alive]
        vicinity = Vicinity(boxes.centre, boxes.half)
        curves, w = [one.mean(vicinity) for one in self.sources], boxes.half
        bests = [_most(sides, curve, w) for sides, curve in zip(self.log_ramps, curves, strict=True)]
        spare = np.sum(bests, axis=0) - enough
        if not (spare > 0).any():
            return boxes, known, -np.inf
        asked = [
            Wall.of(curve, -side.sign * side.needed(best - spare), w, -side.sign)
            for sides, curve, best in zip(self.log_ramps, curves, bests, strict=True)
            for side in sides
        ]
        boxes, alive = tightened_by(boxes, asked)
        return boxes.only(alive), known[alive], enough

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
        some, cut = [curve.only(rows) for curve in curves], [wall.only(rows) for wall in walls]
        place = np.zeros((len(rows), a.shape[1]))

        def again(which: Rows, at: Array) -> Cut:
            near, between = [curve.only(which) for curve in some], [wall.only(which) for wall in cut]
            return self._cut(near, between, w[rows[which]], at, curved=False)

        first = [self._cut(some, cut, w[rows], place, curved) for curved in (False, True)]
        return tightest(self.domain, a[rows], w[rows], cut, first, again, enough, top[rows], _ROUNDS)

    def _cut(self, curves: Sequence[Curve], walls: Sequence[Wall], w: Array, place: Array, curved: bool) -> Cut:
        """Tangents of all sides at a place (n, d) of each box, with or without their curvature, mixed."""
        wanted = [(curve, sides) for curve, sides in zip(curves, self.log_ramps, strict=True) if sides]
        lines = np.stack([self._lines(curve, sides, w, place, curved) for curve, sides in wanted], axis=1)
        slopes = np.stack([curve.slope for curve, _ in wanted], axis=1)
        bends = np.stack([curve.bend for curve, _ in wanted], axis=1)
        steep = slopes[:, :, :, None] * slopes[:, :, None, :]
        one, other = (
            Cut.of(
                level,
                rise[:, :, None] * slopes,
                rise[:, :, None, None] * bends + kappa[:, :, None, None] * steep,
            )
            for level, rise, kappa in np.moveaxis(lines, (3, 2), (0, 1))
        )
        return one.mixed(other, walls, w)

    def _lines(self, curve: Curve, sides: Sequence[LogRamp], w: Array, place: Array, curved: bool) -> Array:
        """Two lines above one desirability, (n, 3, 2): level, rise, curvature; the one lower at `place` comes first."""
        span = (np.abs(curve.slope) * w).sum(axis=1)
        reach = span + curve.second
        moved = (curve.slope * place).sum(axis=1) + 0.5 * np.einsum("nd,nde,ne->n", place, curve.bend, place)
        m = curve.value + np.clip(moved, -reach, reach)
        lines, there = [], []
        for side in sides:
            if side.concave:
                at, height, rise = side.tangent(m)
                kappa = np.zeros(len(m))
                if curved:
                    bowed = side.curvature(curve.value - reach, curve.value + reach)
                    kappa = np.where(np.abs(at - curve.value) < 1e-12, bowed, 0.0)
                rest = np.abs(rise) * curve.third + np.abs(kappa) * curve.second * (span + 0.5 * curve.second)
                lines.append(np.stack([height + rise * (curve.value - at) + rest, rise, kappa], axis=1))
                there.append(height + rise * (m - at))
            else:
                top = side.value(curve.value + side.sign * reach)
                lines.append(np.stack([top, *np.zeros((2, len(m)))], axis=1))
                there.append(top)
        if len(sides) == 1:
            # Nothing is worth more than 1.
            lines.append(np.zeros_like(lines[0]))
            there.append(np.zeros_like(m))
        both = np.stack(lines, axis=2)
        return np.where((there[1] < there[0])[:, None, None], both[:, :, ::-1], both)


def _least(sides: Sequence[LogRamp], m: Array) -> Array:
    """The log of a desirability of these sides at centres m (n,)."""
    return np.asarray(np.min([side.value(m) for side in sides], axis=0), dtype=float)


def _most(sides: Sequence[LogRamp], curve: Curve, w: Array) -> Array:
    """A plain bound of it over |t| <= w, (n,): each side by itself."""
    reach = (np.abs(curve.slope) * w).sum(axis=1) + curve.second
    found = np.min([side.value(curve.value + side.sign * reach) for side in sides], axis=0) if sides else 0.0 * reach
    return np.asarray(found, dtype=float)
