"""Flow curves: shear stress against shear rate, fitted by a power law or by Herschel-Bulkley, whichever the data bear.

tau = tau_y + K rate^n; n = 1 is Bingham's law, tau_y = 0 the power law, both together Newton's (Herschel & Bulkley
1926, Kolloid-Z. 39, 291-300, from memory). What is called a yield value here is the apparent one of the fitted law:
gums alone may flow at any stress, only very slowly.

The stress of a simple liquid does not fall with the rate: flow would be unstable there and part into bands (Yerushalmi,
Katz & Shinnar 1970, from memory). Where readings fall, the sample slipped, broke or left the gap, and no law is fitted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq, least_squares
from scipy.special import stdtrit

Array = npt.NDArray[np.float64]
Law = Literal["power law", "Herschel-Bulkley"]

LEAST_POINTS = 3
LEAST_FOR_YIELD = 6  # points below which AICc cannot set a law with a yield value against one without
_LEAST_RATES = 4  # different rates below which three parameters only go through the points
FALL = (
    0.10  # how far [1] a stress may lie below one at a lower rate: that of a reading at 10 % torque (common practice)
)
_SURE = 0.995  # one-sided level of the F test at 1 % by which a yield value stays, though AICc would drop it
_LEVEL = 0.95  # one-sided confidence of the highest yield value
_FLATTEST, _STEEPEST = 0.01, 5.0  # bounds on n beside a yield value while fitting; real ones lie between 0 and 2
_REMEMBERED = 1024  # curves, some kilobytes each; every command on a study asks for the same ones several times
_EXACT = 1e-9  # relative scatter below which a curve counts as free of it: the last digits of typed numbers


@dataclass(frozen=True, slots=True, eq=False)
class Flow:
    """A fitted flow curve. Stress in Pa, rate in 1/s: `consistency` K is in Pa s^n, `index` n has no unit.

    `yield_value` is 0 where the power law was chosen. `yield_below` is the highest yield value the readings leave open
    (one-sided 95 %, by the profile of the fit). `relative_sd` is the scatter about the law as a fraction of the stress;
    `aicc` holds the criterion of each law that could be fitted, `sd` the standard errors (NaN where none can be had),
    `covariance` (3, 3) that of index, consistency and yield value.
    """

    law: Law
    yield_value: float
    consistency: float
    index: float
    yield_below: float
    relative_sd: float
    aicc: dict[Law, float]
    covariance: Array
    lowest_rate: float
    points: int

    @property
    def sd(self) -> dict[str, float]:
        """Standard errors by the usual linear approximation at the fitted law."""
        errors = np.sqrt(np.maximum(np.diag(self.covariance), 0.0))
        return dict(zip(("index", "consistency", "yield_value"), errors.tolist(), strict=True))

    def relative_error(self, rate: float) -> float:
        """The standard error of stress or viscosity at a rate [1/s], as a fraction of it, by the same approximation."""
        slopes = _slopes(np.array([rate]), self.yield_value, self.consistency, self.index)[0]
        return math.sqrt(max(0.0, float(slopes @ self.covariance @ slopes)))

    def stress(self, rate: float) -> float:
        """The shear stress [Pa] at a rate [1/s]."""
        return float(self.yield_value + self.consistency * rate**self.index)

    def viscosity(self, rate: float) -> float:
        """The apparent viscosity [Pa.s] at a rate [1/s], stress over rate."""
        return self.stress(rate) / rate


def fit_flow(rate: Array, stress: Array) -> Flow | None:
    """The law of a curve, `rate` (n,) [1/s] and `stress` (n,) [Pa], by least squares of the log of the stress.

    So each point counts by its relative error. The law is the one with the lower AICc (Hurvich & Tsai 1989, from
    memory), the error variance counted as a parameter; Herschel-Bulkley needs six points for one. With hardly more than
    six, AICc leaves out a yield value that the readings show beyond doubt, so that one is kept as well where an F test
    of none finds against it at 1 %. None where fewer than three different rates were read, or where the stress falls
    (`falls`). A curve seen before is not fitted again.
    """
    order = np.argsort(rate, kind="stable")
    return _fitted(rate[order].astype(float).tobytes(), stress[order].astype(float).tobytes())


@lru_cache(maxsize=_REMEMBERED)
def _fitted(rates: bytes, stresses: bytes) -> Flow | None:
    """`fit_flow` of a curve in order of its rates, both as the bytes of their numbers."""
    rate, stress = np.frombuffer(rates), np.frombuffer(stresses)
    if len(np.unique(rate)) < LEAST_POINTS or (rate <= 0).any() or (stress <= 0).any() or falls(rate, stress):
        return None
    power = _power(rate, stress, 0.0)
    bulkley = _herschel_bulkley(rate, stress, power)
    aicc: dict[Law, float] = {"power law": _aicc(power, len(rate), 2)}
    criterion = _aicc(bulkley, len(rate), 3) if len(np.unique(rate)) >= _LEAST_RATES else math.inf
    if math.isfinite(criterion):
        aicc["Herschel-Bulkley"] = criterion
    law = min(aicc, key=lambda name: aicc[name])
    if math.isfinite(criterion) and power.rss > _allowed(bulkley, len(rate), _SURE):
        law = "Herschel-Bulkley"
    best = bulkley if law == "Herschel-Bulkley" else power
    free = len(rate) - (3 if law == "Herschel-Bulkley" else 2)
    covariance = _covariance(rate, best, law, free)
    covariance.setflags(write=False)
    return Flow(
        law=law,
        yield_value=best.tau,
        consistency=best.k,
        index=best.n,
        yield_below=_yield_below(rate, stress, bulkley),
        relative_sd=math.sqrt(best.rss / free) if free > 0 else float("nan"),
        aicc=aicc,
        covariance=covariance,
        lowest_rate=float(rate[0]),
        points=len(rate),
    )


def falls(rate: Array, stress: Array) -> bool:
    """Whether `stress` (n,), its mean at each `rate` (n,), lies more than `FALL` below the highest at a lower rate."""
    levels = np.array([stress[rate == one].mean() for one in np.unique(rate)])
    return bool((levels < (1.0 - FALL) * np.maximum.accumulate(levels)).any())


@dataclass(frozen=True, slots=True)
class _Fit:
    tau: float
    k: float
    n: float
    rss: float


def _power(rate: Array, stress: Array, tau: float) -> _Fit:
    """K and n at a given yield value, by least squares of the log of the whole stress."""
    x = np.log(rate)
    slope, level = np.polyfit(x, np.log(stress - tau), 1)
    if tau > 0:

        def off(p: Array) -> Array:
            out: Array = np.log(tau + np.exp(p[0] + p[1] * x)) - np.log(stress)
            return out

        level, slope = least_squares(off, [level, slope], xtol=1e-14, ftol=1e-14, gtol=1e-14).x
    left = np.log(tau + np.exp(level + slope * x)) - np.log(stress)
    return _Fit(tau, math.exp(level), float(slope), float(left @ left))


def _herschel_bulkley(rate: Array, stress: Array, power: _Fit) -> _Fit:
    """All three, from several starts; the power law itself where no yield value fits better."""
    x = np.log(rate)

    def off(p: Array) -> Array:
        out: Array = np.log(p[0] * stress.min() + np.exp(p[1] + p[2] * x)) - np.log(stress)
        return out

    best = power
    for share in (0.2, 0.6, 0.95):
        start = _power(rate, stress, share * float(stress.min()))
        found = least_squares(
            off, [share, math.log(start.k), min(max(start.n, _FLATTEST), _STEEPEST)], x_scale="jac",
            bounds=([0.0, -np.inf, _FLATTEST], [1.0, np.inf, _STEEPEST]), xtol=1e-14, ftol=1e-14, gtol=1e-14,
        )  # fmt: skip
        rss = 2.0 * float(found.cost)
        if rss < best.rss:
            best = _Fit(float(found.x[0] * stress.min()), math.exp(found.x[1]), float(found.x[2]), rss)
    return best


def _aicc(fit: _Fit, points: int, parameters: int) -> float:
    counted = parameters + 1
    if points - counted - 1 <= 0:
        # Too few points to compare by AICc: the simpler law stands, with no criterion against it.
        return 0.0 if parameters == 2 else math.inf
    rss = max(fit.rss, points * _EXACT**2)
    return points * math.log(rss / points) + 2 * counted + 2 * counted * (counted + 1) / (points - counted - 1)


def _allowed(best: _Fit, points: int, level: float) -> float:
    """The residual sum of squares up to which a yield value is left open by a one-sided `level`."""
    free = points - 3
    return max(best.rss, points * _EXACT**2) * (1.0 + float(stdtrit(free, level)) ** 2 / free)


def _yield_below(rate: Array, stress: Array, best: _Fit) -> float:
    """The yield value at which the fit gets worse by what one-sided 95 % allow; at most the lowest stress read."""
    top = float(stress.min())
    free = len(rate) - 3
    if free < 1:
        return top
    allowed = _allowed(best, len(rate), _LEVEL)

    def worse(tau: float) -> float:
        return _power(rate, stress, tau).rss - allowed

    near = top * (1.0 - 1e-9)
    if best.tau >= near or worse(near) <= 0:
        return top
    return float(brentq(worse, best.tau, near, xtol=1e-12 * top, rtol=1e-10))


def _slopes(rate: Array, tau: float, k: float, n: float) -> Array:
    """How the log of the stress (m,) moves with index, consistency and yield value, (m, 3)."""
    whole = tau + k * rate**n
    return np.column_stack([k * rate**n * np.log(rate) / whole, rate**n / whole, 1.0 / whole])


def _covariance(rate: Array, fit: _Fit, law: Law, free: int) -> Array:
    """The covariance (3, 3) of the fitted law; NaN where no point is left over, 0 for a yield value that is 0."""
    out = np.zeros((3, 3))
    if free < 1:
        return np.full((3, 3), np.nan)
    used = 3 if law == "Herschel-Bulkley" else 2
    J = _slopes(rate, fit.tau, fit.k, fit.n)[:, :used]
    out[:used, :used] = np.linalg.pinv(J.T @ J) * fit.rss / free
    return out
