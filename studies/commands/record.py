"""`record`: takes in returned workbooks and tables; sets aside, restores, corrects. New rows, old ones kept."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from doe.problems import Problem, ResultsError, StudyError, listed
from doe.results.corrections import correct, restore, set_aside
from doe.results.missing import missing
from doe.results.oddities import odd
from doe.results.own_names import with_own_names
from doe.results.results import Results, batches_csv, joined, readings_csv, stored_results, take_in
from doe.tables.rawtable import RawTable
from doe.tables.tables import file_bytes, tables_from_bytes
from reports import documents
from reports.terminal import terminal
from reports.wording.prompt import typed
from studies.arguments import readable
from studies.as_found import take_as_found
from studies.cli import Desk, Outcome
from studies.folder import StudyFolder
from studies.names import BATCHES, READINGS, TAKE_AS_IS, refusal
from studies.originals import PLACE, kept_as
from studies.papers import first_free_trial
from studies.standing import next_step
from studies.wording import code_of, envelope
from studies.writing import Change


@dataclass(frozen=True, slots=True)
class _Returned:
    name: str
    journal_name: str
    content: bytes
    tables: tuple[RawTable, ...]


def run(args: argparse.Namespace, desk: Desk) -> Outcome:
    """Take results in, or change what counts of them. Nothing is written when anything is wrong."""
    _one_deed(args)
    folder = StudyFolder.at(args.folder)
    with folder.changing(TAKE_AS_IS if args.take_as_is else "record") as change:
        change.why = args.why
        if args.take_as_is:
            found = take_as_found(folder, change)
        else:
            found = _taken_in(folder, change, [Path(f) for f in args.files]) if args.files else _changed(folder, args)
            change.write(READINGS, readings_csv(found))
            change.write(BATCHES, batches_csv(found))
        change.commit()
        return _told(folder, args, found) if found is not None else _none_left(folder, args)


def _told(folder: StudyFolder, args: argparse.Namespace, results: Results) -> Outcome:
    study = folder.study
    results = replace(results, findings=tuple(with_own_names(results, [*results.findings, *odd(study, results)])))
    waits = [one.to_dict() for one in missing(study, folder.designs(), results, folder.withdrawn())]
    names = [Path(name).name for name in args.files]
    document = documents.record_document(study, results, files=names, missing=waits)
    todo = next_step(StudyFolder(folder.path), args.folder)
    return Outcome({**document, "next": todo}, terminal.record(study, results, todo, missing=waits), code_of(document))


def _none_left(folder: StudyFolder, args: argparse.Namespace) -> Outcome:
    """Both tables were gone, and that was taken as it is: what was recorded before can be recorded again."""
    kept = sorted(path.name for path in (folder.path / PLACE).glob("*"))
    todo = typed("record", args.folder, "FILE")
    text = f"The tables of results are gone, and the journal says so now. Originals kept: {listed(kept) or 'none'}."
    document = envelope("record", folder.study, (), files=[], originals=kept, next=todo)
    return Outcome(document, f"{text}\n\nNext: {todo}")


def _one_deed(args: argparse.Namespace) -> None:
    deeds = [bool(args.files), *(deed is not None for deed in (args.set_aside, args.restore, args.correct)),
             args.take_as_is]  # fmt: skip
    if sum(deeds) != 1:
        got = "nothing to record" if not any(deeds) else "several things at once"
        raise refusal("usage", "record", got, "files, or one of --set-aside, --restore, --correct, --take-as-is",
                      "see blendwright record --help")  # fmt: skip


def _taken_in(folder: StudyFolder, change: Change, paths: Sequence[Path]) -> Results:
    returned = _read(folder, paths)
    tables = [table for one in returned for table in one.tables]
    stored = stored_results(folder.path) if folder.has_results() else None
    new = take_in(
        folder.study, tables, design=folder.designs() or None, first_trial=first_free_trial(folder), earlier=stored
    )
    for one in returned:
        change.note_read(one.journal_name, one.content)
        change.write(kept_as(one.name, one.content), one.content)
    return joined(stored, new) if stored is not None else new


def _read(folder: StudyFolder, paths: Sequence[Path]) -> list[_Returned]:
    """All files, as tables. Raises StudyError with what is wrong with each of them."""
    out: list[_Returned] = []
    problems: list[Problem] = []
    for given in paths:
        # A name as it stands in the study ("bench/round-1.xlsx") is understood from anywhere.
        path = given if given.exists() else folder.path / given
        try:
            content = file_bytes(path)
            out.append(
                _Returned(path.name, _journal_name(folder, path), content, tables_from_bytes(content, path.name))
            )
        except ResultsError as error:
            problems += error.problems
    if problems:
        raise StudyError(problems)
    return out


def _journal_name(folder: StudyFolder, path: Path) -> str:
    """The name within the study, or the bare file name: no path of anyone's machine goes into the journal."""
    try:
        name = path.resolve().relative_to(folder.path.resolve()).as_posix()
    except ValueError:
        name = path.name
    return readable(name)


def _changed(folder: StudyFolder, args: argparse.Namespace) -> Results:
    stored = stored_results(folder.path) if folder.has_results() else None
    if args.set_aside is not None:
        return _set_aside(folder, stored, _names(args.set_aside), args)
    if stored is None:
        raise _nothing_recorded(args)
    if args.correct is not None:
        which, response, value = args.correct
        return correct(folder.study, stored, which, response, value, args.why, reading=args.reading)
    return restore(stored, _names(args.restore), args.why)


def _set_aside(folder: StudyFolder, stored: Results | None, names: list[str], args: argparse.Namespace) -> Results:
    """Batches put out; a planned trial that never came to a batch on record counts as one that was tried."""
    known = set() if stored is None else {*stored.batches.index, *stored.batches["trial"]}
    planned = {str(trial) for design in folder.designs() for trial in design.table.index}
    # What was only set aside has to be on record; what was never made is withdrawn from the plan.
    tried = [name for name in names if args.state != "set aside" and name in planned - known]
    if tried and args.why.strip():
        rows = pd.DataFrame({"trial": tried, "state": args.state, "why": args.why.strip()})
        new = take_in(folder.study, rows, design=folder.designs(), earlier=stored)
        stored = new if stored is None else joined(stored, new)
    rest = [name for name in names if name not in tried]
    if stored is None or rest or not args.why.strip():
        if stored is None:
            raise _nothing_recorded(args)
        return set_aside(stored, rest or names, args.why, state=args.state)
    return stored


def _nothing_recorded(args: argparse.Namespace) -> StudyError:
    do = typed("record", args.folder, "FILE")
    return refusal("no-results", "record", "nothing was recorded yet", "results to change", do)


def _names(text: str) -> list[str]:
    return [piece.strip() for piece in text.split(",") if piece.strip()]
