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

from doe.definition.curve_needs import YIELDS, points_needed, stress_unit
from doe.definition.units import unit_factor
from doe.problems import Level, Problem, listed
from doe.results.resultset import UNUSED_FLAGS, Results
from doe.trade.flow import FALL, LEAST_FOR_YIELD, Flow, falls, fit_flow
from doe.trade.settling import particle_of, stokes_velocity, yield_to_hold

if TYPE_CHECKING:
    from doe.definition.parts import Ingredient, Response
    from doe.study import Study

Array = npt.NDArray[np.float64]
Taken = tuple[float, str, float]  # value, bound, relative standard error (NaN where unknown)
_MM_PER_DAY = 1000.0 * 86400.0  # in one m/s
_UNCERTAIN = 0.3  # a relative standard error above this is to be looked at; our choice
_SMALL = 0.01  # ... and below this nothing is said of it


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
            if self.response.source in YIELDS:
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
    if wanted.source in YIELDS and flow.points < LEAST_FOR_YIELD:
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


def _stresses(curve: Response, x: Array, y: Array) -> tuple[Array, Array]:
    """Rates [1/s, or rpm] in order and the stress [Pa] at each; readings of nothing are no points."""
    factor, is_viscosity = stress_unit(curve) or (1.0, False)
    good = (x > 0) & (y > 0)
    x, y = x[good], y[good]
    return x, y * factor * (x if is_viscosity else 1.0)


def _of_flow(flow: Flow, response: Response, ingredients: Sequence[Ingredient]) -> Taken:
    """The quantity a response asks of a fitted curve, in its unit.

    Where the readings bear no yield value, it is known only to be below what they leave open.
    """
    particle = particle_of(ingredients)
    if response.source in YIELDS:
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
