"""`plan`: the first round of trials (or the first that counts), its quality, and the papers for the bench."""

from __future__ import annotations

import argparse
import re
from pathlib import Path
from typing import TYPE_CHECKING

from doe.design.compare import Comparison
from doe.design.design import plan
from doe.problems import Problem, StudyError
from reports import documents
from reports.documents import json_text
from reports.numbers import counted, listed
from reports.terminal import terminal
from reports.wording.prompt import typed
from studies.cli import Desk, Outcome
from studies.folder import StudyFolder
from studies.names import COMPARE, refusal
from studies.papers import first_free_trial, issue
from studies.standing import nothing_counts
from studies.standing import rounds as known_rounds
from studies.wording import code_of, envelope

if TYPE_CHECKING:
    import pandas as pd

_RANGE = re.compile(r"T([0-9]+)(?:\s*-\s*T?([0-9]+))?")


def run(args: argparse.Namespace, desk: Desk) -> Outcome:
    """Plan round 1, compare plans, or retire trials that were not made."""
    folder = StudyFolder.at(args.folder)
    if args.withdraw is not None:
        return _withdraw(folder, args)
    if args.compare is not None:
        return _compare(folder, args, desk)
    desk.progress("looking for the best plan ...")
    with folder.changing("plan") as change:
        # Asked under the lock: of two plans at once, the second finds the first one's round.
        number, replaced = _which_round(folder, args.replace)
        existing = _made_before(folder)
        first = first_free_trial(folder, 1 if replaced and number == 1 else None)
        change.why = args.why
        design = plan(folder.study, runs=args.runs, seed=args.seed, round=number, first_trial=first, existing=existing)
        if replaced:
            _unless_recorded(folder, number)
        files = issue(change, folder, design, {"purpose": "plan"})
    desk.progress("")
    document = {**documents.plan_document(folder.study, design), "files": list(files)}
    return Outcome(document, terminal.plan(folder.study, design, args.folder), code_of(document))


def _which_round(folder: StudyFolder, replace: bool) -> tuple[int, bool]:
    rounds = folder.rounds()
    if not rounds:
        return 1, False
    if nothing_counts(folder) and not any(row["waiting"] for row in known_rounds(folder)):
        # All that was made is made of something else, or came to nothing: the study begins again, beside it.
        return rounds[-1] + 1, False
    if not replace:
        raise refusal(
            "issued",
            f"plan/round-{rounds[-1]}",
            "was issued already",
            "a round is planned once",
            "add trials with: next --learn N; or replace it with --replace if nothing of it was made",
        )
    return rounds[-1], True


def _unless_recorded(folder: StudyFolder, number: int) -> None:
    made = _made(folder) & set(folder.design(number).table.index)
    if made:
        raise refusal("made", f"plan/round-{number}", f"results of {listed(sorted(made))} are recorded",
                      "a round that was not made yet",
                      "retire the rest with --withdraw, then plan on with: next --learn N")  # fmt: skip


def _made(folder: StudyFolder) -> set[str]:
    return {str(trial) for trial in folder.results.batches["trial"]} if folder.has_results() else set()


def _made_before(folder: StudyFolder) -> pd.DataFrame | None:
    """Levels as made of usable batches that belong to no round, as those of a historical table."""
    found = folder.results.made() if folder.has_results() else None
    if found is None:
        return None
    planned = {str(trial) for design in folder.designs() for trial in design.table.index}
    rows = found[~folder.results.batches.loc[found.index, "trial"].isin(planned).to_numpy()]
    return rows if len(rows) else None


def _compare(folder: StudyFolder, args: argparse.Namespace, desk: Desk) -> Outcome:
    from reports.page.compare import compare_page
    from reports.terminal.compare import compare_text

    counts = _run_counts(args.compare, args.runs)
    desk.progress("setting plans side by side ...")
    with folder.changing("plan --compare") as change:
        study = folder.study
        existing = _made_before(folder)
        weighed = Comparison.of(
            study, counts, seed=args.seed, existing=existing,
            done=lambda k, of: desk.progress(f"setting plans side by side: {k} of {of} ..."),
        )  # fmt: skip
        change.write(COMPARE, compare_page(study, weighed))
    desk.progress("")
    document = {**documents.compare_document(study, weighed), "file": COMPARE}
    written = str(Path(args.folder) / COMPARE)
    return Outcome(document, compare_text(study, weighed, args.folder, written))


def _run_counts(text: str, runs: int | None) -> list[int] | None:
    """The counts asked for; None leaves the choice to the comparison."""
    if not text:
        return None if runs is None else sorted({max(2, runs - 4), runs, runs + 4})
    try:
        counts = sorted({int(piece) for piece in text.split(",")})
    except ValueError:
        counts = [0]
    if counts[0] < 1:
        raise refusal("runs", "--compare", repr(text), "whole numbers with commas", "for example --compare 16,20,24")
    return counts


def _withdraw(folder: StudyFolder, args: argparse.Namespace) -> Outcome:
    with folder.changing("plan --withdraw") as change:
        change.why = args.why
        designs = {trial: design.round for design in folder.designs() for trial in design.table.index}
        trials = _to_retire(folder, args, tuple(designs))
        before = folder.withdrawn()
        for number in sorted({designs[trial] for trial in trials}):
            mine = {t: why for t, why in before.items() if designs.get(t) == number}
            mine.update({t: args.why for t in trials if designs[t] == number})
            change.write(f"plan/round-{number}/withdrawn.json", json_text(dict(sorted(mine.items()))))
    text = f"{counted(len(trials), 'trial')} retired: {listed(trials)}.\n\nNext:  {typed('status', args.folder)}"
    return Outcome(envelope("plan", folder.study, (), withdrawn=list(trials), why=args.why), text)


def _to_retire(folder: StudyFolder, args: argparse.Namespace, known: tuple[str, ...]) -> list[str]:
    """The trials meant. Raises StudyError without a reason, or where one of them was made."""
    trials = _trial_range(args.withdraw, known)
    problems = []
    if not args.why.strip():
        problems.append(Problem("why", "stop", "--why", "no reason given", "a reason", 'add --why "..."'))
    made = sorted(set(trials) & _made(folder))
    if made:
        problems.append(
            Problem(
                "made",
                "stop",
                "--withdraw",
                f"{listed(made)}: results are recorded",
                "trials not made yet",
                "leave them out of the fit with: record --set-aside",
            )
        )
    if problems:
        raise StudyError(problems)
    return trials


def _trial_range(text: str, known: tuple[str, ...]) -> list[str]:
    by_number = {int(trial[1:]): trial for trial in known if trial[1:].isdigit()}
    found: list[str] = []
    for piece in text.split(","):
        match = _RANGE.fullmatch(piece.strip())
        last = int(match[2] or match[1]) if match else 0
        wanted = range(int(match[1]), last + 1) if match and last < 100_000 else range(0)
        if not wanted or any(number not in by_number for number in wanted):
            raise refusal("trials", "--withdraw", repr(piece.strip()), f"trials of this study: {_span(known)}",
                          "write them as T15 or T15-T24")  # fmt: skip
        found += [by_number[number] for number in wanted]
    return sorted(set(found))


def _span(known: tuple[str, ...]) -> str:
    return f"{min(known)} to {max(known)}" if known else "none is planned yet"
