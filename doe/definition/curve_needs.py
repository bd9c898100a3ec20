"""What a quantity taken from a curve needs, known before anything is read: rates, units, facts of what settles."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from doe.definition.units import unit_factor, unit_key
from doe.problems import listed
from doe.trade.flow import LEAST_FOR_YIELD, LEAST_POINTS
from doe.trade.settling import particle_of

if TYPE_CHECKING:
    from doe.definition.parts import Ingredient, Response

# A hold margin is the yield value over what just holds the particle that moves fastest.
YIELDS = ("yield_value", "hold_margin")
_SPAN = 100.0  # highest rate over lowest, for a yield value to show; common practice, no source


def curve_problem(curve: Response, wanted: Response, ingredients: Sequence[Ingredient]) -> str:
    """Why `wanted` cannot be taken from `curve`, in words; "" if it can."""
    if curve.kind != "curve":
        return f"{curve.name} is no curve"
    if wanted.source == "settling_rate" and curve.against == "time":
        return ""
    if curve.against == "rpm" and wanted.source == "flow_index":
        return "" if stress_unit(curve) else f"{curve.name} is in {curve.unit or 'no unit'}, not in mPa.s, Pa.s or Pa"
    if curve.against != "shear rate":
        return f"{curve.name} is read against {curve.against}, not against shear rate in 1/s"
    if not stress_unit(curve):
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
    return LEAST_FOR_YIELD if wanted.source in YIELDS else LEAST_POINTS


def rates_problem(curve: Response, wanted: Response) -> tuple[str, str, str] | None:
    """What the rates a curve is read at do not give of `wanted`: what came, what is needed, what to do. None if fit."""
    need, rates = points_needed(curve, wanted), sorted(set(curve.rates))
    one = "time" if curve.against == "time" else "speed" if curve.against == "rpm" else "rate"
    allowed = f"{need} or more different {one}s"
    do = f"mend at of {curve.name}"
    if wanted.source in YIELDS:
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
    if wanted.source in YIELDS and rates[-1] < _SPAN * rates[0]:
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


def stress_unit(curve: Response) -> tuple[float, bool] | None:
    """What turns a reading into Pa or Pa.s, and whether it is a viscosity, to be multiplied by the rate."""
    viscosity, stress = unit_factor(curve.unit, "Pa.s"), unit_factor(curve.unit, "Pa")
    if viscosity is not None:
        return viscosity, True
    return None if stress is None else (stress, False)
