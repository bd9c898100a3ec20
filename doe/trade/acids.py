"""Organic acids used as preservatives: how much acid their salts bring, and how much of it is undissociated at a pH."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from types import MappingProxyType
from typing import Any

import numpy as np
import numpy.typing as npt

from doe.definition.parts import Ingredient

Array = npt.NDArray[np.float64]


def data_file(name: str) -> dict[str, Any]:
    """A data file of this folder."""
    return tomllib.loads(files("doe.trade").joinpath(name).read_text(encoding="utf-8"))


@dataclass(frozen=True, slots=True)
class Acid:
    """An acid by name and INCI name: pKa at 25 C, and `forms` by INCI name with the grams of acid in a gram of each."""

    name: str
    inci: str
    pka: float
    forms: Mapping[str, float]
    source: str


def _read() -> dict[str, Acid]:
    out = {}
    for row in data_file("preservative_acids.toml")["acid"]:
        mass = float(row["molar_mass"])
        forms = {salt["inci"]: salt.get("acids", 1) * mass / float(salt["molar_mass"]) for salt in row["salts"]}
        both = MappingProxyType({row["inci"]: 1.0, **forms})
        out[row["name"]] = Acid(row["name"], row["inci"], float(row["pka"]), both, row["source"])
    return out


ACIDS: Mapping[str, Acid] = MappingProxyType(_read())
_BY_INCI = {inci.casefold(): (acid, factor) for acid in ACIDS.values() for inci, factor in acid.forms.items()}


def acid_by_name(text: str) -> tuple[Acid, float] | None:
    """The acid that a word means, with its factor: its own name, or the INCI name of the acid or of a salt."""
    key = " ".join(text.split()).casefold()
    if key in ACIDS:
        return ACIDS[key], 1.0
    return _BY_INCI.get(key)


def undissociated(ph: npt.ArrayLike, pka: float) -> Array:
    """The share of a weak acid that is undissociated at a pH, 1 / (1 + 10^(pH - pKa)), 0..1, of the shape of `ph`.

    Henderson and Hasselbalch, with concentrations for activities: an index of what may work, no more.
    """
    with np.errstate(over="ignore"):
        share: Array = 1.0 / (1.0 + 10.0 ** (np.asarray(ph, dtype=float) - pka))
    return share


def acids_of(item: Ingredient, active: Mapping[str, float]) -> tuple[tuple[str, float, float], ...]:
    """The preservative acids of a material as (name, pKa, grams of acid in a gram as supplied).

    As its fact `acid` says, else as the INCI names of its `active` part tell. Where the fact names an acid and no
    masses, and the INCI name is that of one of its salts, the salt's molar mass counts.
    """
    given = item.facts.get("acid")
    if given is not None:
        name, factor = str(given["name"]), given.get("factor")
        own = ACIDS[name].forms if factor is None and name in ACIDS else {}
        spelt = {form.casefold(): grams for form, grams in own.items()}
        told = [share * spelt[inci.casefold()] for inci, share in active.items() if inci.casefold() in spelt]
        brings = sum(told) if told else (1.0 if factor is None else float(factor)) * item.assay
        return ((name, float(given["pka"]), brings),)
    found: dict[str, tuple[float, float]] = {}
    for inci, share in active.items():
        known = _BY_INCI.get(inci.casefold())
        if known is not None:
            acid, factor = known
            found[acid.name] = (acid.pka, found.get(acid.name, (0.0, 0.0))[1] + share * factor)
    return tuple((name, pka, share) for name, (pka, share) in found.items())
