"""What is taken from the curve of each batch: yield value and what it holds, consistency, flow index, settling rate.

A batch's curve is all its readings of one response, each at the `speed` that stands beside it. What is taken from it
is one value a batch, seen by fits like any measured response; it is worked out anew each time and never stored.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.cells import unit_factor, unit_key
from doe.flow import FALL, LEAST_FOR_YIELD, LEAST_POINTS, Flow, falls, fit_flow
from doe.problems import Level, Problem, listed
from doe.resultset import UNUSED_FLAGS, Results
from doe.settling import particle_of, stokes_velocity, yield_to_hold

if TYPE_CHECKING:
    from doe.parts import Ingredient, Response
    from doe.study import Study

Array = npt.NDArray[np.float64]
Taken = tuple[float, str, float]  # value, bound, relative standard error (NaN where unknown)
_FLOW = ("yield_value", "consistency", "flow_index", "low_shear_viscosity")
# A hold margin is the yield value over what just holds the particle that moves fastest.
_YIELDS = ("yield_value", "hold_margin")
_MM_PER_DAY = 1000.0 * 86400.0  # in one m/s
_UNCERTAIN = 0.3  # a relative standard error above this is to be looked at; our choice
_SMALL = 0.01  # ... and below this nothing is said of it
_SPAN = 100.0  # highest rate over lowest, for a yield value to show; common practice, no source


def curve_problem(curve: Response, wanted: Response, ingredients: Sequence[Ingredient]) -> str:
    """Why `wanted` cannot be taken from `curve`, in words; "" if it can."""
    if curve.kind != "curve":
        return f"{curve.name} is no curve"
    if wanted.source == "settling_rate" and curve.against == "time":
        return ""
    if curve.against == "rpm" and wanted.source == "flow_index":
        return "" if _as_stress(curve) else f"{curve.name} is in {curve.unit or 'no unit'}, not in mPa.s, Pa.s or Pa"
    if curve.against != "shear rate":
        return f"{curve.name} is read against {curve.against}, not against shear rate in 1/s"
    if not _as_stress(curve):
        return f"{curve.name} is in {curve.unit or 'no unit'}, not in mPa.s, Pa.s or Pa"
    if wanted.source == "settling_rate":
        return _settling_problem(wanted, ingredients)
    if wanted.source == "hold_margin":
        lacks = "a hold margin needs density of the fill, and density with d90_um or d50_um of what is held"
        return lacks if particle_of(ingredients) is None else ""
    base = {"yield_value": "Pa", "low_shear_viscosity": "Pa.s"}.get(str(wanted.source))
    if base is not None and unit_factor(base, wanted.unit) is None:
        return f"{wanted.name} is in {wanted.unit or 'no unit'}, and {wanted.source} is in {base} or the like"
    return ""


def points_needed(curve: Response, wanted: Response) -> int:
    """At how many different rates or times a curve has to be read for what is taken from it."""
    if wanted.source == "settling_rate" and curve.against == "time":
        return 2
    return LEAST_FOR_YIELD if wanted.source in _YIELDS else LEAST_POINTS


def rates_problem(curve: Response, wanted: Response) -> tuple[str, str, str] | None:
    """What the rates a curve is read at do not give of `wanted`: what came, what is needed, what to do. None if fit."""
    need, rates = points_needed(curve, wanted), sorted(set(curve.rates))
    one = "time" if curve.against == "time" else "speed" if curve.against == "rpm" else "rate"
    allowed = f"{need} or more different {one}s"
    do = f"mend at of {curve.name}"
    if wanted.source in _YIELDS:
        # Common practice, no source: the stress has to be seen to level off at the low end.
        do += ": evenly on a log scale, from the lowest the instrument reads (0.1 1/s or less) to 100 times that"
    if not rates:
        return f"{curve.name} does not say at which {one}s it is read", allowed, do
    if len(rates) < need:
        got = f"{curve.name} is read at {len(rates)} {one}s, from which no {str(wanted.source).replace('_', ' ')} shows"
        return got, allowed, do
    if wanted.rates and wanted.rates[0] < rates[0]:
        got = f"{wanted.rates[0]:g} 1/s is below the lowest rate of {curve.name}, {rates[0]:g}"
        return got, "a rate that is read", f"add it to at of {curve.name}, or take {wanted.name} at a rate that is read"
    if wanted.source in _YIELDS and rates[-1] < _SPAN * rates[0]:
        got = f"{curve.name} is read from {rates[0]:g} to {rates[-1]:g} 1/s, which shows a yield value only roughly"
        return got, f"{one}s over a factor of {_SPAN:g}", do
    return None


def needs_in_words(curve: Response, responses: Sequence[Response]) -> str:
    """What is taken from a curve and how many readings of it that takes, for the one who reads it; "" if nothing is."""
    one = "times" if curve.against == "time" else "speeds" if curve.against == "rpm" else "rates"
    needs = [f"{r.name} from {points_needed(curve, r)}" for r in responses if r.is_derived and r.of == curve.name]
    return f"read all: {listed(needs)} {one} or more" if needs else ""


def _settling_problem(wanted: Response, ingredients: Sequence[Ingredient]) -> str:
    if not wanted.rates:
        return "settling_rate of a flow curve is not said at which low shear rate (at)"
    if unit_key(wanted.unit) != "mm/day":
        return f"{wanted.name} is in {wanted.unit or 'no unit'}, and a settling rate of a flow curve is in mm/day"
    if particle_of(ingredients) is None:
        return "a settling rate needs density of the fill, and density with d90_um or d50_um of what settles"
    return ""


def observed(study: Study, results: Results, response: Response) -> tuple[pd.DataFrame, tuple[Problem, ...]]:
    """`Results.observed` of a response, and for one taken from a curve the same frame made of the batches' curves.

    The findings say which law was chosen where, what could not be fitted, and how uncertain the values are.
    """
    if not response.is_derived or response.of is None:
        return results.observed(response.name), ()
    curve = study.response(response.of)
    points, lost = _points(results, curve)
    rows: dict[str, tuple[float, str, float, int, float]] = {}
    told = _Told(response, curve, lost)
    for batch in [str(b) for b in results.usable if str(b) in points]:
        taken = _taken(curve, response, study.ingredients, batch, points[batch], told)
        if taken is not None:
            rows[batch] = (taken[0], taken[1], float("nan"), 1, float("nan"))
            told.errors[batch] = taken[2]
    frame = pd.DataFrame(
        list(rows.values()),
        index=pd.Index(list(rows), name="batch", dtype=object),
        columns=["value", "bound", "value_to", "n_readings", "reading_sd"],
    ).astype({"value": float, "bound": object, "value_to": float})
    joined = frame.join(results.batches[["trial", "block", "whole_plot", "order", "replicate_group"]])
    return joined, told.findings()


@dataclass(slots=True)
class _Told:
    """What is to be said of the curves of all batches: laws, curves too short or falling, how sure the values are."""

    response: Response
    curve: Response
    lost: Mapping[str, int]
    laws: dict[str, list[str]] = field(default_factory=dict)
    short: list[str] = field(default_factory=list)
    fallen: list[str] = field(default_factory=list)
    no_yield: list[str] = field(default_factory=list)
    far: list[str] = field(default_factory=list)
    errors: dict[str, float] = field(default_factory=dict)

    def findings(self) -> tuple[Problem, ...]:
        """All of it, the graver first."""
        return (*self._of_points(), *self._of_laws(), *self._of_errors())

    def _say(self, code: str, level: Level, got: str, allowed: str, do: str) -> Problem:
        return Problem(code, level, self.response.name, got, allowed, do)

    def _of_points(self) -> Iterator[Problem]:
        name, need = self.curve.name, points_needed(self.curve, self.response)
        if self.lost:
            got = f"points of {name} left out: " + listed([f"{n} of {batch}" for batch, n in self.lost.items()])
            do = "a bound is no point of a curve; write the speed as a number beside each reading"
            yield self._say("curve-points", "warn", got, "a number at a number", do)
        if self.fallen:
            got = f"the stress of {name} falls as the rate rises in " + listed(self.fallen)
            do = "no law was fitted and nothing taken from these: did the sample slip, break or leave the gap, or were "
            do += "speed and reading swapped? read again"
            yield self._say(
                "curve-falls", "warn", got, f"a stress that never falls by more than {100 * FALL:.0f} %", do
            )
        if self.short:
            got = f"{name} has too few points in " + listed(self.short)
            do = "nothing is taken from these; read the rest"
            yield self._say("curve-short", "warn", got, f"readings at {need} or more rates or times", do)
        if self.no_yield:
            got = f"{name} has too few points to show a yield value in " + listed(self.no_yield)
            do = "counts only as below the lowest stress read; read more, at low rates above all"
            yield self._say("curve-short", "warn", got, f"readings at {need} or more rates", do)

    def _of_laws(self) -> Iterator[Problem]:
        if self.laws:
            parts = "; ".join(f"{law} in {len(who)} ({listed(who)})" for law, who in sorted(self.laws.items()))
            got = f"{self.curve.name} fitted batch by batch, the law by AICc: {parts}"
            if self.response.source in _YIELDS:
                got += "; where no yield value shows, it counts as below what the readings leave open"
            yield self._say(
                "curve-law", "inform", got, "", "an apparent value of the fitted law, within the rates read"
            )
        if self.far:
            got = f"{self.response.rates[0]:g} 1/s is below the lowest rate read in " + listed(self.far)
            do = "read lower, or take it at a rate that is read"
            yield self._say("curve-outside", "warn", got, "a rate within the curve", do)

    def _of_errors(self) -> Iterator[Problem]:
        """How uncertain the values are by their curves alone; a fit gives each batch the same weight all the same."""
        known = {batch: error for batch, error in self.errors.items() if error == error}
        if max(known.values(), default=0.0) < _SMALL:
            return
        worst = sorted(known, key=lambda batch: -known[batch])[:4]
        got = "standard error of the value by the curve alone: "
        got += f"{100 * median(known.values()):.2g} % in the middle batch, most in "
        got += listed([f"{batch} {100 * known[batch]:.2g} %" for batch in worst])
        loose = known[worst[0]] > _UNCERTAIN
        do = "every batch counts with the same weight in the fit, which sees this only as scatter between batches"
        if loose:
            do += "; read more speeds for those"
        allowed = f"up to {100 * _UNCERTAIN:.0f} %"
        yield self._say("curve-uncertain", "warn" if loose else "inform", got, allowed, do)


def _taken(
    curve: Response, wanted: Response, ingredients: Sequence[Ingredient], batch: str, points: tuple[Array, Array],
    told: _Told,
) -> Taken | None:  # fmt: skip
    """The value of one batch; None, and noted in `told`, where its curve does not give one."""
    x, y = points
    if wanted.source == "settling_rate" and curve.against == "time":
        taken = _slope(x, y)
        told.short += [batch] * (taken is None)
        return taken
    rate, stress = _stresses(curve, x, y)
    if falls(rate, stress):
        told.fallen.append(batch)
        return None
    flow = fit_flow(rate, stress)
    if flow is None:
        told.short.append(batch)
        return None
    told.laws.setdefault(flow.law, []).append(batch)
    if wanted.source in _YIELDS and flow.points < LEAST_FOR_YIELD:
        told.no_yield.append(batch)
    if wanted.rates and wanted.rates[0] < flow.lowest_rate:
        told.far.append(batch)
    return _of_flow(flow, wanted, ingredients)


def _points(results: Results, curve: Response) -> tuple[dict[str, tuple[Array, Array]], dict[str, int]]:
    """The points of each batch's curve, and how many of each were left out: bounds, or without a number of speed."""
    rows = results.counted
    rows = rows[(rows["response"] == curve.name) & rows["value"].notna() & rows["batch"].isin(results.usable)]
    rows = rows[~rows["flag"].isin(UNUSED_FLAGS)]
    x = pd.to_numeric(rows["speed"].astype(str).str.replace(",", "."), errors="coerce")
    good = (x.notna() & (rows["bound"] == "none")).to_numpy()
    lost = {str(batch): int(count) for batch, count in rows[~good].groupby("batch", sort=False).size().items()}
    rows = rows.assign(x=x)[good]
    points = {
        str(batch): (group["x"].to_numpy(dtype=float), group["value"].to_numpy(dtype=float))
        for batch, group in rows.groupby("batch", sort=False)
    }
    return points, lost


