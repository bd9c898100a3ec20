"""`check`: everything wrong with the definition, the true reach of each ingredient, what it will cost."""

from __future__ import annotations

import argparse

from reports import documents, terminal
from studies.cli import Desk, Outcome
from studies.folder import StudyFolder
from studies.wording import code_of


def run(args: argparse.Namespace, desk: Desk) -> Outcome:
    """Read the definition and say what it amounts to. Writes nothing."""
    study = StudyFolder.at(args.folder).study
    document = documents.check_document(study)
    return Outcome(document, terminal.check(study, args.folder), code_of(document))
