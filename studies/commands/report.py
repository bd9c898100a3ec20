"""`report`: report.html, one self-contained file; before there are results, the plan's own report."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from reports import write_report
from studies import analysis, changes, formulas
from studies.cli import Desk, Outcome
from studies.folder import StudyFolder
from studies.names import REPORT
from studies.wording import envelope


def run(args: argparse.Namespace, desk: Desk) -> Outcome:
    """Write report.html from the definition, the rounds, the results and what follows from them."""
    folder = StudyFolder.at(args.folder)
    desk.progress("gathering ...")
    with folder.changing("report") as change:
        study, designs = folder.study, folder.designs()
        results = folder.results if folder.has_results() else None
        models = best = verdict = better = None
        kept: list[dict[str, Any]] = []
        if results is not None:
            models = analysis.fitted(folder)
            kept = changes.of_kept(folder, models)
            best, verdict = formulas.confirmed_or_best(folder, models)
            better = formulas.better_than_confirmed(folder, models, best.label, best.chance, verdict)
            analysis.keep_fresh_models(change, folder, models)
            formulas.keep_labels(change, folder, best.to_dict())
        journal = folder.journal()

        def make(path: Path) -> None:
            write_report(
                path,
                study,
                design=designs,
                results=results,
                models=models,
                best=best,
                journal=journal,
                verdict=verdict,
                kept=kept,
                better=better,
            )

        change.draw(REPORT, make)
        change.commit()
        head = folder.head()
    desk.progress("")
    where = Path(args.folder) / REPORT
    rests = "" if results is None else results.digest
    document = envelope("report", study, study.problems, results=rests, file=REPORT, head=head)
    return Outcome(document, f"The report is written: {where}")
