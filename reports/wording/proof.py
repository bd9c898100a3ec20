"""What a proof says, in words: that no recipe does better, or that what is asked cannot be met together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import ceil, floor, log10
from typing import TYPE_CHECKING, Any

from doe.study import Study
from reports.numbers import THIN, beside, figure, listed, percent, plain, with_unit
from reports.wording import grades
from reports.wording.levels import in_one_line

if TYPE_CHECKING:
    from reports.facts import Formula

_ONLY = 0.9995
_ALIKE = 0.02
_WIDE = 0.05  # a gap beyond this is not much of a proof, and is not led with


def bound(certificate: Mapping[str, Any]) -> str:
    """What is known of every other recipe; "" where there is no value to be better than."""
    value, upper = certificate.get("value"), certificate.get("upper_bound")
    if not isinstance(value, int | float) or not isinstance(upper, int | float):
        return ""
    held = list(certificate.get("held", ()))
    if held and not certificate.get("boxes"):
        return ""  # one recipe was looked at; nothing is said of others
    if certificate.get("beside"):
        return (
            "Only the places nearest to what was tried were looked at: how much better another could be is not known."
        )
    where = "in the tried region" if certificate.get("fenced", True) else "within the limits"
    where = f"{where} with this {listed(held)}" if held else where
    chance = certificate["objective"] == "chance"
    # A bound is rounded up, or it would be none: near 1 to one digit more.
    digits = 2 if chance and ceil(upper * 1000 - 1e-9) >= 1000 else 1
    most = ceil(upper * 10 ** (digits + 2) - 1e-9) / 10 ** (digits + 2)
    if most >= 1 and value <= _ONLY - certificate["target"]:
        if not chance or value < 1 - _WIDE:
            return f"Found by many starts {where}; how much better another recipe there could be is not proved."
        spare = f"{figure(100 * (1 - value), digits=2)} points"
        return f"Found by many starts {where}. Beyond 100{THIN}% there is nothing: none is better by more than {spare}."
    if chance:
        said = f"no recipe {where} passes more often than {percent(most, digits)} in these models"
        if most >= 1 and value > _ONLY - certificate["target"]:
            said = f"no recipe {where} can pass more often in these models"
        step = f"{plain(100 * certificate['target'], 1)} points"
        gap = f"{figure(100 * (most - value), digits=2)} points"
    else:
        said = f"no recipe {where} has a desirability above {plain(most, 3)} in these models"
        step, gap = plain(certificate["target"], 3), figure(most - value, digits=2)
    if certificate["proved"]:
        return f"Proved: {said}, so none is better than this one by more than {step}."
    if upper - value > _WIDE:
        return f"Found by many starts {where}. All that is proved of others: {said}."
    if certificate.get("finished"):
        room = "levels between weighable steps" + (" and for responses of a batch that go together" if chance else "")
        return (
            f"Proved: {said}. This formula lies {gap} below that, which no longer look narrows: it allows for {room}."
        )
    return f"Proved: {said}. This formula lies {gap} below that; whether another lies between is open."


def centres(responses: Mapping[str, Mapping[str, Any]], formula: Formula | None) -> str:
    """Where a search by desirability takes other centres than are predicted of a formula, what these are; "" elsewhere.

    `responses` are what the search says of each.
    """
    told = []
    for strip in () if formula is None else formula.strips:
        entry = responses.get(strip.spec.name, {})
        own = strip.predicted
        if "centre_from" in entry and isinstance(entry["predicted"], float) and isinstance(own, float):
            error = (entry["prediction"][1] - entry["prediction"][0]) / 4
            here, there = (grades.one(strip.spec, v, error, strip.spec.unit) for v in (own, entry["predicted"]))
            told += [f"{strip.spec.name} {there}"] if here != there else []
    if not told:
        return ""
    return (
        "Predicted is the average over models. Desirability is defined on the least squares of the planned models, by"
        f" which optimise and the trade-offs show this formula: {listed(told)}."
    )


def clash(study: Study, entries: Sequence[Mapping[str, Any]]) -> tuple[str, ...]:
    """Which musts cannot be met together; then of each, how far it is reached and what it would have to give.

    A sentence each; none where there is no clash.
    """
    if not entries:
        return ()
    names = [str(entry["response"]) for entry in entries]
    if entries[0].get("proved"):
        where = "in the tried region" if entries[0].get("fenced", True) else "within the limits"
        said = f"Proved: in these models {together(names)} by any recipe {where}"
    else:
        said = f"As far as was searched, {together(names)}; that is not proved"
    said += (
        "; with any one of them left out, the rest can." if len(set(names)) > 1 and entries[0].get("minimal") else "."
    )
    return said, *(_reached(study, entry, len(entries)) for entry in entries)


def together(names: Sequence[str]) -> str:
    """That these musts cannot be met together, or that one cannot be met at all."""
    every = list(dict.fromkeys(names))
    return f"{listed(every)} cannot be met together" if len(every) > 1 else f"{every[0]} cannot be met"


def _reached(study: Study, entry: Mapping[str, Any], count: int) -> str:
    name, side = str(entry["response"]), "at least" if entry["side"] == "low" else "at most"
    unit = next((r.unit for r in study.responses if r.name == name), "")
    asked, reached = (with_unit(figure(entry[key], digits=4), unit) for key in ("limit", "reached"))
    others = " while the others hold" if count > 1 else ""
    out = f"{name}: {side} {asked} is asked, {reached} is the best that is reached{others}"
    change = entry.get("change")
    if change is None:
        return f"{out}; moving this limit alone is not enough."
    moved = f"moving this limit by {with_unit(_enough(abs(change)), unit)} would do"
    if abs(change - (entry["reached"] - entry["limit"])) <= _ALIKE * abs(change):
        return f"{out}; {moved}."
    whole = with_unit(figure(entry["limit"] + change, digits=4), unit)
    return f"{out}, and {whole} with every other must met as well; {moved}."


def _enough(change: float) -> str:
    """A change to two digits, rounded up: a smaller one would not do."""
    place = 10.0 ** (floor(log10(change)) - 1) if change > 0 else 1.0
    return figure(ceil(change / place * (1 - 1e-9)) * place, digits=2)


def _predicted(study: Study, name: str, value: float) -> str:
    """A value told apart from the limits of its response; what a check of the trade asks is no response."""
    spec = next((response for response in study.responses if response.name == name), None)
    if spec is None:
        return figure(value, digits=4)
    if grades.named(spec) or spec.kind == "pass":
        return grades.one(spec, value)
    return with_unit(beside(value, (spec.low, spec.high), digits=3), spec.unit)


def closest(study: Study, found: Mapping[str, Any]) -> str:
    """The recipe that comes nearest to all musts, and what it is predicted to give; "" for none."""
    if not found:
        return ""
    values = [f"{name} {_predicted(study, name, value)}" for name, value in found["responses"].items()]
    return f"Closest to all of them: {in_one_line(study, found['levels'])}; predicted {', '.join(values)}."
