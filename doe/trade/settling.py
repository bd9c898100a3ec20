"""What makes particles move in a liquid: the force of a centrifuge, and the speed of settling or creaming."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from doe.definition.kinds import is_water
from doe.definition.parts import Ingredient

Array = npt.NDArray[np.float64]

RCF_PER_CM_RPM2 = 1.118e-5  # relative centrifugal force of 1 cm at 1 rpm: 4 pi^2 / (3600 * 980.665), rounded
GRAVITY = 9.80665  # m/s2, standard gravity (CGPM 1901, from memory)
WATER_DENSITY = 0.998  # g/ml at 20 C; from memory, any handbook
# Critical yield number 2 pi R^2 tau_y / F of a sphere in a Bingham fluid, F its net weight: Beris et al. (1985).
YIELD_NUMBER = 0.143

_RPM = re.compile(r"([0-9]+(?:[.,][0-9]+)?)\s*(?:rpm|1/min|min-1|/min)", re.IGNORECASE)
_FORCE = re.compile(
    r"([0-9]+(?:[.,][0-9]+)?)\s*(?:[x×]\s*g\b|rcf\b)|\brcf\s*(?:of|=|:)?\s*([0-9]+(?:[.,][0-9]+)?)", re.IGNORECASE
)
_RADIUS = re.compile(r"\b(?:r|radius)\s*=?\s*(?:of\s*)?([0-9]+(?:[.,][0-9]+)?)\s*(cm|mm)\b", re.IGNORECASE)


def relative_centrifugal_force(radius_cm: float, rpm: float) -> float:
    """The force of a centrifuge in multiples of gravity, 1.118e-5 r n^2, r in cm and n in revolutions a minute.

    Angular speed squared times radius over standard gravity; the constant is the usual rounded one.
    """
    return RCF_PER_CM_RPM2 * radius_cm * rpm**2


def centrifuge_of(method: str) -> tuple[float | None, float | None] | None:
    """Radius [cm] and speed [1/min] that a method names, each None where it does not; None if it is no centrifuge."""
    if "centrifug" not in method.casefold():
        return None
    radius, speed = _RADIUS.search(method), _RPM.search(method)
    cm = None
    if radius:
        cm = float(radius[1].replace(",", ".")) / (10.0 if radius[2].casefold() == "mm" else 1.0)
    return cm, float(speed[1].replace(",", ".")) if speed else None


def force_of(method: str) -> float | None:
    """The force that a method names in multiples of gravity, as `1000 x g`, `RCF 1000`; None where it names none."""
    found = _FORCE.search(method)
    return float((found[1] or found[2]).replace(",", ".")) if found else None


def speed_of(method: str) -> float | None:
    """The one speed [1/min] that a method names; None where it names none or several."""
    found = {float(text.replace(",", ".")) for text in _RPM.findall(method)}
    return found.pop() if len(found) == 1 else None


def particle_of(ingredients: Sequence[Ingredient]) -> tuple[float, float] | None:
    """Diameter [m] and density difference to the fill [kg/m3] of the particle that moves fastest, largest size first.

    From density [g/ml] of the fill (water's is known) and of each ingredient with a particle size (d90_um, else
    d50_um); None where none has both, or none differs from the fill. Below 0 it rises.
    """
    known = (i.facts.get("density", WATER_DENSITY if is_water(i) else None) for i in ingredients if i.role == "fill")
    base = next(known, None)
    if base is None:
        return None
    found = [
        (1e-6 * float(i.facts.get("d90_um", i.facts.get("d50_um", 0.0))), 1000.0 * (float(i.facts["density"]) - base))
        for i in ingredients
        if "density" in i.facts and ("d90_um" in i.facts or "d50_um" in i.facts) and i.facts["density"] != base
    ]
    return max(found, key=lambda one: one[0] ** 2 * abs(one[1]), default=None)


def stokes_velocity(diameter_m: float, density_difference: float, viscosity_pa_s: float) -> float:
    """Speed [m/s] of a lone sphere in creeping flow, d^2 drho g / (18 eta); drho in kg/m3, above 0 it sinks.

    Stokes (1851), from memory. It needs the viscosity at the very low shear of settling, and holds for small Reynolds
    numbers and few particles.
    """
    return diameter_m**2 * density_difference * GRAVITY / (18.0 * viscosity_pa_s)


def yield_to_hold(diameter_m: float, density_difference: npt.ArrayLike) -> Array:
    """Least yield value [Pa] that holds a lone sphere in a Bingham fluid at rest: 0.143/3 |drho| g d, about a 21st.

    Beris, Tsamopoulos, Armstrong & Brown (1985), J. Fluid Mech. 158, 219-244: the sphere is held where
    2 pi R^2 tau_y / F >= 0.143, with F = 4/3 pi R^3 |drho| g. drho in kg/m3, of any shape; no safety in it.
    """
    size: Array = YIELD_NUMBER / 3.0 * np.abs(np.asarray(density_difference, dtype=float)) * GRAVITY * diameter_m
    return size
