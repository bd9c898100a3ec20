"""What is taken from the curve of each batch: yield value, consistency, flow index, low-shear viscosity, settling rate.

A batch's curve is all its readings of one response, each at the `speed` that stands beside it. What is taken from it
is one value a batch, seen by fits like any measured response; it is worked out anew each time and never stored.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.cells import unit_factor, unit_key
from doe.flow import LEAST_POINTS, Flow, fit_flow
from doe.levels import listed
from doe.problems import Problem
from doe.resultset import UNUSED_FLAGS, Results
from doe.settling import particle_of, stokes_velocity

if TYPE_CHECKING:
    from doe.parts import Ingredient, Response
    from doe.study import Study

Array = npt.NDArray[np.float64]
Taken = tuple[float, str, float]  # value, bound, relative standard error (NaN where unknown)
_FLOW = ("yield_value", "consistency", "flow_index", "low_shear_viscosity")
_MM_PER_DAY = 1000.0 * 86400.0  # in one m/s
_UNCERTAIN = 0.3  # a relative standard error above this is said; our choice


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
    base = {"yield_value": "Pa", "low_shear_viscosity": "Pa.s"}.get(str(wanted.source))
    if base is not None and unit_factor(base, wanted.unit) is None:
        return f"{wanted.name} is in {wanted.unit or 'no unit'}, and {wanted.source} is in {base} or the like"
    return ""


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
    points, lost = _points(results, study.response(response.of))
    rows: dict[str, tuple[float, str, float, int, float]] = {}
    laws: dict[str, list[str]] = {}
    few: list[str] = []
    errors: dict[str, float] = {}
    far: list[str] = []
    for batch in [str(b) for b in results.usable if str(b) in points]:
        x, y = points[batch]
        if response.source == "settling_rate" and study.response(response.of).against == "time":
            taken = _slope(x, y)
        else:
            flow = _flow(study.response(response.of), x, y)
            taken = None if flow is None else _of_flow(flow, response, study.ingredients)
            if flow is not None:
                laws.setdefault(flow.law, []).append(batch)
            if flow is not None and response.rates and response.rates[0] < flow.lowest_rate:
                far.append(batch)
        if taken is None:
            few.append(batch)
            continue
        rows[batch] = (taken[0], taken[1], float("nan"), 1, float("nan"))
        errors[batch] = taken[2]
    frame = pd.DataFrame(
        list(rows.values()),
        index=pd.Index(list(rows), name="batch", dtype=object),
        columns=["value", "bound", "value_to", "n_readings", "reading_sd"],
    ).astype({"value": float, "bound": object, "value_to": float})
    joined = frame.join(results.batches[["trial", "block", "whole_plot", "order", "replicate_group"]])
    return joined, (*_left_out(response, lost), *_said(response, laws, few, errors, far))


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


def _flow(curve: Response, x: Array, y: Array) -> Flow | None:
    how = _as_stress(curve)
    good = (x > 0) & (y > 0)
    if how is None or not good.any():
        return None
    x, y = x[good], y[good]
    return fit_flow(x, y * how[0] * (x if how[1] else 1.0))


def _of_flow(flow: Flow, response: Response, ingredients: Sequence[Ingredient]) -> Taken:
    """The quantity a response asks of a fitted curve, in its unit.

    Where the readings bear no yield value, it is known only to be below what they leave open.
    """
    if response.source == "yield_value":
        factor = unit_factor("Pa", response.unit) or 1.0
        if flow.yield_value == 0.0:
            return flow.yield_below * factor, "below", float("nan")
        return flow.yield_value * factor, "none", flow.sd["yield_value"] / flow.yield_value
    if response.source == "low_shear_viscosity":
        return flow.viscosity(response.rates[0]) * (unit_factor("Pa.s", response.unit) or 1.0), "none", float("nan")
    particle = particle_of(ingredients)
    if response.source == "settling_rate" and particle is not None:
        speed = abs(stokes_velocity(*particle, flow.viscosity(response.rates[0])))
        return speed * _MM_PER_DAY, "none", float("nan")
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


def _left_out(response: Response, lost: Mapping[str, int]) -> list[Problem]:
    if not lost:
        return []
    got = f"points of {response.of} left out: " + listed([f"{n} of {batch}" for batch, n in lost.items()])
    do = "a bound is no point of a curve; write the speed as a number beside each reading"
    return [Problem("curve-points", "warn", response.name, got, "a number at a number", do)]


def _said(
    response: Response, laws: dict[str, list[str]], few: Sequence[str], errors: dict[str, float], far: Sequence[str]
) -> list[Problem]:
    said = []
    where, curve = response.name, response.of
    if laws:
        parts = "; ".join(f"{law} in {len(batches)} ({listed(batches)})" for law, batches in sorted(laws.items()))
        got = f"{curve} fitted batch by batch, the law by AICc: {parts}"
        extra = "; where no yield value shows, it counts as below what the readings leave open"
        said.append(Problem("curve-law", "inform", where, got + (extra if response.source == "yield_value" else ""),
                            "", "an apparent value of the fitted law, within the rates read"))  # fmt: skip
    if few:
        least = 2 if response.source == "settling_rate" else LEAST_POINTS
        said.append(Problem("curve-short", "warn", where, f"{curve} has too few points in " + listed(list(few)),
                            f"readings at {least} speeds or times", "left out of the fit; read the rest"))  # fmt: skip
    if far:
        got = f"{response.rates[0]:g} 1/s is below the lowest rate read in " + listed(list(far))
        do = "read lower, or take it at a rate that is read"
        said.append(Problem("curve-outside", "warn", where, got, "a rate within the curve", do))
    loose = [f"{batch} {100 * e:.0f} %" for batch, e in errors.items() if e == e and e > _UNCERTAIN]
    if loose:
        said.append(Problem("curve-uncertain", "warn", where, "standard error of the curve's own fit: " + listed(loose),
                            f"up to {100 * _UNCERTAIN:.0f} %", "each batch still counts once, with equal weight; "
                            "read more speeds for these"))  # fmt: skip
    return said
