"""`status`: where the study stands and what to do next."""

from __future__ import annotations

import argparse
from typing import Any

from doe.problems import Problem
from doe.results.lots import of_record
from doe.results.missing import missing
from doe.results.oddities import flagged, odd
from doe.results.own_names import with_own_names
from doe.results.timetable import due
from reports import documents
from reports.numbers import listed
from reports.terminal import terminal
from reports.wording.changes import held_words
from studies import formulas
from studies.analysis import is_fresh
from studies.cli import Desk, Outcome
from studies.folder import StudyFolder
from studies.names import OPTIMUM, REPORT
from studies.standing import analyses, next_step, rounds
from studies.steady import steadily
from studies.wording import code_of


def run(args: argparse.Namespace, desk: Desk) -> Outcome:
    """Say where the study stands. Writes nothing."""
    document = steadily(args.folder, lambda: standing(StudyFolder.at(args.folder), args.folder))
    return Outcome(document, terminal.status(document), code_of(document))


def standing(folder: StudyFolder, name: str) -> dict[str, Any]:
    """The status document: rounds, batches, analyses fresh or stale, formulas, and the next command."""
    study, withdrawn = folder.study, folder.withdrawn()
    results = folder.results if folder.has_results() else None
    known = rounds(folder)
    document = documents.status_document(
        study,
        rounds=known,
        results=results,
        todo=next_step(folder, name),
        analyses=analyses(folder),
        report=(folder.path / REPORT).is_file(),
        formulas=list(folder.formulas()),
        held={name: under for name, row in folder.formulas().items() if (under := held_words(row.get("asked")))},
        formula=formulas.standing_of(folder),
        better=formulas.better_as_found(folder),
        head=folder.head(),
        due=[]
        if results is None
        else [{"batch": batch, "response": name, "due": at} for (batch, name), at in due(study, results).items()],
        missing=[one.to_dict() for one in missing(study, folder.designs(), results, withdrawn)],
    )
    problems = _old_rounds(known)
    if results is not None:
        told = [*results.findings, *of_record(study, results), *odd(study, results), *flagged(results)]
        problems += with_own_names(results, told)
    return {
        **document,
        "clash": _clash(folder),
        "problems": [*document["problems"], *(problem.to_dict() for problem in problems)],
    }


def _clash(folder: StudyFolder) -> list[str]:
    """The musts that the last search found not to be met together; none where it is of an earlier day."""
    found = folder.stored(OPTIMUM) or {} if is_fresh(folder, OPTIMUM) else {}
    return list(dict.fromkeys(str(row["response"]) for row in found.get("clash", ())))


def _old_rounds(rounds: list[dict[str, Any]]) -> list[Problem]:
    """The rounds that were planned for another definition than the present one."""
    words = {"tried": "what is tried", "measured": "how it is measured", "wanted": "what is wanted"}
    found = []
    for row in (row for row in rounds if row["changed"]):
        got = f"planned before {listed([words[part] for part in row['changed']])} changed"
        but = ", but for those that the new definition cannot express" if "tried" in row["changed"] else ""
        do = f"trials made still count{but}"
        found.append(Problem("changed-since", "inform", f"round {row['round']}", got, "", do))
    return found
