"""How high the chance of one response can be over boxes: log P(u) <= level + slope't + t'bend t / 2.

P is a sum over components and limits of T(z), z = d q, with d how far inside the limit the mean is and q = 1 / s.
Three facts carry the bound, none of which needs the box to be small:

- s is at least what the lower curve of the variance gives; with e that curve over the variance at the middle, less 1,
  (1 + e)^(-1/2) is at most its chord over the range of e, root - fall e: so z is at most a product of known quadratics;
- T(z) is at most its tangent wherever it is concave, and at most the tangent from its lower end where it is not: the
  components are added up as they are, before the logarithm is taken;
- log P <= log P0 + x - kappa x² for x = P / P0 - 1 no greater than some x1, kappa = (x1 - log(1 + x1)) / x1².

Where the range of z leaves T bent down, that bend is taken along, which is closer in small boxes.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from optimise.proof import tlaw
from optimise.proof.cuts import Quadratic
from optimise.proof.expansion import Expansion, rise_of

Array = npt.NDArray[np.float64]
Ends = tuple[float | None, float | None]

_LEAST = 1e-4  # the least chance that a tangent of its log is taken at
_PART = 2.0
_NARROW = 1e-6  # a range so narrow that the tangent stands in for the chord
_TINY = 1e-290  # in place of 0 under a log or a fraction
# What tabled values can be off by, over the least chance that a tangent is taken at.
_ROUNDING = 1e-7


@dataclass(frozen=True, slots=True, eq=False)
class _Ranges:
    """How far mean and scale go in each box; q0 = 1 / s at the middle, e as above, with tilt't its linear part.

    `reach` bounds m - m0, `span` the linear part of e, `bent` the rest of e. `root` and `fall` are the chord as above.
    `q_low` and `q_high` bound q, `q_under` and `q_over` what the chord gives for it.
    """

    reach: Array
    tilt: Array
    span: Array
    bent: Array
    third: Array
    q: Array
    q_low: Array
    q_high: Array
    q_under: Array
    q_over: Array
    root: Array
    fall: Array

    def only(self, rows: npt.NDArray[np.intp]) -> _Ranges:
        return _Ranges(*(getattr(self, f.name)[rows] for f in fields(self)))

    @classmethod
    def of(cls, near: Expansion, w: Array) -> _Ranges:
        whole = near.batch + near.v
        reach = _span(near.m_slope, w) + near.m_second
        tilt = near.v_slope / whole[:, :, None]
        span, bent = _span(tilt, w), near.v_second / whole
        under = span + near.v_under / whole
        low = near.v - under * whole
        # The square of the tangent's covariance over the variance is a lower bound too (Cauchy-Schwarz).
        shared = np.maximum(0.5 * (near.v + low), 0.0)
        low = np.minimum(np.maximum(np.maximum(low, 0.0), shared**2 / np.maximum(near.v, _TINY)), near.v)
        least, most = (near.v - low) / whole, span + bent
        q, q_low, q_high = (
            1 / (near.sd * np.sqrt(near.batch + v)) for v in (near.v, near.v + span * whole + near.v_over, low)
        )
        curve = span + near.v_dip / whole
        root, fall = _chord(least, most)
        return cls(
            reach, tilt, span, np.maximum(bent, curve - span), near.v_third / whole, q, q_low, q_high,
            q / np.sqrt(1 + most), q * (root + fall * np.maximum(curve, least)), root, fall,
        )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class _Side:
    """One limit, `sign` 1 for the upper and -1 for the lower one: d and z at the middle; the range (`low`, `high`) of
    what bounds z from above; that bound's linear part, its span, and all else.
    """

    sign: float
    d: Array
    z: Array
    low: Array
    high: Array
    part: Array
    span: Array
    rest: Array

    def only(self, rows: npt.NDArray[np.intp]) -> _Side:
        return _Side(self.sign, *(getattr(self, f.name)[rows] for f in fields(self)[1:]))

    @classmethod
    def of(cls, near: Expansion, r: _Ranges, w: Array, limit: float, sign: float) -> _Side:
        d = sign * (limit - near.m)
        low, high = d - r.reach, d + r.reach
        root, fall = r.q * r.root, r.q * r.fall
        part = -sign * root[:, :, None] * near.m_slope - (fall * d)[:, :, None] * r.tilt
        rest = root * near.m_second + fall * (np.abs(d) * r.bent + r.reach * (r.span + r.bent))
        return cls(
            sign, d, d * r.q, low * np.where(low < 0, r.q_over, r.q_under),
            high * np.where(high >= 0, r.q_over, r.q_under), part, _span(part, w), rest,
        )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class ChanceBound:
    """Bounds of log P of one response over n boxes of half widths w (n, d), and the ranges they are made from.

    `top` (n,) bounds it plainly; `middle` (n,) is log P at the middle.
    """

    near: Expansion
    w: Array
    r: _Ranges
    sides: tuple[_Side, ...]
    top: Array
    middle: Array

    @classmethod
    def of(cls, near: Expansion, ends: Ends, w: Array) -> ChanceBound:
        """The window `ends` over the boxes of an expansion."""
        r = _Ranges.of(near, w)
        sides = tuple(
            _Side.of(near, r, w, end, sign) for end, sign in zip(ends, (-1.0, 1.0), strict=True) if end is not None
        )
        inside = 1.0 - len(sides) + sum(tlaw.cdf(near.df, side.z) for side in sides)
        most = _most(near, r, ends)
        top = np.log(np.clip(most @ near.weights + _ROUNDING * _LEAST, _TINY, 1.0))
        middle = np.log(np.maximum(inside @ near.weights, _TINY))
        return cls(near, w, r, sides, top, middle)

    def only(self, rows: npt.NDArray[np.intp]) -> ChanceBound:
        """Over some of the boxes, in their order."""
        if len(rows) == len(self.top):
            return self
        sides = tuple(side.only(rows) for side in self.sides)
        return ChanceBound(
            self.near.only(rows), self.w[rows], self.r.only(rows), sides, self.top[rows], self.middle[rows]
        )

    def cut(self, t: Array) -> Quadratic:
        """The quadratic with tangents taken at about the place t (n, d) of each box."""
        near, r, weights = self.near, self.r, self.near.weights
        by_m, by_v, by_cross = (np.zeros_like(near.m) for _ in range(3))
        level, rest = np.full(len(t), 1.0 - len(self.sides)), np.zeros_like(near.m)
        bend = np.zeros((*t.shape, t.shape[1]))
        shrink = r.q_low / r.q_over
        moved, scale = self._moved(t)
        for side in self.sides:
            at = np.clip((side.d - side.sign * moved) * scale, side.low, side.high)
            # Beyond a limit a wider law passes more often.
            value, rise = tlaw.line_above(near.df, side.low, side.high, at, shrink)
            away = at - r.root * side.z
            # Where T is bent down all over the range, the bend is taken along: of (x + y)² at least kept x² - lost.
            kept, lost = _square(side.span, side.rest)
            down = np.minimum(tlaw.density_slope_range(near.df, side.low, side.high)[1], 0.0)
            down = np.where((kept > 0) & (rise >= -down * away), down, 0.0)
            level += (value - rise * away + 0.5 * down * away**2) @ weights
            rise = rise - down * away
            bend += _outer(weights * down * kept, side.part, side.part)
            rest += -0.5 * down * lost
            root, fall = rise * r.q * r.root, rise * r.q * r.fall
            by_m -= side.sign * root
            by_v -= fall * side.d
            by_cross += side.sign * fall
            rest += root * near.m_third + fall * np.abs(side.d) * r.third
        return self._logged(t, level, bend, rest, (by_m, by_v, by_cross))

    def _moved(self, t: Array) -> tuple[Array, Array]:
        """By how much the means lie off those of the middle at t (n, d), and what bounds 1 / s there, (n, c)."""
        near, r = self.near, self.r
        moved = np.einsum("ncd,nd->nc", near.m_slope, t) + rise_of(near.m_bend, t)
        e = np.einsum("ncd,nd->nc", r.tilt, t) + rise_of(near.v_bend, t) / (near.batch + near.v)
        return moved, r.q * (r.root - r.fall * e)

    def _logged(self, t: Array, level: Array, bend: Array, rest: Array, by: tuple[Array, Array, Array]) -> Quadratic:
        """The log of a chance of at most `level` and what is said `by` mean, scale, and both."""
        near, r, w = self.near, self.r, self.w
        by_m, by_v, by_cross = (near.weights * part for part in by)
        whole = near.batch + near.v
        slope = _mean(by_m, near.m_slope) + _mean(by_v, r.tilt)
        bend = bend + _mean(by_m, near.m_bend) + _mean(by_v / whole, near.v_bend)
        cross = _outer(by_cross, near.m_slope, r.tilt)
        bend = bend + cross + cross.transpose(0, 2, 1)
        rest = near.weights * rest + np.abs(by_cross) * (
            (r.reach - near.m_second) * r.bent + near.m_second * (r.span + r.bent)
        )
        level = level + rest.sum(axis=1)
        bent = 0.5 * np.einsum("nd,nde,ne->n", w, np.abs(bend), w)
        span = _span(slope, w)
        there = level + (slope * t).sum(axis=1) + 0.5 * np.einsum("nd,nde,ne->n", t, bend, t)
        sound = there >= _LEAST
        base = np.where(sound, there, 1.0)
        start, slope, bend, span, bent = (
            level / base - 1,
            slope / base[:, None],
            bend / base[:, None, None],
            span / base,
            bent / base,
        )
        x = np.maximum(start + span + bent, 1e-3)
        kept, lost = _square(np.abs(start) + span, bent)
        kappa = (x - np.log1p(x)) / x**2 * (kept > 0)
        bend = bend - 2 * (kappa * kept)[:, None, None] * slope[:, :, None] * slope[:, None, :]
        level = np.log(base) + start + kappa * (lost - kept * start**2) + _ROUNDING
        slope = slope * (1 - 2 * kappa * kept * start)[:, None]
        fine = sound & np.isfinite(level)
        return Quadratic(np.where(fine, level, np.inf), np.nan_to_num(slope), np.nan_to_num(bend))

    def pull(self) -> Array:
        """How much mean and log scale may change along each side of a box, averaged over the components, (n, d)."""
        near, r, w = self.near, self.r, self.w
        steep = np.abs(near.m_slope) * r.q[:, :, None] + 0.5 * np.abs(r.tilt)
        straight = np.einsum("c,ncd->nd", near.weights, steep) * w
        bent = (near.m_second * r.q + 0.5 * r.bent) @ near.weights
        square = w * w
        share = square / np.maximum(square.sum(axis=1), _TINY)[:, None]
        return np.asarray(straight + bent[:, None] * share, dtype=float)


def _most(near: Expansion, r: _Ranges, ends: Ends) -> Array:
    """The greatest W of each component: the mean as near the window's middle as it goes, the best scale a side."""
    low, high = ends
    if low is None and high is None:
        return np.ones(near.m.shape)
    least, greatest = near.m - r.reach, near.m + r.reach
    if low is None:
        at = least
    elif high is None:
        at = greatest
    else:
        at = np.clip(0.5 * (low + high), least, greatest)
    found = np.ones(near.m.shape)
    if high is not None:
        away = high - at
        found = tlaw.cdf(near.df, away * np.where(away >= 0, r.q_high, r.q_low))
    if low is not None:
        away = low - at
        found = found - tlaw.cdf(near.df, away * np.where(away >= 0, r.q_low, r.q_high))
    return np.maximum(found, 0.0)


