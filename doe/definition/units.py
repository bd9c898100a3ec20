"""Units as people spell them, and how many of one make another."""

from __future__ import annotations

import re

from doe.definition.celltext import tidy

# Every unit as (what it measures, how many of the base unit it is). SI prefixes and definitions;
# 1 P = 0.1 Pa.s and so 1 cP = 1 mPa.s by definition of the poise.
UNITS: dict[str, tuple[str, float]] = {
    "mPas": ("viscosity", 1e-3), "mpas": ("viscosity", 1e-3), "cP": ("viscosity", 1e-3), "cp": ("viscosity", 1e-3),
    "cps": ("viscosity", 1e-3), "cPs": ("viscosity", 1e-3), "centipoise": ("viscosity", 1e-3),
    "Pas": ("viscosity", 1.0), "P": ("viscosity", 0.1), "poise": ("viscosity", 0.1), "dPas": ("viscosity", 0.1),
    "Pa": ("pressure", 1.0), "mPa": ("pressure", 1e-3), "kPa": ("pressure", 1e3), "hPa": ("pressure", 1e2),
    "MPa": ("pressure", 1e6), "bar": ("pressure", 1e5), "mbar": ("pressure", 1e2),
    "kg": ("mass", 1e3), "g": ("mass", 1.0), "mg": ("mass", 1e-3), "ug": ("mass", 1e-6),
    "m": ("length", 1.0), "cm": ("length", 1e-2), "mm": ("length", 1e-3), "um": ("length", 1e-6),
    "nm": ("length", 1e-9),
    "h": ("time", 3600.0), "hr": ("time", 3600.0), "min": ("time", 60.0), "s": ("time", 1.0), "sec": ("time", 1.0),
    "day": ("time", 86400.0), "days": ("time", 86400.0), "d": ("time", 86400.0), "week": ("time", 604800.0),
    "weeks": ("time", 604800.0),
    "L": ("volume", 1.0), "l": ("volume", 1.0), "mL": ("volume", 1e-3), "ml": ("volume", 1e-3),
    "g/mL": ("density", 1e3), "g/ml": ("density", 1e3), "g/cm3": ("density", 1e3), "kg/m3": ("density", 1.0),
    "N": ("force", 1.0), "mN": ("force", 1e-3),
    "fraction": ("share", 1.0), "%": ("share", 0.01), "%w/w": ("share", 0.01), "ppm": ("share", 1e-6),
    "C": ("temperature", 1.0), "degC": ("temperature", 1.0),
}  # fmt: skip


def unit_key(unit: str) -> str:
    """A unit without the marks that people write in several ways: `mPa·s`, `mPa.s`, `mPa s` are one."""
    key = tidy(unit).replace("°", "").replace("µ", "u").replace("μ", "u").replace("³", "3").replace("²", "2")
    key = key.replace("⋅", "").replace("·", "").replace("*", "").replace(" ", "")
    return re.sub(r"(?<=[A-Za-z])\.(?=[A-Za-z])", "", key)


def unit_factor(typed: str, wanted: str) -> float | None:
    """What turns a number in unit `typed` into one in unit `wanted`; None if they measure different things."""
    first, second = unit_key(typed), unit_key(wanted)
    if first == second:
        return 1.0
    if {first, second} <= {"%", "%w/w"}:
        return 1.0
    one, other = UNITS.get(first), UNITS.get(second)
    if one is None or other is None or one[0] != other[0]:
        return None
    return one[1] / other[1]


def same_unit(first: str, second: str) -> bool:
    """Whether two spellings name the same unit, with no conversion between them."""
    return unit_factor(first, second) == 1.0
