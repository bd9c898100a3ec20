"""`check`: everything wrong with the definition, why a plan would be refused, the true reach, what it will cost."""

from __future__ import annotations

import argparse

from doe.groundwork import refusals
from reports import documents, terminal
from studies.cli import Desk, Outcome
from studies.folder import StudyFolder
from studies.wording import code_of


def run(args: argparse.Namespace, desk: Desk) -> Outcome:
    """Read the definition and say what it amounts to. Writes nothing."""
    study = StudyFolder.at(args.folder).study
    refused = refusals(study)
    document = documents.check_document(study, refused)
    return Outcome(document, terminal.check(study, args.folder, refused), code_of(document))
