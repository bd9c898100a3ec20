"""The facts of a material that checks of the trade rest on: read, put into one form, looked over for slips of units.

`acid` becomes a table of name, pka and factor (grams of acid in a gram as supplied; absent where only the acid is
named, and the INCI name tells), shares become fractions.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from doe.definition.checks import Notes, fraction, is_number, shown
from doe.definition.ruletokens import normalised
from doe.trade.acids import ACIDS, acid_by_name

_SHARES = ("natural_share", "solids", "lot_sd")
_ACID_KEYS = ("name", "pka", "acid_g_mol", "salt_g_mol", "acids")
_PAIRS = (("ph_low", "ph_high"), ("use_low", "use_high"), ("d50_um", "d90_um"))
_FORM = "{ name = ..., pka = ..., acid_g_mol = ..., salt_g_mol = ... }"


def read_facts(given: Mapping[str, Any], where: str, notes: Notes, base: Mapping[str, Any] | None) -> Mapping[str, Any]:
    """The facts of one table in their one form, over those of `base`; what cannot be right goes to `notes`."""
    facts: dict[str, Any] = dict(base or {})
    for key, value in given.items():
        if key in _SHARES:
            facts[key] = fraction(value)
        elif key == "allergens":
            facts[key] = _allergens(value, f"{where}, allergens", notes)
        elif key == "acid":
            acid = _acid(value, f"{where}, acid", notes)
            facts |= {} if acid is None else {key: acid}
        else:
            facts[key] = value
    for first, second in _PAIRS:
        if first in facts and second in facts and facts[first] > facts[second]:
            got = f"{first} {facts[first]:g} is above {second} {facts[second]:g}"
            notes.stop("low-above-high", where, got, f"{first} <= {second}", "swap them, or mend one")
    if facts.get("d90_um", facts.get("d50_um", 1.0)) < 1.0 and "density" in facts:
        got = f"particles of {facts.get('d90_um', facts.get('d50_um')):g} micrometres"
        notes.add("particle-size", "warn", where, got, "sizes in micrometres", "check the unit: 0.5 mm is 500")
    return MappingProxyType(facts)


def shares_of(table: Mapping[str, Any], where: str, notes: Notes, do: str) -> dict[str, float]:
    """Names with their shares, each from 0 to 1; what is none is noted, with what to `do`, and left out."""
    shares = {}
    for name, value in table.items():
        share = fraction(value)
        if share is None or not 0 <= share <= 1:
            notes.stop("wrong-type", where, f"{name} = {shown(value)}", "a fraction from 0 to 1", do)
        else:
            shares[normalised(str(name))] = share
    return shares


def _allergens(table: Mapping[str, Any], where: str, notes: Notes) -> Mapping[str, float]:
    shares = shares_of(table, where, notes, 'write 0.05, or "5 %": its share of this material as supplied')
    if sum(shares.values()) > 1 + 1e-6:
        got = f"shares add up to {sum(shares.values()):g}"
        notes.stop("shares-above-one", where, got, "at most 1", "mend the shares; are they in %?")
    return MappingProxyType(shares)


def _acid(value: Any, where: str, notes: Notes) -> Mapping[str, Any] | None:
    """A preservative acid as {name, pka, factor} from its name or a table; None, with a problem, for anything else."""
    if isinstance(value, str):
        found = acid_by_name(value)
        if found is None:
            do = f"write one of these, an INCI name of one, or {_FORM}"
            notes.stop("unknown-word", where, f"came {shown(value)}", "one of " + ", ".join(ACIDS), do)
            return None
        acid, factor = found
        form = {} if value.strip().casefold() in ACIDS else {"factor": factor}
        return MappingProxyType({"name": acid.name, "pka": acid.pka, **form})
    strange = [key for key in value if key not in _ACID_KEYS]
    numbers = {key: value[key] for key in _ACID_KEYS[1:] if key in value}
    wrong = [key for key, number in numbers.items() if not is_number(number) or number <= 0]
    known = ACIDS.get(str(value.get("name", "")).casefold())
    if (
        strange
        or wrong
        or (known is None and "pka" not in numbers)
        or ("salt_g_mol" in numbers) != ("acid_g_mol" in numbers)
    ):
        notes.stop(
            "wrong-type", where, f"came {shown(dict(value))}", _FORM, "give numbers above 0, both masses or none"
        )
        return None
    form = {}
    if "salt_g_mol" in numbers:
        form["factor"] = float(numbers.get("acids", 1) * numbers["acid_g_mol"] / numbers["salt_g_mol"])
    factor = form.get("factor", 1.0)
    if factor > 1 + 1e-9:
        got = f"{factor:.3g} g of acid from 1 g of it"
        notes.stop("acid-factor", where, got, "at most 1", "acid_g_mol is the acid's molar mass, salt_g_mol the salt's")
    pka = float(numbers["pka"]) if "pka" in numbers else known.pka if known else 0.0
    name = known.name if known is not None else normalised(str(value.get("name", "its acid")))
    return MappingProxyType({"name": name, "pka": pka, **form})
