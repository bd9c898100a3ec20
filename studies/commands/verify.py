"""`verify`: the journal's chain and every digest."""

from __future__ import annotations

import argparse
from pathlib import Path

from reports.numbers import counted
from studies import journal
from studies.cli import Desk, Outcome
from studies.inspection import inspect
from studies.names import STUDY, refusal
from studies.steady import steadily
from studies.wording import code_of, envelope

ANCHOR = (
    "That nothing was cut off the end together with its files, and that the chain was not written anew, only a digest "
    "from paper tells: --head DIGEST, as printed on sheets, cards and reports."
)


def run(args: argparse.Namespace, desk: Desk) -> Outcome:
    """Compare the folder with its journal. Exit code 1 when something was changed outside the program."""
    place = Path(args.folder)
    if not place.is_dir():
        raise refusal("no-folder", str(place), "is not a folder", "a study folder", "check its name")
    return steadily(place, lambda: _seen(place, args.head))


def _seen(place: Path, wanted: str | None) -> Outcome:
    entries = journal.read(place)
    if not entries and not (place / STUDY).is_file() and not (place / journal.NAME).exists():
        raise refusal("no-study", str(place), "has neither study.toml nor journal", "a study folder", "check its name")
    problems = inspect(place, wanted)
    files = journal.last_digests(entries)
    head = entries[-1].digest if entries else journal.START
    document = envelope("verify", None, problems, head=head, entries=len(entries), files=len(files))
    lines = [str(problem) for problem in problems]
    bad = sum(problem.level == "stop" for problem in problems)
    said = f"{counted(bad, 'thing')} to look at" if bad else "as they were written"
    lines.append(f"{counted(len(entries), 'journal entry', 'journal entries')}, {counted(len(files), 'file')}: {said}.")
    if entries:
        lines.append(f"Head {head[:16]}. {ANCHOR}")
    return Outcome(document, "\n".join(lines), code_of(document))
