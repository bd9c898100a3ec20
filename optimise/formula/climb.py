"""One uphill run: sequential quadratic programming in free coordinates, with exact slopes, inside every limit."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import optimize

from optimise.formula.centres import Centres
from optimise.formula.goals import SOFT, ChanceGoal, Property, Ramp, soft_log
from optimise.formula.space import Space
from optimise.models.fence import Fence

Array = npt.NDArray[np.float64]
Slope = tuple[Array, Array]
Limit = Callable[[Array], Slope]
Stop = Callable[[Array], object]

_FENCE_ROOM = 1e-7
_MOST_STEPS = 120
_MOST_STEPS_TO_MEET = 60


@dataclass(frozen=True, slots=True, eq=False)
class Hill:
    """Where one run may go: a space at one combo of category levels, the fence, and further limits g(u) >= 0.

    Each further limit gives its values (m,) and slopes (m, d) at u (d,). `frozen` coordinates keep their start.
    """

    space: Space
    combo: Mapping[str, str]
    fence: Fence | None
    limits: tuple[Limit, ...] = ()
    frozen: npt.NDArray[np.bool_] | None = None

    @property
    def chosen(self) -> dict[str, npt.NDArray[Any]]:
        """The category levels for one recipe."""
        return self.space.chosen(self.combo, 1)

    def levels(self, u: Array) -> Array:
        """Levels (k,) at free coordinates u (d,)."""
        x: Array = self.space.origin + self.space.basis @ u
        return x

    def all_limits(self) -> tuple[Limit, ...]:
        """Every limit g(u) >= 0: rows of the region, the fence, the further ones."""
        G, h = self.space.G, self.space.h

        def rows(u: Array) -> Slope:
            return h - G @ u, -G

        out: list[Limit] = [rows] if len(h) else []
        if self.fence is not None:
            out.append(self._fence)
        return (*out, *self.limits)

    def _fence(self, u: Array) -> Slope:
        fence = self.fence
        if fence is None:
            return np.zeros(0), np.zeros((0, len(u)))
        leverage, slopes = fence.with_slopes(self.levels(u)[None], self.chosen)
        return 1 - _FENCE_ROOM - leverage / fence.limit, -slopes @ self.space.basis / fence.limit


def remembered(limit: Limit) -> Limit:
    """The limit, worked out once where it is asked for values and slopes at the same place."""
    last: list[tuple[bytes, Slope]] = []

    def once(v: Array) -> Slope:
        key = v.tobytes()
        if not last or last[0][0] != key:
            last[:] = [(key, limit(v))]
        return last[0][1]

    return once


def climb_chance(hill: Hill, goal: ChanceGoal, start: Array, stop: Stop | None = None) -> Array:
    """Free coordinates (d,) of a local best of the joint chance, from `start` (d,); or where it came to `stop`."""
    chosen, basis = hill.chosen, hill.space.basis

    def downhill(u: Array) -> tuple[float, Array]:
        score, slope = goal.score_and_slope(hill.levels(u), chosen)
        return -score, -(slope @ basis)

    return _descend(downhill, start, hill, 0, stop=stop)


def climb_desirability(
    hill: Hill, properties: Sequence[Property], sides: Sequence[Ramp], walls: Sequence[tuple[int, float, float]],
    start: Array, soft: float = SOFT, stop: Stop | None = None,
) -> Array:  # fmt: skip
    """Free coordinates (d,) of a local best of the weighted geometric mean of desirabilities, from `start` (d,).

    Shares under `soft` count as if their log went on straight: a climb may end where one is nothing in truth. It ends
    too where it comes to `stop`.

    The kinks are taken out by one further variable a response: t <= exponent log(share) for each of its sides, t <= 0,
    and the weighted sum of t goes up (epigraph form). Plain limits `walls` stand as limits.
    """
    chosen, basis, d = hill.chosen, hill.space.basis, len(start)
    weights = np.array([p.response.weight for p in properties])
    weights = weights / max(float(weights.sum()), 1e-300)
    centres = Centres.of(properties)

    @remembered
    def values(u: Array) -> Slope:
        value, slope = centres.with_slopes(hill.levels(u), chosen)
        return value, slope @ basis

    def tops(u: Array) -> Slope:
        y, dy = values(u)
        which = [side.response for side in sides]
        spans = np.array([side.full - side.start for side in sides])
        powers = np.array([side.exponent for side in sides])
        shares = (y[which] - np.array([side.start for side in sides])) / spans
        logs, slopes = soft_log(shares, soft)
        return powers * logs, (powers * slopes / spans)[:, None] * dy[which]

    def under(v: Array) -> Slope:
        top, slope = tops(v[:d])
        picked = np.zeros((len(sides), len(properties)))
        picked[np.arange(len(sides)), [side.response for side in sides]] = 1.0
        return top - picked @ v[d:], np.hstack([slope, -picked])

    def beyond(v: Array) -> Slope:
        y, dy = values(v[:d])
        number = [wall[0] for wall in walls]
        sign, limit = np.array([w[1] for w in walls]), np.array([w[2] for w in walls])
        size = np.maximum(np.abs(limit), 1e-9)
        slope = (sign / size)[:, None] * dy[number]
        return sign * (y[number] - limit) / size, np.hstack([slope, np.zeros((len(walls), len(properties)))])

    t = np.zeros(len(properties))
    top = tops(start)[0] if sides else np.zeros(0)
    for side, at in zip(sides, top, strict=True):
        t[side.response] = min(t[side.response], float(at))
    cost = np.concatenate([np.zeros(d), -weights])
    more = [limit for limit, wanted in ((under, sides), (beyond, walls)) if wanted]
    climbed = _descend(lambda v: (float(cost @ v), cost), np.concatenate([start, t]), hill, len(t), more, stop=stop)
    return climbed[:d]


def climb_smallest_miss(hill: Hill, misses: Limit, start: Array, enough: float = -np.inf) -> tuple[Array, float]:
    """Coordinates where the largest of `misses` is smallest, and that largest miss (minimax in epigraph form).

    Ends where a place within every limit misses by no more than `enough`.
    """
    d, limits, misses = len(start), hill.all_limits(), remembered(misses)

    def under(v: Array) -> Slope:
        miss, slope = misses(v[:d])
        return v[d] - miss, np.hstack([-slope, np.ones((len(miss), 1))])

    def met(u: Array) -> bool:
        return bool(misses(u)[0].max() <= enough) and all((limit(u)[0] >= 0).all() for limit in limits)

    cost = np.append(np.zeros(d), 1.0)
    worst = float(misses(start)[0].max())
    found = _descend(
        lambda v: (float(v[d]), cost), np.append(start, worst), hill, 1, [under], True, _MOST_STEPS_TO_MEET, met
    )[:d]
    best = float(misses(found)[0].max())
    return (found, best) if best < worst else (start, worst)


def _descend(
    downhill: Callable[[Array], tuple[float, Array]], start: Array, hill: Hill, extra: int,
    more: Sequence[Limit] = (), open_above: bool = False, most: int = _MOST_STEPS, stop: Stop | None = None,
) -> Array:  # fmt: skip
    """SLSQP (Kraft 1988) with the hill's limits on the first coordinates; `extra` further variables at the end.

    Ends after `most` steps, or where a step leads to a place that is enough to `stop` at.
    """
    d = len(start) - extra
    if d == 0 or (hill.frozen is not None and hill.frozen.all()):
        return start
    constraints = [_widened(limit, d, extra) for limit in hill.all_limits()] + [_constraint(m) for m in more]
    low, high = np.full(d, -1.0), np.full(d, 1.0)
    if hill.frozen is not None:
        low[hill.frozen] = high[hill.frozen] = start[:d][hill.frozen]
    bounds = optimize.Bounds(
        np.append(low, np.full(extra, -np.inf)), np.append(high, np.full(extra, np.inf if open_above else 0.0))
    )
    begin = np.clip(start, bounds.lb, bounds.ub)

    end: list[Array] = []

    def look(v: Array) -> None:
        if stop is not None and stop(v[:d]):
            end.append(v.copy())
            raise StopIteration

    minimize: Any = optimize.minimize
    # Some releases of scipy end at StopIteration, others let it pass.
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"), suppress(StopIteration):
        found = minimize(
            downhill, begin, jac=True, method="SLSQP", bounds=bounds, constraints=constraints,
            callback=look if stop is not None else None, options={"maxiter": most, "ftol": 1e-10},
        )  # fmt: skip
        end.append(np.asarray(found.x, dtype=float))
    return end[0] if np.all(np.isfinite(end[0])) else begin


def _constraint(limit: Limit) -> dict[str, Any]:
    once = remembered(limit)
    return {"type": "ineq", "fun": lambda v: once(v)[0], "jac": lambda v: once(v)[1]}


def _widened(limit: Limit, d: int, extra: int) -> dict[str, Any]:
    def wider(v: Array) -> Slope:
        room, by_u = limit(v[:d])
        return room, by_u if not extra else np.hstack([by_u, np.zeros((len(by_u), extra))])

    return _constraint(wider)
