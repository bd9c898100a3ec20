"""The formula card: weights for a batch of any size, phases, process, declaration, specs, cautions."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd

from doe import Study, Unavailable
from doe.definition.parts import Step
from doe.definition.stepwords import at_levels
from doe.problems import Problem
from doe.trade.acidity import ph_response
from doe.trade.label import PH_ENDS
from optimise import Models, tolerances
from reports import numbers, tables
from reports.facts import Formula, Line, Setting, Spec
from reports.gathering.formula import formulas
from reports.page.shell import FILTERS, styled
from reports.papers.cautions import cautions
from reports.papers.measuring import Measure
from reports.rendered import rendered
from reports.wording import formula as wording_formula
from reports.wording.findings import LEVEL_WORDS, TAKEN
from reports.wording.verdict import confirmed_words

CURRENT_TEXT = (
    "These lists are dated and short: check each against the current text. Local regulation and a qualified safety "
    "assessor decide."
)
_NEAR = 1e-9
ORDER = "descending; the order below 1 % is free, and colourants (CI numbers) stand last in any order"
CAUTIONS = (
    "Bench batches stand behind this card; scale, lots and plant differ.",
    "Hot stages, acids and alkalis, preservatives and fragrance: follow each material's own data sheet.",
    "For assessment by a qualified safety assessor; local regulation and licensed practice decide on sale.",
)


def formula_card(
    study: Study, models: Models, levels: pd.DataFrame, name: str, verdict: Mapping[str, Any] | None = None,
    moved: str = "",
) -> Formula:  # fmt: skip
    """The formula of one row of levels, as facts; `verdict` is what its confirmation batches said, if any.

    `moved` says how its chance has changed since it was kept.
    """
    named = levels.set_axis([name], axis=0)
    (formula,) = formulas(study, models, named, tolerances=tolerances(study, models, named))
    return replace(formula, confirmed=confirmed_words(verdict), moved=moved)


def write_card(path: str | Path, study: Study, formula: Formula, batch_g: float, results_digest: str = "") -> None:
    """Write the card as one self-contained HTML page that prints on one or two sheets.

    `results_digest` is that of the results it rests on, printed for `verify`.
    """
    Path(path).write_text(_card_page(study, formula, batch_g, results_digest), encoding="utf-8", newline="\n")


def _card_page(study: Study, formula: Formula, batch_g: float, results_digest: str) -> str:
    values = {
        **styled(),
        "digest": results_digest,
        "study": study,
        "f": formula,
        "batch_g": batch_g,
        "chance": chance_line(formula),
        "standing": standing(formula),
        "notes": [said(note) for note in notes(formula)],
        "weights": grams_of(study, formula, batch_g),
        "steps": making(study, formula),
        "tolerances": tolerances_by_name(study, formula, batch_g),
        "composition": composition_rows(formula),
        "specs": spec_rows(study, formula),
        "current_text": CURRENT_TEXT,
        "order": ORDER,
        "cautions": card_cautions(study),
    }
    return rendered("card.html", values, FILTERS)


def making(study: Study, formula: Formula) -> list[str]:
    """The steps of making a formula, each with its temperature, time, speed and gate."""
    levels = {setting.name: setting.value for setting in formula.settings}
    return [at_levels(_step(step), study.factors, levels) for step in study.steps]


def _step(step: Step) -> str:
    said = [step.does]
    if step.temp_c is not None:
        low, high = step.temp_c
        said.append(f"{low:g} C" if low == high else f"{low:g} to {high:g} C")
    said += [f"{step.minutes:g} min"] if step.minutes is not None else []
    said += [f"{step.rpm:g} rpm"] if step.rpm is not None else []
    said += [f"hold {step.hold_min:g} min"] if step.hold_min is not None else []
    said += [f"go on when: {step.gate}"] if step.gate else []
    return "; ".join(said)


def _no_tolerance(study: Study, name: str) -> dict[str, str]:
    """Why a line of the card has no room of its own."""
    if study.fill is not None and name == study.fill.name:
        return Unavailable("it takes up the rest", "read the room of the others").to_dict()
    if name in {item.name for item in study.fixed}:
        return Unavailable("its level is fixed: trials never moved it", "weigh it as it is written").to_dict()
    return Unavailable("nothing is known of the room it has", "weigh it as it is written").to_dict()


def document(study: Study, formula: Formula, batch_g: float) -> dict[str, Any]:
    """The card as plain data."""
    return {
        "formula": formula.name,
        "confirmed": formula.confirmed,
        "moved": formula.moved,
        "breaks": list(formula.broken),
        "batch_g": batch_g,
        "lines": [
            {
                "name": line.name,
                **({"material": line.material} if line.material else {}),
                "phase": line.phase,
                "level": line.level,
                "active": line.level * line.assay,
                "grams": line.level / study.total * batch_g,
                "tolerance": _no_tolerance(study, line.name) if line.tolerance is None else list(line.tolerance),
            }
            for line in formula.lines
        ],
        "process": [{"name": s.name, "value": s.value, "unit": s.unit} for s in formula.settings],
        "steps": making(study, formula),
        **_trade(formula),
        "specs": [
            {
                "name": s.spec.name,
                "unit": s.spec.unit,
                "method": how_measured(study, s.spec),
                "asked": asked(study, formula, s.spec),
                "predicted": _plain(s.predicted),
            }
            for s in formula.strips
        ],
        "chance_all": _plain(formula.chance),
        "cost_per_kg": _plain(formula.cost_per_kg),
        "cost_per_pack": formula.cost_per_kg * formula.pack_g / 1000
        if isinstance(formula.cost_per_kg, float) and formula.pack_g is not None
        else _plain(Unavailable("no pack_g or no prices are given", "add pack_g to [study]")),
        "cautions": list(card_cautions(study)),
    }


def _trade(formula: Formula) -> dict[str, Any]:
    """What goes on the label, what it is as a whole, and what checks of the trade say."""
    trade = formula.trade
    if trade is None:
        lists = ("declaration", "label", "allergens", "composition", "laws", "findings")
        nothing: dict[str, Any] = {key: [] for key in lists}
        return nothing | {"allergens_untold": "", "names_untold": ""}
    return {
        "declaration": [{"inci": n, "percent": s} for n, s in trade.names],
        "label": [{"heading": heading, "names": list(names)} for heading, names in trade.groups],
        "allergens": [{"name": n, "percent": s, "above": trade.threshold} for n, s in trade.allergens],
        "allergens_untold": trade.untold,
        "names_untold": trade.unnamed,
        "composition": [{"what": what, "value": _plain(value), "unit": unit} for what, value, unit in trade.whole],
        "laws": list(trade.laws),
        "findings": [finding.to_dict() for finding in trade.findings],
    }


def card_cautions(study: Study) -> tuple[str, ...]:
    """The cautions of every card, and those that the materials and steps of this study call for."""
    return tuple(dict.fromkeys((*CAUTIONS, *cautions(study))))


def composition_rows(formula: Formula) -> list[list[str]]:
    """What the formula is as a whole, as cells: what, value, unit; why where there is no value."""
    rows = formula.trade.whole if formula.trade is not None else ()
    return [
        [what, f"not available: {value.reason}", ""] if isinstance(value, Unavailable)
        else [what, numbers.figure(value, digits=3), unit] for what, value, unit in rows
    ]  # fmt: skip


def spec_rows(study: Study, formula: Formula) -> list[list[str]]:
    """The specs as cells: response, what is asked, what is predicted, by which method and when."""
    return [
        [s.spec.name, asked(study, formula, s.spec), wording_formula.predicted(s), how_measured(study, s.spec)]
        for s in formula.strips
    ]


def asked(study: Study, formula: Formula, spec: Spec) -> str:
    """What is asked of a response; of the pH also what the materials of this formula bear, where that is less."""
    words, response = wording_formula.asked(spec), ph_response(study)
    if response is None or response.name != spec.name or formula.trade is None:
        return words
    whole = {what: value for what, value, _ in formula.trade.whole if isinstance(value, float)}
    low, high = (whole.get(end) for end in PH_ENDS)
    if (low is None or (spec.low or 0.0) >= low) and (high is None or (spec.high or 14.0) <= high):
        return words
    span = f"{low:g} to {high:g}" if low is not None and high is not None else ""
    span = span or (f"from {low:g}" if high is None else f"up to {high:g}")
    return f"{words} (materials: {span})"


def how_measured(study: Study, spec: Spec) -> str:
    """The method of a spec with that of the curve it is taken from, the age and store of the sample, and its size."""
    response = study.response(spec.name)
    read = study.response(str(response.of)) if response.is_derived and response.of else response
    measure = Measure.of(read, study)
    method = spec.method if read is response else f"{spec.method}: {read.method}"
    parts = (method, f"after {measure.when}" if measure.when else "", f"on {measure.sample}" if measure.sample else "")
    return "; ".join(part for part in parts if part)


def tolerance_words(line: Line | Setting) -> str:
    """How far a level may go, all others within theirs, with nine tenths of the chance kept; or why it does not."""
    if line.tolerance is None:
        if isinstance(line, Line) and (line.role == "fixed" or (line.allowed and line.allowed[0] == line.allowed[1])):
            return "fixed"
        return "as adjusted" if isinstance(line, Line) and line.role == "adjuster" else ""
    return numbers.room(*line.tolerance)


def tolerances_by_name(study: Study, formula: Formula, batch_g: float) -> dict[str, str]:
    """`tolerance_words` of every ingredient and factor, of what is weighed also in grams."""
    settings = {one.name: tolerance_words(one) for one in formula.settings}
    return settings | {line.name: _weighed_within(study, formula, line, batch_g) for line in formula.lines}


def _weighed_within(study: Study, formula: Formula, line: Line, batch_g: float) -> str:
    """How far a level may go, and how far that is on the balance, rounded inwards to its readability."""
    words = tolerance_words(line)
    if line.tolerance is None or line.role == "fill":
        return words
    step, level = formula.balance_g or 0.01, line.level / study.total * batch_g
    low, high = (end / study.total * batch_g / step for end in line.tolerance)
    inwards = (min(math.ceil(low - _NEAR) * step, level), max(math.floor(high + _NEAR) * step, level))
    return f"{words} ({' to '.join(numbers.grams(end, formula.balance_g) for end in inwards)} g)"


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
    return f"Predicted chance that one new batch passes every must: {numbers.likely(formula.chance)} ({often})"


def text(study: Study, formula: Formula, batch_g: float) -> str:
    """The card for the terminal."""
    weights, within = grams_of(study, formula, batch_g), tolerances_by_name(study, formula, batch_g)
    batch = f", for a batch of {numbers.exactly(batch_g)} g" if formula.lines else ""
    out = [tables.wrapped(f"Formula {formula.name} of {study.name}, {standing(formula)}{batch}")]
    out += [tables.wrapped(f"{chance_line(formula)}.")]
    out += [tables.wrapped(formula.moved)] if formula.moved else []
    for note in notes(formula):
        word = TAKEN if note.accepted else LEVEL_WORDS[note.level]
        out.append(tables.wrapped(f"{word}  {said(note)}", indent="      "))
    rows = [
        [f"  {line.label}", numbers.level(line.level, line.step, study.total), study.unit, weights[line.name], "g",
         "to weight" if line.role == "fill" else within[line.name],
         "" if line.active is None else f"active {numbers.figure(line.active)}"]
        for _, lines in formula.phases
        for line in lines
    ]  # fmt: skip
    printed = iter(tables.aligned_rows(rows, right=(1, 3)))
    for phase, lines in formula.phases:
        out += ["", f"Phase {tables.clean(phase)}" if phase else "Ingredients", *(next(printed) for _ in lines)]
    if formula.settings:
        settings = [[f"  {s.name}", tables.clean(s.said), s.unit, tolerance_words(s)] for s in formula.settings]
        out += ["", "Process", tables.aligned(settings, right=(1,))]
    if any(line.tolerance for line in formula.lines):
        kept = "Last column: all levels anywhere within these at once keep nine tenths of the chance."
        out += ["", tables.wrapped(kept)]
    if study.steps:
        out += ["", "Making"] + [
            tables.wrapped(f"  {i}. {step}", indent="     ") for i, step in enumerate(making(study, formula), 1)
        ]
    out += _label_lines(formula)
    out += ["", "Specs", *_spec_lines(study, formula), ""]
    return "\n".join([*out, *(tables.wrapped(f"- {line}", indent="  ") for line in card_cautions(study))])


def _spec_lines(study: Study, formula: Formula) -> list[str]:
    """What is asked and predicted, a line each, and under it by which method, whole."""
    rows = [
        [f"  {s.spec.name}", asked(study, formula, s.spec), wording_formula.predicted_plainly(s)]
        for s in formula.strips
    ]
    lines = tables.aligned_rows(rows, most=60)
    how = [how_measured(study, strip.spec) for strip in formula.strips]
    told = [[tables.wrapped(f"    {words}", indent="      ")] if words else [] for words in how]
    return [line for one, under in zip(lines, told, strict=True) for line in (one, *under)]


def _label_lines(formula: Formula) -> list[str]:
    """The declaration, the legal lines that counted and the composition, for the terminal."""
    trade = formula.trade
    if trade is None:
        return []
    out = [
        "",
        tables.wrapped(f"Declaration, {ORDER}", indent="  "),
        tables.wrapped(f"  {trade.declared}", indent="  "),
    ]
    if trade.allergens:
        said = ", ".join(f"{name} {numbers.figure(share, digits=3)} %" for name, share in trade.allergens)
        out.append(tables.wrapped(f"  Allergens above {trade.threshold:g} %: {said}", indent="  "))
    for missing in (trade.unnamed, trade.untold):
        out += [tables.wrapped(f"  {missing}", indent="  ")] if missing else []
    out += [tables.wrapped(f"  {law}", indent="    ") for law in trade.laws]
    out += [tables.wrapped(f"  {CURRENT_TEXT}", indent="    ")] if trade.laws or trade.allergens else []
    rows = [[f"  {what}", value, unit] for what, value, unit in composition_rows(formula)]
    return [*out, "", "As a whole", tables.aligned(rows, right=(1,), most=60)] if rows else out


def said(note: Problem) -> str:
    """A note as the card says it: of what, what is found, what is allowed, what to do."""
    where = "" if note.where.startswith("formula ") else f"{note.where}: "
    return where + "; ".join(part for part in (note.got, note.allowed, note.do) if part)


def notes(formula: Formula) -> tuple[Problem, ...]:
    """Findings about the formula itself: limits now in force that it breaks, that it lies outside what was tried, and
    what checks of the trade stop or warn of.
    """
    where, out = f"formula {formula.name}", []
    for limit in formula.broken:
        do = "find the formula again with optimise, or take the limit back if it was not meant for this formula"
        out.append(Problem("breaks-a-limit", "stop", where, f"breaks a limit now in force: {limit}", "", do))
    if formula.inside is False:
        got = "lies outside what was tried"
        out.append(Problem("outside", "warn", where, got, "", "make batches there before relying on it"))
    told = formula.trade.findings if formula.trade is not None else ()
    return (*out, *(finding for finding in told if finding.level != "inform"))
