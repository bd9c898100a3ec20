"""Batch sheets: a printable page a trial, in the order of making, to write on at the bench."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from doe.bench.bench import adjusts_ph
from doe.definition.parts import Factor, Step
from doe.definition.process import PROCESS_CODES, phase_order
from doe.definition.stepwords import at_levels
from doe.recipes.weighing import Line, small_weights, weigh_lines
from doe.results.timetable import making_day
from reports import tokens
from reports.papers.cautions import cautions, is_hot
from reports.papers.measuring import Measure, sample_budget
from reports.papers.workbook import levels_of, make_up_g
from reports.rendered import rendered

if TYPE_CHECKING:
    from doe.design.design import Design
    from doe.study import Study


@dataclass(frozen=True, slots=True)
class Phase:
    """The lines of one phase, heaviest handling together, in file order."""

    name: str
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True)
class Page:
    """What stands on the sheet of one trial.

    `whole_plot` says which set-up of what is hard to change it belongs to and its place in it, `set_with` the trial for
    which that was set up, "" where that is this one.
    """

    trial: str
    order: int
    day: int
    block: str
    whole_plot: str
    set_with: str
    repeats: str
    extreme: bool
    settings: tuple[tuple[Factor, str], ...]
    phases: tuple[Phase, ...]
    adjusters: tuple[Line, ...]
    steps: tuple[_Step, ...]
    warnings: tuple[str, ...]
    total: str


def write_sheets(path: str | Path, study: Study, design: Design) -> None:
    """Write the batch sheets of a round to `path`, as one HTML file. The same plan gives the same bytes."""
    Path(path).write_text(sheets_html(study, design), encoding="utf-8", newline="\n")


def sheets_html(study: Study, design: Design) -> str:
    """The batch sheets as HTML that needs nothing else and loads nothing."""
    values = {
        "study": study,
        "design": design,
        "pages": _pages(study, design),
        "measures": [Measure.of(response, study) for response in study.measured_responses],
        "budget": sample_budget(study),
        "cautions": cautions(study),
        "process": [str(problem) for problem in study.problems if problem.code in PROCESS_CODES],
        "loses_water": bool(study.ingredients) and (study.make.loss > 0 or study.make.make_up or is_hot(study)),
        "make_up_g": make_up_g(study),
        "adjusts_ph": adjusts_ph(study),
        "text_font": tokens.TEXT_FONT,
        "figure_font": tokens.FIGURE_FONT,
    }
    return rendered("sheets.html", values, {"grams": _grams, "share": _share, "span": _span, "plain": _plain})


def _grams(line: Line) -> str:
    return f"{line.target_g:.{line.decimals}f}"


def _span(line: Line) -> str:
    """The tolerance, rounded inwards to what the balance shows, so that what is printed is within it."""
    scale = 10**line.decimals
    low, high = math.ceil(round(line.low_g * scale, 6)) / scale, math.floor(round(line.high_g * scale, 6)) / scale
    low, high = min(low, line.target_g), max(high, line.target_g)
    if low == high:
        return f"{low:.{line.decimals}f} as it shows"
    return f"{low:.{line.decimals}f} to {high:.{line.decimals}f}"


def _share(line: Line) -> str:
    shown = f"{line.level:.3f}".rstrip("0")
    return shown + "0" * max(0, 2 - len(shown.partition(".")[2]))


def _plain(value: float) -> str:
    return f"{value:g}"


def _pages(study: Study, design: Design) -> list[Page]:
    """The page of each trial, in the order of making."""
    pages = []
    runs = design.runs.sort_values("order", kind="stable")
    together: dict[str, list[str]] = {}
    for trial, plot in zip(runs.index, runs["whole_plot"], strict=True):
        together.setdefault(_label(plot), []).append(str(trial))
    for trial, run in zip(runs.index, runs.to_dict("records"), strict=True):
        levels = levels_of(design, str(trial))
        lines = weigh_lines(study, levels)
        order = int(run["order"])
        plot = _label(run.get("whole_plot"))
        mates = together[plot]
        pages.append(
            Page(
                trial=str(trial),
                order=order,
                day=making_day(study, order),
                block=_label(run.get("block")),
                whole_plot=f"{plot}, trial {mates.index(str(trial)) + 1} of {len(mates)}" if plot else "",
                set_with=mates[0] if plot and mates[0] != trial else "",
                repeats=_label(run.get("replicate_of")),
                extreme=trial in design.make_first,
                settings=_settings(study, levels),
                phases=_phases(study, lines),
                adjusters=tuple(line for line in lines if line.ingredient.role == "adjuster"),
                steps=tuple(_Step.of(study, step, levels) for step in study.steps),
                warnings=small_weights(study, lines),
                total=_total(lines),
            )
        )
    return pages


def _label(value: object) -> str:
    if value is None or value != value or value == "":
        return ""
    return str(int(value)) if isinstance(value, float) and value.is_integer() else str(value)


def _settings(study: Study, levels: Mapping[str, Any]) -> tuple[tuple[Factor, str], ...]:
    shown = []
    # Which material stands in an ingredient's place is said where it is weighed.
    for factor in (f for f in study.factors if f.of is None):
        value = levels[factor.name]
        shown.append((factor, str(value) if factor.is_category else f"{float(value):.6g} {factor.unit}".strip()))
    return tuple(shown)


def _phases(study: Study, lines: tuple[Line, ...]) -> tuple[Phase, ...]:
    """What is weighed, phases in the order of making."""
    weighed = [line for line in lines if line.ingredient.role != "adjuster"]
    by_name = {name: tuple(line for line in weighed if line.ingredient.phase == name)
               for name in phase_order(study.steps, study.ingredients)}  # fmt: skip
    return tuple(Phase(name, own) for name, own in by_name.items() if own)


def _total(lines: tuple[Line, ...]) -> str:
    decimals = max((line.decimals for line in lines), default=0)
    return f"{sum(line.target_g for line in lines):.{decimals}f}"


@dataclass(frozen=True, slots=True)
class _Step:
    does: str
    takes: str
    how: str
    gate: str

    @classmethod
    def of(cls, study: Study, step: Step, levels: Mapping[str, Any]) -> _Step:
        phases = {item.phase for item in study.ingredients}
        takes = ", ".join(f"phase {name}" if name in phases else name for name in step.takes)
        how = []
        if step.temp_c is not None:
            low, high = step.temp_c
            how.append(f"{low:g} °C" if low == high else f"{low:g}–{high:g} °C")
        if step.minutes is not None:
            how.append(f"{step.minutes:g} min")
        if step.rpm is not None:
            how.append(f"{step.rpm:g} rpm")
        if step.hold_min is not None:
            how.append(f"hold {step.hold_min:g} min")
        does, gate = (at_levels(text, study.factors, levels) for text in (step.does, step.gate))
        return cls(does, takes, " · ".join(how), gate)
