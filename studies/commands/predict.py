"""`predict`: what the models say of given formulas."""

from __future__ import annotations

import argparse

from reports import documents, terminal
from studies.analysis import fitted
from studies.cli import Desk, Outcome
from studies.folder import StudyFolder
from studies.levels import formulas_at
from studies.wording import code_of


def run(args: argparse.Namespace, desk: Desk) -> Outcome:
    """Predict, with the terms of the last `fit`. Writes nothing. Exit code 1 where a formula has a stop finding."""
    folder = StudyFolder.at(args.folder)
    frame = formulas_at(args.at, folder.study)
    models = fitted(folder)
    document = documents.predict_document(models, frame)
    told = [row for point in document["points"] for row in point["findings"]]
    return Outcome(document, terminal.predict(models, frame, args.folder), code_of({"problems": told}))
