"""`check`: what is wrong with the definition, why a plan would be refused, the reach, the trade, what it will cost."""

from __future__ import annotations

import argparse
from datetime import date

from doe.groundwork import foreseen
from doe.trade import study_findings
from reports import documents, terminal
from studies.cli import Desk, Outcome
from studies.folder import StudyFolder
from studies.wording import code_of


def run(args: argparse.Namespace, desk: Desk) -> Outcome:
    """Read the definition and say what it amounts to. Writes nothing."""
    study = StudyFolder.at(args.folder).study
    (refused, told), trade = foreseen(study), study_findings(study, today=date.today())
    document = documents.check_document(study, (*refused, *told), trade)
    return Outcome(document, terminal.check(study, args.folder, refused, trade, told), code_of(document))
