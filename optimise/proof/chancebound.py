"""How high the chance of one response can be over boxes: log P(u) <= level + slope't + t'bend t / 2.

Per component W = T((U - m) / s) - T((L - m) / s). Three facts carry the bound:

- W^(-1/df) is convex in the two standardised limits (the t law is s-concave: Borell 1975, Period. Math. Hung. 6,
  111-136, from memory), so log W <= log W0 - df log(1 - l / df) with l its tangent: no curvature has to be known;
- log W has a curvature that can be bounded over the ranges of the two limits, which is closer in small boxes;
- over the components, mean e^x <= e^(mean x) (1 + mean h(b) y²) for deviations y = x - mean x of at most b each, with
  h(b) = (e^b - 1 - b) / b², which rises with b (as in Bennett's inequality).
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

_STEEP = 3.0
_LEAST = 1e-4
_TINY = 1e-290
# What tabled values can be off by, over the least chance that a tangent is taken at.
_ROUNDING = 1e-7


@dataclass(frozen=True, slots=True, eq=False)
class _Ranges:
    """How far mean and scale go in each box: q = 1 / s is q0 (1 + e)^(-1/2) with e = (v - v0) / (batch + v0).

    `reach` bounds m - m0, `span_v` the linear part tilt't of e, `bent_v` the rest of its lower curve, `over` what e can
    have over tilt't; `far` bounds e with its lower curve no lower than e can be; `off` bounds q / q0 - 1 + tilt't / 2.
    """

    reach: Array
    span_v: Array
    bent_v: Array
    over: Array
    far: Array
    tilt: Array
    q: Array
    q_low: Array
    q_high: Array
    eta: Array
    off: Array

    def only(self, rows: npt.NDArray[np.intp]) -> _Ranges:
        return _Ranges(*(getattr(self, f.name)[rows] for f in fields(self)))

    @classmethod
    def of(cls, near: Expansion, w: Array) -> _Ranges:
        whole = near.batch + near.v
        reach = np.einsum("ncd,nd->nc", np.abs(near.m_slope), w) + near.m_second
        tilt = near.v_slope / whole[:, :, None]
        span_v = np.einsum("ncd,nd->nc", np.abs(tilt), w)
        bent_v, under, over = near.v_second / whole, near.v_under / whole, near.v_over / whole
        low = near.v - (span_v + under) * whole
        # The square of the tangent's covariance over the variance is a lower bound too (Cauchy-Schwarz).
        shared = np.maximum(0.5 * (near.v + low), 0.0)
        low = np.minimum(np.maximum(np.maximum(low, 0.0), shared**2 / np.maximum(near.v, _TINY)), near.v)
        high = near.v + (span_v + over) * whole
        eta = _beyond_root((low - near.v) / whole)
        q, q_low, q_high = (1 / (near.sd * np.sqrt(near.batch + v)) for v in (near.v, high, low))
        rises = np.minimum(0.5 * under + eta * (span_v + under) ** 2, q_high / q - 1 + 0.5 * span_v)
        falls = np.minimum(0.5 * over, 1 - q_low / q + 0.5 * span_v)
        far = np.maximum((near.v - low) / whole, span_v + np.minimum(over, bent_v))
        return cls(reach, span_v, bent_v, over, far, tilt, q, q_low, q_high, eta, np.maximum(rises, falls))


@dataclass(frozen=True, slots=True, eq=False)
class _Side:
    """One limit in units of the scale: at the middle, least, greatest; its linear part, that part's span, the rest."""

    z: Array
    low: Array
    high: Array
    density: Array
    part: Array
    span: Array
    rest: Array

    def only(self, rows: npt.NDArray[np.intp]) -> _Side:
        return _Side(*(getattr(self, f.name)[rows] for f in fields(self)))

    @classmethod
    def of(cls, near: Expansion, r: _Ranges, w: Array, limit: float | None, open_end: float) -> _Side:
        if limit is None:
            z, none = np.full(near.m.shape, open_end), np.zeros(near.m.shape)
            return cls(z, z, z, none, np.zeros_like(near.m_slope), none, none)
        away = limit - near.m
        z, low, high = away * r.q, away - r.reach, away + r.reach
        low = np.where(low >= 0, low * r.q_low, low * r.q_high)
        high = np.where(high >= 0, high * r.q_high, high * r.q_low)
        part = -0.5 * z[:, :, None] * r.tilt - r.q[:, :, None] * near.m_slope
        rest = np.abs(z) * r.off + r.q * (near.m_second + r.reach * (0.5 * r.span_v + r.off))
        return cls(z, low, high, tlaw.density(near.df, z), part, _span(part, w), rest)


