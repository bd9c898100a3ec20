"""How high the chance of one response can be over boxes: log P(u) <= level + slope't + t'bend t / 2.

P is a sum over components and limits of T(z), z = d q, with d how far inside the limit the mean is and q = 1 / s.
Three facts carry the bound, none of which needs the box to be small:

- s is at least what the lower curve of the variance gives; with e that curve over the variance at the middle, less 1,
  (1 + e)^(-1/2) <= 1 - e/2 + eta e² with eta taken at the least e: so z is at most a product of known quadratics;
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
from optimise.proof.expansion import Expansion

Array = npt.NDArray[np.float64]
Ends = tuple[float | None, float | None]

_LEAST = 1e-4
_PART = 2.0
_TINY = 1e-290
# What tabled values can be off by, over the least chance that a tangent is taken at.
_ROUNDING = 1e-7


@dataclass(frozen=True, slots=True, eq=False)
class _Ranges:
    """How far mean and scale go in each box; q0 = 1 / s at the middle, e as above, with tilt't its linear part.

    `reach` bounds m - m0, `span` the linear part of e, `bent` the rest of e, `least` is minus the least that e can
    really be, `most` the greatest; `clip` is by how much the curve may lie below `least`. `q_low` and `q_high` bound q,
    `q_under` what the curve gives for it.
    """

    reach: Array
    tilt: Array
    span: Array
    bent: Array
    third: Array
    least: Array
    far: Array
    clip: Array
    q: Array
    q_low: Array
    q_under: Array
    q_high: Array
    eta: Array

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
        curve = under + near.v_third / whole
        clip = np.maximum(curve - least, 0.0)
        far = np.maximum(least, most)
        return cls(
            reach, tilt, span, np.maximum(bent, curve - span), near.v_third / whole, least, far, clip, q, q_low,
            q / np.sqrt(1 + most), q_high, _beyond_root(-least),
        )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class _Side:
    """One limit, `sign` 1 for the upper and -1 for the lower one: d at the middle and at its greatest; z at the middle,
    and the range (`low`, `high`) of what bounds it from above; that bound's linear part, its span, and all else.
    """

    sign: float
    d: Array
    d_most: Array
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
        part = r.q[:, :, None] * (-sign * near.m_slope - 0.5 * d[:, :, None] * r.tilt)
        size = np.maximum(np.abs(low), np.abs(high))
        rest = near.m_second + 0.5 * np.abs(d) * (r.bent + r.clip) + 0.5 * r.reach * r.far + r.eta * size * r.far**2
        return cls(
            sign, d, high, d * r.q, low * np.where(low < 0, r.q_high, r.q_under),
            high * np.where(high >= 0, r.q_high, r.q_under), part, _span(part, w), r.q * rest,
        )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Hood:
    """One response over n boxes of half widths w (n, d): ranges, and bounds of log P made from them.

    `top` (n,) bounds it plainly; `middle` (n,) is log P at the middle.
    """

    near: Expansion
    w: Array
    r: _Ranges
    sides: tuple[_Side, ...]
    top: Array
    middle: Array

    @classmethod
    def of(cls, near: Expansion, ends: Ends, w: Array) -> Hood:
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

    def only(self, rows: npt.NDArray[np.intp]) -> Hood:
        """Over some of the boxes."""
        sides = tuple(side.only(rows) for side in self.sides)
        return Hood(self.near.only(rows), self.w[rows], self.r.only(rows), sides, self.top[rows], self.middle[rows])

    def cut(self, t: Array) -> Quadratic:
        """The quadratic with tangents taken at about the place t (n, d) of each box."""
        near, r, weights = self.near, self.r, self.near.weights
        by_m, by_v, by_cross, by_square = (np.zeros_like(near.m) for _ in range(4))
        level, rest = np.full(len(t), 1.0 - len(self.sides)), np.zeros_like(near.m)
        bend = np.zeros((*t.shape, t.shape[1]))
        shrink = r.q_low / r.q_high
        for side in self.sides:
            at = np.clip(side.z + np.einsum("ncd,nd->nc", side.part, t), side.low, side.high)
            # Beyond a limit a wider law passes more often.
            value, rise = tlaw.roof(near.df, side.low, side.high, at, shrink)
            away = at - side.z
            # Where T is bent down all over the range, the bend is taken along: of (x + y)² at least kept x² - lost.
            kept, lost = _square(side.span, side.rest)
            down = np.minimum(tlaw.density_slope_range(near.df, side.low, side.high)[1], 0.0)
            down = np.where((kept > 0) & (rise >= -down * away), down, 0.0)
            level += (value - rise * away + 0.5 * down * away**2) @ weights
            rise = rise - down * away
            bend += _outer(weights * down * kept, side.part, side.part)
            rest += -0.5 * down * lost
            rise = rise * r.q
            by_m -= side.sign * rise
            by_v -= 0.5 * rise * side.d
            by_cross += 0.5 * side.sign * rise
            by_square += rise * r.eta * np.maximum(side.d_most, 0.0)
            rest += rise * (near.m_third + 0.5 * np.abs(side.d) * r.third + np.maximum(-side.d, 0.0) * 0.5 * r.clip)
        return self._logged(t, level, bend, rest, (by_m, by_v, by_cross, by_square))

    def _logged(
        self, t: Array, level: Array, bend: Array, rest: Array, by: tuple[Array, Array, Array, Array]
    ) -> Quadratic:
        """The log of a chance of at most `level` and what is said `by` mean, scale, both, and scale squared."""
        near, r, w = self.near, self.r, self.w
        by_m, by_v, by_cross, by_square = (near.weights * part for part in by)
        whole = near.batch + near.v
        slope = _mean(by_m, near.m_slope) + _mean(by_v, r.tilt)
        bend = bend + _mean(by_m, near.m_bend) + _mean(by_v / whole, near.v_bend)
        cross = _outer(by_cross, near.m_slope, r.tilt)
        bend = bend + cross + cross.transpose(0, 2, 1)
        rest = near.weights * rest + np.abs(by_cross) * (
            (r.reach - near.m_second) * r.bent + near.m_second * (r.span + r.bent) + r.reach * r.clip
        )
        apart = 2 * r.span * r.bent + r.bent**2
        plain = r.far**2 < apart + r.span**2 / 3
        bend = bend + 2 * _outer(np.where(plain, 0.0, by_square), r.tilt, r.tilt)
        rest = rest + by_square * np.where(plain, r.far**2, apart)
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
        """What each side of a box does to mean and log scale, on the average over the components, (n, d)."""
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


def _beyond_root(x: Array) -> Array:
    """The greatest ((1 + y)^(-1/2) - 1 + y/2) / y² for y >= x, -1 < x <= 0: it falls with y."""
    at = np.minimum(x, -1e-3)
    return np.asarray(((1 + at) ** -0.5 - 1 + at / 2) / at**2, dtype=float)


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
