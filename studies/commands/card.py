"""`card`: the card of a chosen formula, for a batch of any size."""

from __future__ import annotations

import argparse

from reports import card
from studies import analysis, formulas
from studies.cli import Desk, Outcome
from studies.folder import StudyFolder
from studies.wording import code_of, envelope


def run(args: argparse.Namespace, desk: Desk) -> Outcome:
    """Say the weights, the making, the declaration and the specs of one formula."""
    folder = StudyFolder.at(args.folder)
    study = folder.study
    grams = formulas.batch_grams(args.batch, study)
    desk.progress("fitting ...")
    models = analysis.fitted(folder)
    levels = (
        formulas.best_of(folder, models, args.workers).levels
        if args.formula is None
        else formulas.named(folder, args.formula)
    )
    name = args.formula or "F1"
    formula = card.formula_card(study, models, levels, name)
    desk.progress("")
    document = envelope("card", study, card.outside(formula), **card.document(study, formula, grams))
    return Outcome(document, card.text(study, formula, grams), code_of(document))
