"""What people read: facts gathered once, then page, sheets, workbook, card, terminal and JSON."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from doe import Design, Results, Study
    from optimise import Models, Optimum

__all__ = ["write_report"]


def write_report(
    path: str | Path,
    study: Study,
    *,
    design: Design | Sequence[Design] | None = None,
    results: Results | None = None,
    models: Models | None = None,
    best: Optimum | None = None,
    journal: Sequence[Any] = (),
    verdict: Mapping[str, Any] | None = None,
    kept: Sequence[Mapping[str, Any]] = (),
    better: Mapping[str, Any] | None = None,
) -> None:
    """Write the report as one self-contained HTML file; what is not given is reported as not known yet.

    `design` is one round's plan, or those of all rounds in order. `journal` are entries with `when`, `user`,
    `command`, `why` and `digest`; the last digest is printed as the head. `verdict` is what confirmation batches of
    `best` said (`optimise.confirmation`). `kept` are formulas kept by name (`formula`) with their chance `then` and
    `now`. `better` is a `formula` that the models now give a better `chance` than the `confirmed` one.
    """
    from reports.gathering.gather import gather
    from reports.page.page import render

    facts = gather(
        study, design=design, results=results, models=models, best=best, journal=journal, verdict=verdict, kept=kept,
        better=better,
    )  # fmt: skip
    head = str(journal[-1].digest) if journal else ""
    Path(path).write_text(render(facts, head), encoding="utf-8", newline="\n")