@dataclass(frozen=True, slots=True, eq=False)
class _Tangent:
    """The tangent l of log W by component: l <= slope't + quadratic + `third`, all beyond the slope within `second`.

    The quadratic is that of the mean times `by_m`, of the variance times `by_v`, and half the bends 2 `rank` tilt tilt'
    and -`by_m` / 2 (m_slope tilt' + tilt m_slope').
    """

    by_m: Array
    by_v: Array
    rank: Array
    slope: Array
    span: Array
    second: Array
    third: Array

    @classmethod
    def of(cls, near: Expansion, r: _Ranges, w: Array, by_m: Array, by_q: Array) -> _Tangent:
        whole = near.batch + near.v
        slope = by_m[:, :, None] * near.m_slope - 0.5 * by_q[:, :, None] * r.tilt
        up, size, steep = np.maximum(by_q, 0.0), np.abs(by_q), np.abs(by_m)
        # Where a wider law passes more often (by_q < 0) the upper side of the variance counts.
        wider = np.where(by_q < 0, 0.5 * size * (r.over + r.bent_v), 0.0)
        # The square of e, as that of its linear part and the rest, or plainly.
        apart, plainly = 2 * r.span_v * r.bent_v + r.bent_v**2, r.far**2
        plain = plainly < apart + r.span_v**2 / 3
        square = up * r.eta * np.where(plain, plainly, apart)
        third = 0.5 * size * near.v_third / whole + square + wider
        third += steep * (near.m_third + r.reach * r.off + 0.5 * near.m_second * r.span_v)
        second = 0.5 * size * r.bent_v + square + np.where(plain, 0.0, up * r.eta * r.span_v**2) + wider
        second += steep * (near.m_second + near.m_third + r.reach * (0.5 * r.span_v + r.off))
        rank = np.where(plain, 0.0, up * r.eta)
        return cls(by_m, -0.5 * by_q / whole, rank, slope, _span(slope, w), second, third)

    def bend(self, near: Expansion, r: _Ranges, share: Array) -> Array:
        """The bends of the components' tangents weighted by `share` (n, c)."""
        total = near.bends.mean(share * self.by_m) + near.bends.variance(share * self.by_v)
        total += 2 * _outer(share * self.rank, r.tilt, r.tilt)
        cross = _outer(-0.5 * share * self.by_m, near.m_slope, r.tilt)
        return np.asarray(total + cross + cross.transpose(0, 2, 1), dtype=float)


