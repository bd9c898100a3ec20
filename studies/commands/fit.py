"""`fit`: models of the responses and their diagnosis."""

from __future__ import annotations

import argparse

from doe.problems import Problem, StudyError
from reports import documents, terminal
from studies.analysis import fitted, keep_models, last_coding, last_terms
from studies.cli import Desk, Outcome
from studies.folder import StudyFolder
from studies.wording import code_of


def run(args: argparse.Namespace, desk: Desk) -> Outcome:
    """Fit every response. `--without` is a look only: nothing is written."""
    folder = StudyFolder.at(args.folder)
    terms, coding = args.terms or "select", args.coding or "units"
    desk.progress("fitting ...")
    if args.without:
        models = fitted(folder, args.terms or last_terms(folder), args.coding or last_coding(folder),
                        _trials(args.without, folder))  # fmt: skip
    else:
        with folder.changing("fit") as change:
            models = fitted(folder, terms, coding)
            keep_models(change, folder, models, terms, coding)
    desk.progress("")
    document = documents.fit_document(models)
    return Outcome(document, terminal.fit(models, args.folder), code_of(document))


def _trials(text: str, folder: StudyFolder) -> tuple[str, ...]:
    wanted = tuple(dict.fromkeys(piece.strip() for piece in text.split(",") if piece.strip()))
    known = set(folder.results.batches["trial"]) | set(folder.results.batches.index)
    strange = [trial for trial in wanted if trial not in known]
    if strange or not wanted:
        raise StudyError(
            [Problem("trials", "stop", "--without", ", ".join(strange) or "nothing", "trials with results", "check the ids")]
        )
    return wanted