def _as_stress(curve: Response) -> tuple[float, bool] | None:
    """What turns a reading into Pa or Pa.s, and whether it is a viscosity, to be multiplied by the rate."""
    viscosity, stress = unit_factor(curve.unit, "Pa.s"), unit_factor(curve.unit, "Pa")
    if viscosity is not None:
        return viscosity, True
    return None if stress is None else (stress, False)


def _stresses(curve: Response, x: Array, y: Array) -> tuple[Array, Array]:
    """Rates [1/s, or rpm] in order and the stress [Pa] at each; readings of nothing are no points."""
    factor, is_viscosity = _as_stress(curve) or (1.0, False)
    good = (x > 0) & (y > 0)
    x, y = x[good], y[good]
    return x, y * factor * (x if is_viscosity else 1.0)


def _of_flow(flow: Flow, response: Response, ingredients: Sequence[Ingredient]) -> Taken:
    """The quantity a response asks of a fitted curve, in its unit.

    Where the readings bear no yield value, it is known only to be below what they leave open.
    """
    particle = particle_of(ingredients)
    if response.source in _YIELDS:
        factor = unit_factor("Pa", response.unit) or 1.0
        if response.source == "hold_margin" and particle is not None:
            factor = 1.0 / float(yield_to_hold(*particle))
        if flow.yield_value == 0.0:
            return flow.yield_below * factor, "below", float("nan")
        return flow.yield_value * factor, "none", flow.sd["yield_value"] / flow.yield_value
    if response.source == "low_shear_viscosity":
        rate = response.rates[0]
        factor = unit_factor("Pa.s", response.unit) or 1.0
        return flow.viscosity(rate) * factor, "none", flow.relative_error(rate)
    if response.source == "settling_rate" and particle is not None:
        speed = abs(stokes_velocity(*particle, flow.viscosity(response.rates[0])))
        return speed * _MM_PER_DAY, "none", flow.relative_error(response.rates[0])
    if response.source == "flow_index":
        return flow.index, "none", flow.sd["index"] / abs(flow.index) if flow.index else float("nan")
    return flow.consistency, "none", flow.sd["consistency"] / flow.consistency


def _slope(x: Array, y: Array) -> Taken | None:
    """The rate of settling: the slope of a height or layer against time, by least squares, per unit of time."""
    if len(np.unique(x)) < 2:
        return None
    centred = x - x.mean()
    slope = float(centred @ y / (centred @ centred))
    if len(x) < 3 or slope == 0.0:
        return slope, "none", float("nan")
    left = y - y.mean() - slope * centred
    return slope, "none", math.sqrt(float(left @ left) / (len(x) - 2) / float(centred @ centred)) / abs(slope)