@dataclass(frozen=True, slots=True, eq=False)
class Hood:
    """One response over n boxes of half widths w (n, d): ranges, and bounds of log P made from them.

    `top` (n,) bounds it plainly; `middle` (n,) is log P at the middle.
    """

    near: Expansion
    ends: Ends
    w: Array
    r: _Ranges
    lower: _Side
    upper: _Side
    inside: Array
    most: Array
    top: Array
    middle: Array

    @classmethod
    def of(cls, near: Expansion, ends: Ends, w: Array) -> Hood:
        """The window `ends` over the boxes of an expansion."""
        r = _Ranges.of(near, w)
        lower, upper = _Side.of(near, r, w, ends[0], -np.inf), _Side.of(near, r, w, ends[1], np.inf)
        inside = np.maximum(tlaw.cdf(near.df, upper.z) - tlaw.cdf(near.df, lower.z), 0.0)
        most = _most(near, r, ends)
        top = np.log(np.clip(most @ near.weights + _ROUNDING * _LEAST, _TINY, 1.0))
        middle = np.log(np.maximum(inside @ near.weights, _TINY))
        return cls(near, ends, w, r, lower, upper, inside, most, top, middle)

    def only(self, rows: npt.NDArray[np.intp]) -> Hood:
        """Over some of the boxes."""
        near, r = self.near.only(rows), self.r.only(rows)
        sides = self.lower.only(rows), self.upper.only(rows)
        return Hood(
            near, self.ends, self.w[rows], r, *sides, self.inside[rows], self.most[rows], self.top[rows],
            self.middle[rows],
        )  # fmt: skip

    def tangents(self) -> tuple[Quadratic, Quadratic]:
        """Two quadratics with the slope at the middle: without and with the curvature of log W."""
        near, safe = self.near, np.maximum(self.inside, _LEAST)
        by_m = (self.lower.density - self.upper.density) * self.r.q / safe
        by_q = (_times(self.upper.z, self.upper.density) - _times(self.lower.z, self.lower.density)) / safe
        tangent = _Tangent.of(near, self.r, self.w, by_m, by_q)
        share, joint, loose = self._shares(self.inside, tangent)
        common = tangent.bend(near, self.r, share)
        plain = self._mixed(tangent, share, joint, loose, common, _by_tangent(tangent, near.df, share))
        curved = _by_curvature(near.df, self.lower, self.upper, safe, share)
        return plain, self._mixed(tangent, share, joint, loose, common, curved)

    def tangent_at(self, t: Array) -> Quadratic:
        """The quadratic with tangents taken at mean and scale of about another place t (n, d) of each box."""
        near, r, df = self.near, self.r, self.near.df
        step = np.einsum("ncd,nd->nc", near.m_slope, t)
        m = near.m + np.clip(step, -r.reach, r.reach)
        q = np.clip(r.q * (1 - 0.5 * np.einsum("ncd,nd->nc", r.tilt, t)), r.q_low, r.q_high)
        inside, by_m, by_q, above = np.zeros_like(m), np.zeros_like(m), np.zeros_like(m), np.zeros_like(m)
        for limit, side, sign in ((self.ends[0], self.lower, -1.0), (self.ends[1], self.upper, 1.0)):
            if limit is None:
                inside += 0.5 * (1 + sign)
                continue
            z = (limit - m) * q
            inside += sign * tlaw.cdf(df, z)
            height = sign * tlaw.density(df, z)
            by_m -= height * r.q
            by_q += height * side.z
            above += height * (side.z - z)
        safe = np.maximum(inside, _LEAST)
        # -df log(1 - (l0 + y) / df) is that of l0 alone and that of y / (1 - l0 / df).
        above = above / safe
        ratio = 1 - np.minimum(above, 0.5 * df) / df if np.isfinite(df) else np.ones_like(m)
        base = np.exp(np.minimum(above, 50.0)) if not np.isfinite(df) else ratio**-df
        worth = np.where((inside >= _LEAST) & (above < 0.4 * df), inside * base, 0.0)
        scale = 1 / (safe * ratio)
        tangent = _Tangent.of(near, r, self.w, by_m * scale, by_q * scale)
        share, joint, loose = self._shares(worth, tangent)
        common = tangent.bend(near, r, share)
        return self._mixed(tangent, share, joint, loose, common, _by_tangent(tangent, df, share))

    def _shares(self, worth: Array, tangent: _Tangent) -> tuple[Array, Array, Array]:
        """Each component's share (n, c) of the joint worth (n,), and what the others can add to 1 at most, (n,).

        What is worth next to nothing, or changes too steeply for a tangent, counts with its top.
        """
        near = self.near
        good = (worth >= _LEAST) & (tangent.span + tangent.second < min(_STEEP, 0.5 * near.df))
        held = np.where(good, near.weights * worth, 0.0)
        joint = held.sum(axis=1)
        joint = np.where(joint < 1e-3 * _LEAST, np.nan, joint)
        whole = np.nan_to_num(joint, nan=1.0)
        return held / whole[:, None], joint, np.where(good, 0.0, self.most) @ near.weights / whole

    def _mixed(
        self, tangent: _Tangent, share: Array, joint: Array, loose: Array, common: Array,
        more: tuple[Array, Array, Array],
    ) -> Quadratic:  # fmt: skip
        """The components' bounds put together; `more` is what each has beyond its tangent: bend, rest, bound."""
        bend, rest, beyond = more
        slope = np.einsum("nc,ncd->nd", share, tangent.slope)
        spread, wide = _spread(tangent, share, slope, beyond, self.w)
        reach = _span(slope, self.w) + (share * (tangent.second + beyond)).sum(axis=1)
        rest = (share * tangent.third).sum(axis=1) + rest + wide + loose * np.exp(np.minimum(reach, 50.0)) + _ROUNDING
        level = np.log(joint) + rest
        return Quadratic(np.where(np.isfinite(level), level, np.inf), slope, np.nan_to_num(common + bend + spread))

    def pull(self) -> Array:
        """What each side of a box does to mean and log scale, on the average over the components, (n, d)."""
        near, r, w = self.near, self.r, self.w
        steep = np.abs(near.m_slope) * r.q[:, :, None] + 0.5 * np.abs(r.tilt)
        straight = np.einsum("c,ncd->nd", near.weights, steep) * w
        bent = (near.m_second * r.q + 0.5 * r.bent_v) @ near.weights
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


def _by_tangent(tangent: _Tangent, df: float, share: Array) -> tuple[Array, Array, Array]:
    """What -df log(1 - l/df) has beyond l: at most c l² with c taken at the greatest l."""
    most = np.minimum(tangent.span + tangent.second, 0.6 * df)
    small = most < 1e-3
    at = np.where(small, 1e-3, most)
    c = (-df * np.log1p(-at / df) - at) / at**2 if np.isfinite(df) else np.zeros_like(most)
    bend = 2 * _outer(share * c, tangent.slope, tangent.slope)
    rest = (share * c * (2 * tangent.span * tangent.second + tangent.second**2)).sum(axis=1)
    return bend, rest, c * (tangent.span + tangent.second) ** 2


