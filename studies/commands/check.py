"""`check`: what is wrong with the definition, why a plan would be refused, the reach, the trade, what it will cost."""

from __future__ import annotations

import argparse
from datetime import date

from doe.design.groundwork import foreseen
from doe.problems import StudyError
from doe.trade import study_findings
from optimise.formula.space import unmet
from optimise.models.aims import musts
from reports import documents
from reports.terminal import terminal
from reports.wording.prompt import typed
from studies.cli import Desk, Outcome
from studies.folder import StudyFolder
from studies.standing import next_step
from studies.steady import steadily
from studies.wording import code_of


def run(args: argparse.Namespace, desk: Desk) -> Outcome:
    """Read the definition and say what it amounts to. Writes nothing."""
    return steadily(args.folder, lambda: _seen(args))


def _seen(args: argparse.Namespace) -> Outcome:
    folder = StudyFolder.at(args.folder)
    study = folder.study
    (refused, told), trade = foreseen(study), study_findings(study, today=date.today())
    if not refused:
        told = (*told, *unmet(study, [r for r in musts(study) if r.is_exact]))
    document = documents.check_document(study, (*refused, *told), trade)
    text = terminal.check(study, args.folder, refused, trade, told, _next(folder, args.folder))
    return Outcome(document, text, code_of(document))


def _next(folder: StudyFolder, name: str) -> str:
    """What comes next; where plans or results do not go with the definition, `status` says why."""
    try:
        return next_step(folder, name)
    except StudyError:
        return typed("status", name)
