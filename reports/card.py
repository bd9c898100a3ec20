"""The formula card: weights for a batch of any size, phases, process, declaration, specs, cautions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd

from doe import Study, Unavailable
from doe.parts import Step
from doe.problems import Problem
from optimise import Models
from reports import numbers, tables, wording
from reports.facts import Formula
from reports.gather_formula import confirmed_words, formulas

CAUTIONS = (
    "Bench batches stand behind this card; scale, lots and plant differ.",
    "Hot stages, acids and alkalis, preservatives and fragrance: follow each material's own data sheet.",
    "For assessment by a qualified safety assessor; local regulation and licensed practice decide on sale.",
)
_FREE_BELOW = 1.0  # % of the product: EU 1223/2009 Art. 19 lets names below it stand in any order (from memory)


def formula_card(
    study: Study, models: Models, levels: pd.DataFrame, name: str, verdict: Mapping[str, Any] | None = None
) -> Formula:
    """The formula of one row of levels, as facts; `verdict` is what its confirmation batches said, if any."""
    (formula,) = formulas(study, models, levels.set_axis([name], axis=0))
    return replace(formula, confirmed=confirmed_words(verdict))


def write_card(path: str | Path, study: Study, formula: Formula, batch_g: float, results_digest: str = "") -> None:
    """Write the card as one self-contained HTML page that prints on one or two sheets.

    `results_digest` is that of the results it rests on, printed for `verify`.
    """
    from reports.page import card_page

    Path(path).write_text(card_page(study, formula, batch_g, results_digest), encoding="utf-8", newline="\n")


def declaration(study: Study, formula: Formula) -> tuple[tuple[str, float], ...]:
    """INCI names with their share in % of the product, in descending order, the same name summed over materials.

    An ingredient without an INCI name stands under its own name.
    """
    shares: dict[str, float] = {}
    for line in formula.lines:
        for inci, share in line.inci or ((line.material or line.name, 1.0),):
            shares[inci] = shares.get(inci, 0.0) + 100 * line.level / study.total * share
    return tuple(sorted(((n, s) for n, s in shares.items() if s > 0), key=lambda row: (-row[1], row[0])))


def declared(study: Study, formula: Formula) -> str:
    """The declaration as one line; names below 1 %, whose order is free, stand after a sign."""
    rows = declaration(study, formula)
    above = [name for name, share in rows if share >= _FREE_BELOW]
    below = [name for name, share in rows if share < _FREE_BELOW]
    return "; below 1 %: ".join(", ".join(part) for part in (above, below) if part)


def making(step: Step) -> str:
    """One step of making with its temperature, time, speed and gate."""
    said = [step.does]
    if step.temp_c is not None:
        low, high = step.temp_c
        said.append(f"{low:g} C" if low == high else f"{low:g} to {high:g} C")
    said += [f"{step.minutes:g} min"] if step.minutes is not None else []
    said += [f"{step.rpm:g} rpm"] if step.rpm is not None else []
    said += [f"hold {step.hold_min:g} min"] if step.hold_min is not None else []
    said += [f"go on when: {step.gate}"] if step.gate else []
    return "; ".join(said)


def document(study: Study, formula: Formula, batch_g: float) -> dict[str, Any]:
    """The card as plain data."""
    return {
        "formula": formula.name,
        "confirmed": formula.confirmed,
        "breaks": list(formula.broken),
        "batch_g": batch_g,
        "lines": [
            {
                "name": line.name,
                **({"material": line.material} if line.material else {}),
                "phase": line.phase,
                "level": line.level,
                "grams": line.level / study.total * batch_g,
                "tolerance": None if line.tolerance is None else list(line.tolerance),
            }
            for line in formula.lines
        ],
        "process": [{"name": s.name, "value": s.value, "unit": s.unit} for s in formula.settings],
        "steps": [making(step) for step in study.steps],
        "declaration": [{"inci": n, "percent": s} for n, s in declaration(study, formula)],
        "specs": [
            {
                "name": s.spec.name,
                "unit": s.spec.unit,
                "method": s.spec.method,
                "asked": wording.asked(s.spec),
                "predicted": _plain(s.predicted),
            }
            for s in formula.strips
        ],
        "chance_all": _plain(formula.chance),
        "cost_per_kg": _plain(formula.cost_per_kg),
        "cost_per_pack": formula.cost_per_kg * formula.pack_g / 1000
        if isinstance(formula.cost_per_kg, float) and formula.pack_g is not None
        else _plain(Unavailable("no pack_g or no prices are given", "add pack_g to [study]")),
        "cautions": list(CAUTIONS),
    }


def _plain(value: float | Unavailable) -> float | Mapping[str, str]:
    return value.to_dict() if isinstance(value, Unavailable) else value


def grams_of(study: Study, formula: Formula, batch_g: float) -> dict[str, str]:
    """The weight of each line, to the finest balance."""
    return {line.name: numbers.grams(line.level / study.total * batch_g, formula.balance_g) for line in formula.lines}


def standing(formula: Formula) -> str:
    """The word that tells a predicted formula from a confirmed one."""
    return "confirmed" if formula.confirmed else "predicted"


def chance_line(formula: Formula) -> str:
    """The chance in words, or why there is none."""
    if isinstance(formula.chance, Unavailable):
        return f"Predicted chance that one new batch passes every must: not available, {formula.chance.reason}"
    often = numbers.batches_in_words(formula.chance)
    return f"Predicted chance that one new batch passes every must: {numbers.percent(formula.chance)}, {often}"


def text(study: Study, formula: Formula, batch_g: float) -> str:
    """The card for the terminal."""
    weights = grams_of(study, formula, batch_g)
    out = [f"Formula {tables.clean(formula.name)} of {tables.clean(study.name)}, {standing(formula)}"]
    if formula.lines:
        out[0] += f", for a batch of {numbers.exactly(batch_g)} g"
    out += [tables.wrapped(f"{note.level}: {note.got}; {note.do}", indent="  ") for note in notes(formula)]
    rows = [
        [f"  {line.label}", numbers.level(line.level, line.step, study.total), study.unit, weights[line.name], "g",
         "to weight" if line.role == "fill" else ""]
        for _, lines in formula.phases
        for line in lines
    ]  # fmt: skip
    printed = iter(tables.aligned(rows, right=(1, 3)).splitlines())
    for phase, lines in formula.phases:
        out += ["", f"Phase {tables.clean(phase)}" if phase else "Ingredients", *(next(printed) for _ in lines)]
    if formula.settings:
        settings = [[f"  {s.name}", _setting(s.value), s.unit] for s in formula.settings]
        out += ["", "Process", tables.aligned(settings, right=(1,))]
    if study.steps:
        out += ["", "Making"] + [
            tables.wrapped(f"  {i}. {making(s)}", indent="     ") for i, s in enumerate(study.steps, 1)
        ]
    if formula.lines:
        out += ["", "Declaration, descending; the order below 1 % is free"]
        out.append(tables.wrapped(f"  {declared(study, formula)}", indent="  "))
    specs = [
        [f"  {s.spec.name}", wording.asked(s.spec), wording.predicted_short(s), s.spec.method] for s in formula.strips
    ]
    out += ["", "Specs", tables.aligned(specs, most=60), "", chance_line(formula), ""]
    return "\n".join([*out, *(f"- {line}" for line in CAUTIONS)])


def _setting(value: float | str) -> str:
    return numbers.exactly(value) if isinstance(value, float) else tables.clean(value)


def notes(formula: Formula) -> tuple[Problem, ...]:
    """Findings about the formula itself: limits now in force that it breaks; that it lies outside what was tried."""
    where, out = f"formula {formula.name}", []
    for limit in formula.broken:
        do = "find the formula again with optimise, or take the limit back if it was not meant for this formula"
        out.append(Problem("breaks-a-limit", "stop", where, f"breaks a limit now in force: {limit}", "", do))
    if formula.inside is False:
        got = "lies outside what was tried"
        out.append(Problem("outside", "warn", where, got, "inside", "make batches there before relying on it"))
    return tuple(out)