def _by_curvature(df: float, lower: _Side, upper: _Side, inside: Array, share: Array) -> tuple[Array, Array, Array]:
    """The curvature of log W in its two limits, at most what it is anywhere in the ranges that they have."""
    sides = [(side, sign) for side, sign in ((upper, 1.0), (lower, -1.0)) if np.isfinite(side.z).all()]
    if len(sides) == 1:
        side, sign = sides[0]
        # One open side: log T of the limit, or of its mirror image.
        most = tlaw.log_bend_most(df, *((side.low, side.high) if sign > 0 else (-side.high, -side.low)))
        weak = np.zeros_like(inside, dtype=bool)
        terms = [(side, side, most)]
    else:
        terms, weak = _both(df, lower, upper, inside)
    beyond, rest = np.zeros_like(inside), np.zeros(len(share))
    bend = np.zeros((len(share), *[upper.part.shape[2]] * 2))
    for a, b, most in terms:
        bend += _outer(share * most, a.part, b.part)
        mixed = a.span * b.rest + b.span * a.rest + a.rest * b.rest
        beyond += 0.5 * np.abs(most) * (a.span + a.rest) * (b.span + b.rest)
        rest += (share * 0.5 * np.abs(most) * mixed).sum(axis=1)
    return bend, np.where((weak & (share > 0)).any(axis=1), np.inf, rest), beyond


def _both(
    df: float, lower: _Side, upper: _Side, inside: Array
) -> tuple[list[tuple[_Side, _Side, Array]], npt.NDArray[np.bool_]]:
    """The same for a window with two limits: the matrix of second derivatives, entry by entry over the ranges.

    What the mixed entry can differ by from the middle is put on the diagonal: 2 x y <= x² + y².
    """
    least = np.maximum(tlaw.cdf(df, upper.low) - tlaw.cdf(df, lower.high), 0.0)
    most = np.minimum(tlaw.cdf(df, upper.high) - tlaw.cdf(df, lower.low), 1.0)
    weak = least < 1e-2 * _LEAST
    least = np.where(weak, 1.0, least)
    (low_u, high_u), (low_l, high_l) = (tlaw.density_range(df, s.low, s.high) for s in (upper, lower))
    mixed = upper.density * lower.density / inside**2
    change = np.maximum(high_u * high_l / least**2 - mixed, mixed - low_u * low_l / most**2)
    rise_u = tlaw.density_slope_range(df, upper.low, upper.high)[1]
    rise_l = -tlaw.density_slope_range(df, lower.low, lower.high)[0]
    diagonal = [
        np.where(rise > 0, rise / least, rise / most) - (thin / most) ** 2 + change
        for rise, thin in ((rise_u, low_u), (rise_l, low_l))
    ]
    pairs = [(upper, upper, diagonal[0]), (lower, lower, diagonal[1]), (upper, lower, mixed), (lower, upper, mixed)]
    return pairs, weak


def _spread(tangent: _Tangent, share: Array, slope: Array, beyond: Array, w: Array) -> tuple[Array, Array]:
    """What the components' differing adds: a bend, and a rest."""
    away = tangent.slope - slope[:, None, :]
    span, second = _span(away, w), tangent.second + beyond
    # What a component counts in its own mean does not deviate from it.
    second = second * (1 - 2 * share) + (share * second).sum(axis=1)[:, None]
    h = share * _bennett(np.minimum(span + second, 50.0))
    return 2 * _outer(h, away, away), (h * (2 * span * second + second**2)).sum(axis=1)


def _bennett(b: Array) -> Array:
    """(e^b - 1 - b) / b² for b >= 0."""
    at = np.maximum(b, 1e-3)
    return np.asarray((np.expm1(at) - at) / at**2, dtype=float)


def _beyond_root(x: Array) -> Array:
    """The greatest ((1 + y)^(-1/2) - 1 + y/2) / y² for y >= x, -1 < x <= 0: it falls with y."""
    at = np.minimum(x, -1e-3)
    return np.asarray(((1 + at) ** -0.5 - 1 + at / 2) / at**2, dtype=float)


def _span(part: Array, w: Array) -> Array:
    """The greatest of part't over |t| <= w."""
    return np.asarray((np.abs(part) * (w if part.ndim == 2 else w[:, None, :])).sum(axis=-1), dtype=float)


def _outer(weights: Array, a: Array, b: Array) -> Array:
    """Sum over the components of weights (n, c) times a b', (n, d, d)."""
    return np.asarray((weights[:, :, None] * a).transpose(0, 2, 1) @ b, dtype=float)


def _times(z: Array, density: Array) -> Array:
    return np.where(np.isfinite(z), z, 0.0) * density
