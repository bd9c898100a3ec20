"""The scale a response is modelled on: linear, log, logit; and which of linear and log, by Box-Cox.

Limits map through the scale, and so do quantiles: what is shown as the centre of a log or logit response is the
median. Box & Cox (1964) J. R. Stat. Soc. B 26, 211-252 for the profile likelihood.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy import optimize, stats

from doe.problems import Unavailable, rounded
from optimise.statistics.leastsq import Array, contains_constant, independent, solve

ScaleName = Literal["linear", "log", "logit", "grades"]


@dataclass(frozen=True, slots=True)
class Scale:
    """A monotone increasing map from a response's own unit to the scale it is modelled on.

    `whole` is what counts as all for the logit (1 for fractions, 100 for per cent). For grades, `cuts` are the
    thresholds (g - 1,) on the score and `marks` (g + 1,) the lowest grade, the middles between grades, and the highest.
    """

    name: ScaleName = "linear"
    whole: float = 1.0
    cuts: tuple[float, ...] = ()
    marks: tuple[float, ...] = ()

    def forward(self, values: npt.ArrayLike) -> Array:
        """Values of any shape in the response's unit on the model scale; what lies at or beyond its end maps to it."""
        v = np.asarray(values, dtype=float)
        if self.name == "linear":
            return v.copy()
        if self.name == "grades":
            return np.asarray(np.interp(v, self.marks, self._knots()), dtype=float)
        top = np.inf if self.name == "log" else self.whole
        inside = (v > 0) & (v < top)
        safe = np.where(inside, v, 1.0 if self.name == "log" else 0.5 * self.whole)
        mapped = np.log(safe) if self.name == "log" else np.log(safe) - np.log(self.whole - safe)
        mapped = np.where(v <= 0, -np.inf, np.where(v >= top, np.inf, mapped))
        return np.asarray(np.where(np.isnan(v), np.nan, mapped), dtype=float)

    def back(self, values: npt.ArrayLike) -> Array:
        """Values of any shape on the model scale, in the response's unit."""
        v = np.asarray(values, dtype=float)
        if self.name == "linear":
            return v.copy()
        if self.name == "log":
            return np.asarray(np.exp(np.minimum(v, 700.0)), dtype=float)
        if self.name == "grades":
            return np.asarray(np.interp(v, self._knots(), self.marks), dtype=float)
        return np.asarray(self.whole * 0.5 * (1 + np.tanh(v / 2)), dtype=float)

    def back_slope(self, values: npt.ArrayLike) -> Array:
        """Derivative of `back` at values on the model scale, of their shape."""
        v = np.asarray(values, dtype=float)
        if self.name == "linear":
            return np.ones_like(v)
        if self.name == "log":
            return self.back(v)
        if self.name == "grades":
            knots = np.array(self._knots())
            piece = np.clip(np.searchsorted(knots, v, side="right") - 1, 0, len(knots) - 2)
            slope = np.diff(self.marks)[piece] / np.diff(knots)[piece]
            return np.where((v >= knots[0]) & (v <= knots[-1]), slope, 0.0)
        share = self.back(v) / self.whole
        return np.asarray(self.whole * share * (1 - share), dtype=float)

    def back_bend(self, values: npt.ArrayLike) -> Array:
        """Second derivative of `back` at values on the model scale, of their shape."""
        v = np.asarray(values, dtype=float)
        if self.name == "log":
            return self.back(v)
        if self.name == "logit":
            share = self.back(v) / self.whole
            return np.asarray(self.whole * share * (1 - share) * (1 - 2 * share), dtype=float)
        return np.zeros_like(v)

    def window(self, low: float | None, high: float | None) -> tuple[float | None, float | None]:
        """Limits in the response's unit mapped to the model scale.

        A limit beyond the end of the scale that every value meets is no limit (None); one that none can meet is
        infinite.
        """
        ends = [None if limit is None else float(self.forward(limit)) for limit in (low, high)]
        bottom = None if ends[0] is None or ends[0] == -np.inf else ends[0]
        top = None if ends[1] is None or ends[1] == np.inf else ends[1]
        return bottom, top

    def _knots(self) -> tuple[float, ...]:
        """Scores at the marks of grades: the outer grades lie as far out as the thresholds are apart, at least one."""
        apart = max(1.0, (self.cuts[-1] - self.cuts[0]) / max(len(self.cuts) - 1, 1))
        return (self.cuts[0] - apart / 2, *self.cuts, self.cuts[-1] + apart / 2)

    def holds(self, values: npt.ArrayLike) -> bool:
        """Whether every value, in the unit of the response and of any shape, can be put on this scale."""
        return bool(np.isfinite(self.forward(values)).all())


@dataclass(frozen=True, slots=True)
class BoxCox:
    """Profile likelihood of the power: best `power`, the 95 % likelihood interval, and the two values compared.

    `at_best` is the likelihood at the best power; an end of the interval at the end of what was looked through (-4, 4)
    means that it goes on.
    """

    power: float
    low: float
    high: float
    at_linear: float
    at_log: float
    at_best: float

    def loss(self, scale: str) -> float | None:
        """How far the likelihood of the linear or log scale lies below the best; None for another scale."""
        there = {"linear": self.at_linear, "log": self.at_log}.get(scale)
        return None if there is None else self.at_best - there

    def to_dict(self) -> dict[str, object]:
        """The form of `box_cox` in `fit --json`."""
        return {
            "power": self.power,
            "interval": [self.low, self.high],
            "log_likelihood": {"best": self.at_best, "linear": self.at_linear, "log": self.at_log},
        }


