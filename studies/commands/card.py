"""`card`: the card of a chosen formula, for a batch of any size, on the screen and as a page to print."""

from __future__ import annotations

import argparse
from pathlib import Path

from reports.documents import optimum_document
from reports.page import card
from reports.wording.changes import kept_lines
from reports.wording.verdict import not_confirmed
from studies import analysis, changes, formulas
from studies.cli import Desk, Outcome
from studies.folder import StudyFolder
from studies.names import formula_name
from studies.wording import code_of, envelope


def run(args: argparse.Namespace, desk: Desk) -> Outcome:
    """Say the weights, the making, the declaration and the specs of one formula, and write them as a page.

    The formula is kept under its name: what a printed card calls F2 is never another recipe.
    """
    folder = StudyFolder.at(args.folder)
    desk.progress("fitting ...")
    with folder.changing("card") as change:
        study = folder.study
        grams = formulas.batch_grams(args.batch, study)
        models = analysis.fitted(folder)
        document = None
        if args.formula is None:
            best, verdict = formulas.confirmed_or_best(folder, models)
            levels = best.levels
            document = optimum_document(best, digests={**study.digests, "results": folder.results.digest})
            formulas.keep_labels(change, folder, document)
        else:
            levels = formulas.named(folder, args.formula)
            verdict = formulas.verdict(folder) if formulas.is_confirmed(folder, levels) else None
        name = formula_name(args.formula or str(levels.index[0]))
        formulas.keep_shown(change, folder, name, document)
        kept = [entry for entry in changes.of_kept(folder, models) if entry["formula"] == name]
        moved = kept_lines(kept)
        if verdict is not None and not verdict["confirmed"] and formulas.is_confirmed(folder, levels):
            moved.append(not_confirmed(verdict))
        formula = card.formula_card(study, models, levels, name, verdict, " ".join(moved))
        file = f"formulas/{name}-card.html"
        change.draw(file, lambda path: card.write_card(path, study, formula, grams, models.results_digest))
    desk.progress("")
    told = card.document(study, formula, grams)
    document = envelope("card", study, card.notes(formula), results=models.results_digest, file=file, **told)
    text = card.text(study, formula, grams) + f"\n\nTo print: {Path(args.folder) / file}"
    return Outcome(document, text, code_of(document))
