"""`status`: where the study stands and what to do next."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from typing import Any

from doe.missing import missing
from doe.oddities import flagged, odd
from doe.problems import Problem
from doe.timetable import due
from reports import documents, terminal
from studies.analysis import is_fresh
from studies.cli import Desk, Outcome
from studies.folder import StudyFolder
from studies.names import MODELS, OPTIMUM, REPORT
from studies.wording import code_of


def run(args: argparse.Namespace, desk: Desk) -> Outcome:
    """Say where the study stands. Writes nothing."""
    folder = StudyFolder.at(args.folder)
    document = standing(folder, args.folder)
    return Outcome(document, terminal.status(document), code_of(document))


def standing(folder: StudyFolder, name: str) -> dict[str, Any]:
    """The status document: rounds, batches, analyses fresh or stale, formulas, and the next command."""
    study, withdrawn = folder.study, folder.withdrawn()
    results = folder.results if folder.has_results() else None
    made = set() if results is None else {str(trial) for trial in results.batches["trial"]}
    rounds = []
    for design in folder.designs():
        trials = [str(trial) for trial in design.table.index]
        rounds.append(
            {
                "round": design.round,
                "purpose": folder.round_note(design.round).get("purpose", "plan"),
                "trials": len(trials),
                "made": len(made.intersection(trials)),
                "withdrawn": len(set(withdrawn).intersection(trials)),
                "changed": _changed(folder, design.study_digests),
            }
        )
    analyses = {key: _state(folder, file) for key, file in (("models", MODELS), ("optimum", OPTIMUM))}
    todo = _next(folder, name, rounds, analyses)
    document = documents.status_document(
        study,
        rounds=rounds,
        results=results,
        todo=todo,
        analyses=analyses,
        report=(folder.path / REPORT).is_file(),
        formulas=list(folder.formulas()),
        head=folder.head(),
        due=[]
        if results is None
        else [{"batch": batch, "response": name, "due": at} for (batch, name), at in due(study, results).items()],
        missing=[one.to_dict() for one in missing(study, folder.designs(), results, withdrawn)],
    )
    problems = _old_rounds(rounds)
    if results is not None:
        problems += [*results.findings, *odd(study, results), *flagged(results)]
    return {**document, "problems": [*document["problems"], *(problem.to_dict() for problem in problems)]}


def _changed(folder: StudyFolder, then: Mapping[str, str]) -> list[str]:
    """Which parts of the definition differ from those the round was planned for."""
    now = folder.study.digests
    return [part for part in ("tried", "measured", "wanted") if part in then and then[part] != now[part]]


def _old_rounds(rounds: list[dict[str, Any]]) -> list[Problem]:
    words = {"tried": "what is tried", "measured": "how it is measured", "wanted": "what is wanted"}
    return [
        Problem("changed-since", "inform", f"round {row['round']}",
                "the definition has changed since it was planned: " + ", ".join(words[part] for part in row["changed"]),
                "may change at any time", "its trials stay; those the new definition cannot express say so")
        for row in rounds if row["changed"]
    ]  # fmt: skip


def _state(folder: StudyFolder, name: str) -> str:
    if folder.stored(name) is None:
        return "none"
    return "fresh" if is_fresh(folder, name) else "stale"


def _next(folder: StudyFolder, name: str, rounds: list[dict[str, Any]], analyses: Mapping[str, str]) -> str:
    open_rounds = [row for row in rounds if row["made"] + row["withdrawn"] < row["trials"]]
    if not rounds and not folder.has_results():
        return f"blendwright plan {name}"
    if open_rounds:
        return f"blendwright record {name} {name}/bench/round-{open_rounds[-1]['round']}.xlsx"
    if rounds and rounds[-1]["purpose"] == "confirm":
        return f"blendwright next {name}"
    if analyses["models"] != "fresh":
        return f"blendwright fit {name}"
    if analyses["optimum"] != "fresh":
        return f"blendwright optimise {name}"
    return f"blendwright next {name}"
