"""The formula card: weights for a batch of any size, phases, process, declaration, specs, cautions."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from doe import Study, Unavailable
from doe.problems import Problem
from optimise import Models
from reports import numbers, tables, wording
from reports.facts import Formula
from reports.gather_formula import formulas

CAUTIONS = (
    "Hot stages, acids and alkalis, preservatives and fragrance: follow each material's own data sheet.",
    "For assessment by a qualified safety assessor; local regulation and licensed practice decide on sale.",
    "Predicted from bench batches, not confirmed by this card; scale, lots and plant differ.",
)


def formula_card(study: Study, models: Models, levels: pd.DataFrame, name: str) -> Formula:
    """The formula of one row of levels, as facts."""
    (formula,) = formulas(study, models, levels.set_axis([name], axis=0))
    return formula


def declaration(study: Study, formula: Formula) -> tuple[tuple[str, float], ...]:
    """INCI names with their share in % of the product, in descending order, the same name summed over materials.

    An ingredient without an INCI name stands under its own name.
    """
    shares: dict[str, float] = {}
    for line in formula.lines:
        for inci, share in line.inci or ((line.name, 1.0),):
            shares[inci] = shares.get(inci, 0.0) + 100 * line.level / study.total * share
    return tuple(sorted(((n, s) for n, s in shares.items() if s > 0), key=lambda row: (-row[1], row[0])))


def document(study: Study, formula: Formula, batch_g: float) -> dict[str, Any]:
    """The card as plain data."""
    return {
        "formula": formula.name,
        "batch_g": batch_g,
        "lines": [
            {
                "name": line.name,
                "phase": line.phase,
                "level": line.level,
                "grams": line.level / study.total * batch_g,
                "tolerance": None if line.tolerance is None else list(line.tolerance),
            }
            for line in formula.lines
        ],
        "process": [{"name": s.name, "value": s.value, "unit": s.unit} for s in formula.settings],
        "steps": [step.does for step in study.steps],
        "declaration": [{"inci": n, "percent": s} for n, s in declaration(study, formula)],
        "specs": [
            {"name": s.spec.name, "unit": s.spec.unit, "method": s.spec.method, "asked": wording.asked(s.spec)}
            for s in formula.strips
        ],
        "chance_all": _plain(formula.chance),
        "cost_per_kg": _plain(formula.cost_per_kg),
        "cautions": list(CAUTIONS),
    }


def _plain(value: float | Unavailable) -> float | Mapping[str, str]:
    return value.to_dict() if isinstance(value, Unavailable) else value


def text(study: Study, formula: Formula, batch_g: float) -> str:
    """The card for the terminal."""
    out = [f"Formula {formula.name}  ({tables.clean(study.name)})", f"for a batch of {batch_g:g} g", ""]
    for phase, lines in formula.phases:
        out.append(f"Phase {tables.clean(phase)}" if phase else "Ingredients")
        for line in lines:
            grams = line.level / study.total * batch_g
            level = numbers.level(line.level, line.step, study.total)
            out.append(f"  {tables.clean(line.name):<24} {level:>9} {study.unit:<7} {grams:>12.2f} g")
    for setting in formula.settings:
        out.append(f"  {tables.clean(setting.name):<24} {_setting(setting.value):>9} {tables.clean(setting.unit)}")
    if study.steps:
        out += ["", "Making"] + [f"  {i}. {tables.clean(step.does)}" for i, step in enumerate(study.steps, 1)]
    names = [inci for inci, share in declaration(study, formula)]
    out += ["", "Declaration (descending; below 1 % the order is free)", "  " + ", ".join(map(tables.clean, names))]
    out += ["", "Specs"]
    for strip in formula.strips:
        method = f"  ({tables.clean(strip.spec.method)})" if strip.spec.method else ""
        out.append(f"  {tables.clean(strip.spec.name):<16} {wording.asked(strip.spec)}{method}")
    chance = formula.chance
    says = f"not available: {chance.reason}" if isinstance(chance, Unavailable) else numbers.percent(chance)
    out += ["", f"Predicted chance that one new batch passes every must: {says}", ""]
    out += [f"- {line}" for line in CAUTIONS]
    return "\n".join(out)


def _setting(value: float | str) -> str:
    return f"{value:g}" if isinstance(value, float) else tables.clean(value)


def outside(formula: Formula) -> tuple[Problem, ...]:
    """A finding when the formula lies outside what was tried."""
    if formula.inside is not False:
        return ()
    got = "lies outside what was tried"
    return (
        Problem("outside", "warn", f"formula {formula.name}", got, "inside", "make batches there before relying on it"),
    )
