"""`next`: confirmation batches and their verdict, or the next trials worth making, and when to stop."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from optimise import Models, Optimum
from optimise.upcoming.due import batches_to_confirm
from optimise.upcoming.upcoming import Upcoming, next_trials
from reports import documents
from reports.terminal import upcoming as terminal
from reports.wording.changes import better_line, changed_line, kept_lines
from reports.wording.prompt import typed
from studies import analysis, changes, formulas
from studies.arguments import ADVISED
from studies.cli import Desk, Outcome
from studies.folder import StudyFolder
from studies.names import refusal
from studies.papers import first_free_trial, issue
from studies.standing import command_for, next_step, rounds, untouched
from studies.steady import steadily
from studies.wording import code_of
from studies.writing import Change


def run(args: argparse.Namespace, desk: Desk) -> Outcome:
    """With `--confirm` or `--learn`, plan the next round and write its papers; without, say what is due.

    What is due after confirmation batches came back is their verdict, on the formula they were made to.
    """
    if args.confirm is None and args.learn is None:
        return steadily(args.folder, lambda: _answer(StudyFolder.at(args.folder), args, desk, None))
    folder = StudyFolder.at(args.folder)
    with folder.changing("next") as change:
        _unless_waiting(folder)
        return _answer(folder, args, desk, change)


def _answer(folder: StudyFolder, args: argparse.Namespace, desk: Desk, change: Change | None) -> Outcome:
    """What is due; with a change, the round that was asked for is planned and its papers are written in it."""
    formula = formulas.named(folder, args.formula) if args.formula is not None else None
    desk.progress("fitting ...")
    models, best, verdict = analysis.fitted(folder), None, None
    desk.progress("looking for what to make ...")
    if formula is None:
        formula, best, verdict = formulas.in_question(folder, models)
    upcoming = _upcoming(folder, args, models, formula, best, verdict)
    digests = {**folder.study.digests, "results": folder.results.digest}
    document = documents.next_document(upcoming, digests=digests)
    name, chance = str(formula.index[0]), upcoming.due.chance
    better = formulas.better_than_confirmed(folder, models, name, chance, verdict)
    moved = changes.told_with(folder, models, best, _found(folder, best)) if best is not None else {}
    kept = moved.get("kept") or changes.of_kept(folder, models)
    files: tuple[str, ...] = ()
    if change is not None:
        if best is not None:
            formulas.keep_labels(change, folder, _found(folder, best))
        if upcoming.design is not None:
            note = {"purpose": upcoming.purpose}
            if upcoming.purpose == "confirm":
                note["formula"] = str(formula.index[0])
                formulas.keep_shown(change, folder, note["formula"], None if best is None else _found(folder, best))
            files = issue(change, folder, upcoming.design, note)
        change.commit()
    lines = (changed_line(folder.study, moved.get("changed")), *kept_lines(kept), better_line(better))
    said = [line for line in lines if line]
    todo, issued = _after(folder, args.folder, upcoming, files)
    document |= {**moved, "kept": kept, **({"better": better} if better else {}), "files": list(files)}
    text = terminal.upcoming(folder.study, document, todo, said, issued)
    desk.progress("")
    return Outcome(document, text, code_of(document))


def _found(folder: StudyFolder, best: Optimum) -> dict[str, Any]:
    """The document of what was found."""
    return documents.optimum_document(best, digests={**folder.study.digests, "results": folder.results.digest})


def _upcoming(
    folder: StudyFolder, args: argparse.Namespace, models: Models, formula: pd.DataFrame, best: Optimum | None,
    verdict: Mapping[str, Any] | None,
) -> Upcoming:  # fmt: skip
    confirm = args.confirm
    if confirm == ADVISED:
        confirm = batches_to_confirm(folder.study, models, formula)
    return next_trials(
        folder.study,
        models,
        results=folder.results,
        confirm=confirm,
        learn="worth" if args.learn == ADVISED else args.learn,
        way=args.way,
        formula=formula,
        best=best,
        round=max(folder.rounds(), default=0) + 1,
        first_trial=first_free_trial(folder),
        verdict=verdict,
    )


def _after(folder: StudyFolder, shown: str, upcoming: Upcoming, files: Sequence[str]) -> tuple[str, str]:
    """What to do next, by the names of its files, and what was not issued."""
    if upcoming.design is None:
        return command_for(upcoming.due.to_dict(), shown), ""
    if files:
        sheets, book = (f"{shown}/{file}" for file in files[2:4])
        return f"make them from {sheets}, type results into {book}, then {typed('record', shown, book)}", ""
    waiting = untouched(folder)
    if waiting is not None:
        place = f"plan/round-{waiting.round}"
        first, last = waiting.table.index[0], waiting.table.index[-1]
        record = typed("record", shown, f"{shown}/bench/round-{waiting.round}.xlsx")
        retire = typed("plan", shown, "--withdraw", f"{first}-{last}")
        return f'{record}, or retire it: {retire} --why "..."', (
            f"Nothing of this is issued: {place} ({first} to {last}) waits to be made first."
        )
    if any(row["waiting"] for row in rounds(folder)):
        return next_step(folder, shown), "Nothing of this is issued: other trials wait to be made first."
    return command_for(upcoming.due.to_dict(), shown), "Nothing of this is issued yet."


def _unless_waiting(folder: StudyFolder) -> None:
    """A round of which nothing is made yet is made first, or retired: two rounds for one question help nobody."""
    waiting = untouched(folder)
    if waiting is not None:
        first, last = waiting.table.index[0], waiting.table.index[-1]
        raise refusal(
            "waiting",
            f"plan/round-{waiting.round}",
            "was issued and nothing of it is made",
            "one open round at a time",
            f'record it, or retire it: plan --withdraw {first}-{last} --why "..."',
        )