@dataclass(frozen=True, slots=True, eq=False)
class _Profile:
    """-n/2 log RSS of a power of y (n,): `basis` (n, r) spans the columns, `log_y` is log y less its mean.

    Powers are turned by `turn` (n, n) as the columns were, where errors are shared.

    Where the columns hold a constant (y^p - 1)/p stands for y^p/p, which leaves the same and keeps its digits near 0.
    """

    basis: Array
    log_y: Array
    constant: bool
    turn: Array | None = None

    @classmethod
    def of(cls, X: Array, y: Array, turn: Array | None = None) -> _Profile:
        kept, _ = independent(X)
        columns = X[:, kept] if turn is None else turn @ X[:, kept]
        basis = np.linalg.qr(columns / np.linalg.norm(columns, axis=0))[0]
        log_y = np.log(y)
        return cls(basis, log_y - log_y.mean(), contains_constant(X), turn)

    def __call__(self, power: float) -> float:
        if abs(power) < 1e-9:
            powered = self.log_y
        elif self.constant:
            powered = np.expm1(power * self.log_y) / power
        else:
            powered = np.exp(power * self.log_y) / power
        if not np.isfinite(powered).all():
            return -np.inf
        powered = powered if self.turn is None else self.turn @ powered
        left = powered - self.basis @ (self.basis.T @ powered)
        left = left - self.basis @ (self.basis.T @ left)
        rss = float(left @ left)
        return -0.5 * powered.size * log(rss) if rss > 0 else np.inf


def box_cox(
    X: Array, y: Array, reach: tuple[float, float] = (-4.0, 4.0), turn: Array | None = None
) -> BoxCox | Unavailable:
    """The power for X (n, p), y (n,), looked for in `reach`; or why there is none.

    `turn` (n, n) makes errors that are shared alike and apart; it does not change with the power.

    Interval: within half the 95 % point of chi-square on one degree of freedom of the maximum.
    """
    if y.size == 0 or (y <= 0).any():
        return Unavailable("a power needs every value above zero", "nothing to do")
    if np.ptp(y) <= 1e-9 * np.max(y):
        return Unavailable("every batch gave the same value", "nothing to do: there is no scatter to judge by")
    fit = solve(X, y)
    if fit.df < 1 or fit.exact:
        return Unavailable("no scatter is left over to judge by", "make more batches than the model has terms")
    at = _Profile.of(X, y, turn)
    found = optimize.minimize_scalar(lambda power: -at(power), bounds=reach, method="bounded")
    best, top = float(found.x), -float(found.fun)
    if not np.isfinite(top):
        return Unavailable("some power leaves no scatter at all", "make more batches than the model has terms")
    floor = top - 0.5 * float(stats.chi2.isf(0.05, 1))

    def edge(end: float) -> float:
        if at(end) >= floor:
            return end
        return float(optimize.brentq(lambda power: at(power) - floor, best, end, xtol=1e-8))

    return BoxCox(best, edge(reach[0]), edge(reach[1]), at(1.0), at(0.0), top)


def choose_scale(X: Array, y: Array) -> tuple[Scale, str]:
    """Linear or log for X (n, p) and y (n,), with the reason in words.

    Log where the likelihood interval of the power takes in 0 and leaves out 1, or where it leaves out both and 0 is
    the likelier; linear otherwise, since fewer words are then needed for the result.
    """
    found = box_cox(X, y)
    if isinstance(found, Unavailable):
        return Scale(), f"linear: nothing to choose between linear and log by ({found.reason})"
    power, low, high = (rounded(round(v, 2)) for v in (found.power, found.low, found.high))
    span = f"the likeliest power is {power} (95 % likelihood interval {low} to {high})"
    if found.low <= 1 <= found.high:
        return Scale(), f"linear: {span}, which takes in 1, the values as they are"
    if found.low <= 0 <= found.high:
        return Scale("log"), f"log: {span}, which takes in 0, the logarithm, and leaves out 1"
    likelier: ScaleName = "log" if found.at_log > found.at_linear else "linear"
    return Scale(likelier), f"{likelier}: {span} leaves out both 0 and 1; {likelier} is the likelier of the two"


def scale_for(asked: str, X: Array, y: Array, unit: str) -> tuple[Scale, str, str]:
    """The scale for X (n, p), y (n,), why, and what is wrong if the one asked for cannot hold the values."""
    if asked == "auto":
        scale, why = choose_scale(X, y)
        return scale, why, ""
    if asked == "log":
        if Scale("log").holds(y):
            return Scale("log"), "log: asked for in the study", ""
        return Scale(), "linear: some values are not above zero", "a log scale needs every value above zero"
    if asked == "logit":
        whole = 100.0 if unit.strip().startswith("%") else 1.0
        if Scale("logit", whole).holds(y):
            return Scale("logit", whole), f"logit of fractions of {whole:g}: asked for in the study", ""
        wrong = f"a logit scale needs every value above 0 and below {whole:g}"
        return Scale(), f"linear: {wrong}", wrong
    return Scale(), "linear: the values as they are", ""
