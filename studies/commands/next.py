"""`next`: confirmation batches and their verdict, or the next trials worth making, and when to stop."""

from __future__ import annotations

import argparse

import pandas as pd

from optimise.upcoming import Upcoming, next_trials
from reports import documents, terminal
from studies import analysis, formulas
from studies.cli import Desk, Outcome
from studies.folder import StudyFolder
from studies.names import refusal
from studies.papers import first_free_trial, issue
from studies.wording import code_of


def run(args: argparse.Namespace, desk: Desk) -> Outcome:
    """With `--confirm` or `--learn`, plan the next round and write its papers; without, say what is due.

    What is due after confirmation batches came back is their verdict, on the formula they were made to.
    """
    folder = StudyFolder.at(args.folder)
    asked = args.confirm is not None or args.learn is not None
    with folder.changing("next") as change:
        if asked:
            _unless_waiting(folder)
        formula = formulas.named(folder, args.formula) if args.formula is not None else None
        if formula is None and not asked:
            formula = formulas.in_confirmation(folder)
        upcoming = _upcoming(folder, args, formula, desk)
        digests = {**folder.study.digests, "results": folder.results.digest}
        document = documents.next_document(upcoming, digests=digests)
        files: tuple[str, ...] = ()
        if asked and upcoming.design is not None:
            note = {"purpose": upcoming.purpose, **({"formula": args.formula} if args.formula is not None else {})}
            files = issue(change, folder, upcoming.design, note)
    desk.progress("")
    text = terminal.upcoming(folder.study, document, args.folder)
    if not asked and upcoming.design is not None:
        flag = f"--{upcoming.purpose} {len(upcoming.table)}"
        text = text[: text.rindex("Next: ")] + f"Nothing is issued yet.\n\nNext: blendwright next {args.folder} {flag}"
    return Outcome({**document, "files": list(files)}, text, code_of(document))


def _upcoming(folder: StudyFolder, args: argparse.Namespace, formula: pd.DataFrame | None, desk: Desk) -> Upcoming:
    desk.progress("fitting ...")
    models = analysis.fitted(folder)
    desk.progress("looking for what to make ...")
    # A formula that is given needs no search for the best one.
    best = formulas.best_of(folder, models, args.workers) if formula is None else None
    return next_trials(
        folder.study,
        models,
        results=folder.results,
        confirm=args.confirm,
        learn=args.learn,
        formula=formula,
        best=best,
        round=max(folder.rounds(), default=0) + 1,
        first_trial=first_free_trial(folder),
    )


def _unless_waiting(folder: StudyFolder) -> None:
    """A round of which nothing is made yet is made first, or retired: two rounds for one question help nobody."""
    made = {str(trial) for trial in folder.results.batches["trial"]}
    for design in folder.designs():
        trials = [str(trial) for trial in design.table.index]
        if not made.intersection(trials) and not set(folder.withdrawn()).issuperset(trials):
            raise refusal(
                "waiting",
                f"plan/round-{design.round}",
                "was issued and nothing of it is made",
                "one open round at a time",
                f"record it, or retire it: plan --withdraw {trials[0]}-{trials[-1]}",
            )