def _chord(least: Array, most: Array) -> tuple[Array, Array]:
    """Root and fall of root - fall y, which meets (1 + y)^(-1/2) at y = -least and y = most: it is above in between.

    And above (1 - least)^(-1/2) below that. In a range of hardly any width, the tangent at -least with room to spare.
    """
    first, width = 1 / np.sqrt(1 - least), least + most
    fall = (first - 1 / np.sqrt(1 + most)) / np.where(width > _NARROW, width, 1.0)
    fall = np.where(width > _NARROW, fall, 0.5)
    spare = np.where(width > _NARROW, 0.0, _NARROW)
    return first + spare - fall * least, fall


def _square(span: Array, rest: Array) -> tuple[Array, Array]:
    """Of (x + y)² with |x| <= span and |y| <= rest: at least kept x² - lost, from (1 - p) x² - (1/p - 1) y²."""
    p = np.minimum(_PART * rest / np.maximum(span, _TINY), 1.0)
    return 1 - p, np.where(p < 1, span * rest / _PART - rest**2, 0.0)


def _span(part: Array, w: Array) -> Array:
    """The greatest of part't over |t| <= w."""
    return np.asarray((np.abs(part) * (w if part.ndim == 2 else w[:, None, :])).sum(axis=-1), dtype=float)


def _mean(weights: Array, parts: Array) -> Array:
    """Sum over the components of weights (n, c) times parts (n, c, ...)."""
    n, c = weights.shape
    return np.asarray((weights[:, None, :] @ parts.reshape(n, c, -1)).reshape(n, *parts.shape[2:]), dtype=float)


def _outer(weights: Array, a: Array, b: Array) -> Array:
    """Sum over the components of weights (n, c) times a b', (n, d, d)."""
    return np.asarray((weights[:, :, None] * a).transpose(0, 2, 1) @ b, dtype=float)
