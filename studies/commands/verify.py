"""`verify`: the journal's chain and every digest."""

from __future__ import annotations

import argparse
from pathlib import Path

from reports.numbers import counted
from studies import journal
from studies.cli import Desk, Outcome
from studies.inspection import inspect
from studies.names import refusal
from studies.pending import recover
from studies.wording import code_of, envelope


def run(args: argparse.Namespace, desk: Desk) -> Outcome:
    """Compare the folder with its journal. Exit code 1 when something was changed outside the program."""
    place = Path(args.folder)
    if not place.is_dir():
        raise refusal("no-folder", str(place), "is not a folder", "a study folder", "check its name")
    recover(place)
    entries = journal.read(place)
    problems = inspect(place, args.head)
    files = journal.last_digests(entries)
    head = entries[-1].digest if entries else journal.START
    document = envelope("verify", None, problems, head=head, entries=len(entries), files=len(files))
    lines = [str(problem) for problem in problems]
    bad = sum(problem.level == "stop" for problem in problems)
    said = f"{counted(bad, 'thing')} to look at" if bad else "as they were written"
    lines.append(f"{counted(len(entries), 'journal entry', 'journal entries')}, {counted(len(files), 'file')}: {said}.")
    lines.append(f"Head {head[:16]}. To check a digest printed on a sheet, card or report: --head DIGEST.")
    return Outcome(document, "\n".join(lines), code_of(document))
