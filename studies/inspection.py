"""Whether a study's recorded files are as they were written: the chain of the journal, then every digest.

By itself this finds what was changed, lost, added, moved or cut. Entries taken off the end together with all that they
wrote leave an older study, whole in itself, as a chain written anew does: both are found by a digest from paper.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Mapping, Sequence
from pathlib import Path

from doe.design.design import Design
from doe.problems import Problem, StudyError, listed
from doe.results.stored import stored_results
from doe.study import Study
from reports.numbers import counted
from studies import journal
from studies.names import AS_IT_STANDS, BATCHES, KEPT, READINGS, STUDY, TAKE_AS_IS
from studies.pending import PENDING, interrupted, pending_of

_KEPT = tuple(name for name in KEPT if name != "bench")
_LEAST_DIGITS = 8
_SHOWN_HEADS = 5


def inspect(folder: Path, head: str | None = None) -> tuple[Problem, ...]:
    """Everything that differs from what the journal says, stop first.

    `head` is a digest printed on a sheet, card or report (at least 8 of its digits): that of a journal entry, a plan,
    or the results; a finding says which it is. An edited study.toml and a workbook being typed into are legal and
    come as "inform"; tables that were taken as they stood after a change by hand stay a "warn" for good.
    """
    out = links_out(folder)
    if out:
        return tuple(out)
    log, change = journal.content(folder), pending_of(folder)
    problems = []
    if change is not None:
        # Not finished here, where nothing may be written: what is staged counts as in its place.
        problems.append(interrupted(folder, "warn"))
        log = log[: change.offset] + change.line
    entries = journal.entries_of(log)
    problems += journal.check_log(log)
    staged = {name: folder / PENDING / number for number, name in change.moves.items()} if change else {}
    files = journal.last_digests(entries)
    if not entries:
        problems += _no_journal(folder)
    for name, digest in files.items():
        place = staged[name] if name in staged and staged[name].exists() else folder / name
        if (problem := _compared(place, name, digest, entries)) is not None:
            problems.append(problem)
    problems += _taken_as_is(entries)
    problems += _added(folder, files)
    problems += _study_edited(folder, entries)
    if head is not None:
        problems += _head(folder, entries, head)
    return tuple(sorted(problems, key=lambda p: ("stop", "warn", "inform").index(p.level)))


def links_out(folder: Path) -> list[Problem]:
    """Links in a study that lead out of its folder: nothing outside is read or written by them."""
    home = folder.resolve()
    tops = [folder / name for name in (STUDY, journal.NAME, PENDING, *KEPT)]
    found = [path for top in tops for path in (top, *(top.rglob("*") if top.is_dir() else ())) if path.is_symlink()]
    return [
        Problem("link", "stop", path.relative_to(folder).as_posix(),
                "a link that leads out of the study folder or in a circle", "files of this study",
                "put the file itself there, or take the link away")
        for path in found if not _leads_inside(path, home)
    ]  # fmt: skip


def _leads_inside(link: Path, home: Path) -> bool:
    try:
        return link.resolve().is_relative_to(home)
    except (OSError, RuntimeError):  # it leads round in a circle
        return False


def _no_journal(folder: Path) -> list[Problem]:
    if any((folder / name).is_dir() for name in _KEPT):
        return [Problem("no-journal", "stop", journal.NAME, "is missing or holds no entry",
                        "the journal of what was done", "put back a copy of it")]  # fmt: skip
    return []


def _compared(place: Path, name: str, digest: str, entries: Sequence[journal.Entry]) -> Problem | None:
    if name == STUDY:
        return None
    now = journal.fingerprint(place)
    if now == digest:
        return None
    if name.startswith("bench/"):
        if now == journal.MISSING:
            return Problem("bench-missing", "warn", name, "is missing", "the workbook as issued, or as typed into",
                           "put it back if it is still needed")  # fmt: skip
        taken = next((entry for entry in reversed(entries) if now in entry.read.values()), None)
        if taken is not None:
            got = f"typed into, and recorded as it stands on {taken.when}"
            return Problem("typed-into", "inform", name, got, "to be typed into", "")
        got = "differs from what was issued, and is not recorded as it stands"
        return Problem("typed-into", "inform", name, got, "to be typed into", "record it when it is filled in")
    if now == journal.MISSING:
        got, code = "is missing", "file-missing"
    else:
        got, code = "was changed outside this program", "file-changed"
    do = "put back a copy, or repeat the command that writes it"
    if name in (READINGS, BATCHES):
        do = f"put back a copy; where none is left: {AS_IT_STANDS}"
    return Problem(code, "stop", name, got, "as it was written", do)


def _taken_as_is(entries: Sequence[journal.Entry]) -> list[Problem]:
    """Results that rest on tables someone changed by hand: legal from that entry on, and never to be forgotten."""
    return [
        Problem("taken-as-is", "warn", listed([t for t in (READINGS, BATCHES) if t in {*entry.wrote, *entry.removed}]),
                f"{entry.why} ({entry.user}, {entry.when})", "",
                "what was changed is not known; a copy of what was taken is kept in results/originals")
        for entry in entries if entry.command == TAKE_AS_IS
    ]  # fmt: skip


def _added(folder: Path, files: Mapping[str, str]) -> list[Problem]:
    problems = []
    for top in _KEPT:
        for path in sorted((folder / top).rglob("*")):
            name = path.relative_to(folder).as_posix()
            if (path.is_file() or path.is_symlink()) and name not in files:
                problems.append(Problem("file-added", "stop", name, "was put here outside this program",
                                        "files this program wrote", "take it out of the folder"))  # fmt: skip
    return problems


def _study_edited(folder: Path, entries: Sequence[journal.Entry]) -> list[Problem]:
    known = [digests[STUDY] for entry in entries for digests in (entry.read, entry.wrote) if STUDY in digests]
    now = journal.fingerprint(folder / STUDY)
    if not known or now == known[-1]:
        return []
    if now == journal.MISSING:
        got = "is missing" if not (folder / STUDY).exists() else "is no file: something else stands in its place"
        do = "put back a copy of it; plan.json of each round holds the definition it was planned for"
        return [Problem("no-study", "stop", STUDY, got, "the definition of the study", do)]
    since = next(entry for entry in reversed(entries) if STUDY in entry.read or STUDY in entry.wrote)
    got = f"edited since {since.command} on {since.when}"
    return [Problem("edited", "inform", STUDY, got, "may be edited at any time",
                    "blendwright status says what that means for plan and results")]  # fmt: skip


def _head(folder: Path, entries: Sequence[journal.Entry], head: str) -> list[Problem]:
    wanted = head.strip().lower()
    if len(wanted) < _LEAST_DIGITS:
        return [Problem("head-short", "stop", "--head", repr(head), f"at least {_LEAST_DIGITS} digits of the digest",
                        "type more of it")]  # fmt: skip
    if not wanted.strip("0"):
        return [Problem("head-empty", "stop", "--head", "a digest of zeros, as stands where there is no entry yet",
                        _known_heads(entries), "it tells nothing of any journal; take another paper")]  # fmt: skip
    known = printed(folder, entries)
    meant = next((words for digest, words in known.items() if digest.startswith(wanted)), None)
    if meant is not None:
        return [Problem("head-known", "inform", "--head", f"{wanted[:16]} is found: {meant}", "", "")]
    got = f"holds no entry, plan, definition or results with digest {wanted[:16]}"
    do = (
        "the journal was cut or rewritten, or the plan was, or the paper belongs to another study; a digest of what is "
        "tried, measured, wanted or given as facts tells only of study.toml, which may be edited: take the journal's"
    )
    return [Problem("head-unknown", "stop", journal.NAME, got, _known_heads(entries), do)]


def _known_heads(entries: Sequence[journal.Entry]) -> str:
    """The heads a paper may carry, the latest last."""
    heads = [f"{entry.digest[:16]} (entry {entry.number}, {entry.command})" for entry in entries[-_SHOWN_HEADS:]]
    before = ["earlier ones"] * (len(entries) > _SHOWN_HEADS)
    return "a head of this journal: " + listed([*before, *heads]) if heads else "a journal with entries"


def printed(folder: Path, entries: Sequence[journal.Entry]) -> dict[str, str]:
    """Every digest that stands on papers of this study, with what it is: entries, plans, the definition, results.

    Those of plans, definition and results are worked out anew from the files; where one cannot be read its digest is
    not known.
    """
    last = len(entries)
    known = {
        e.digest: f"the head of the journal after entry {e.number} of {last}, {e.command}, on {e.when}"
        + (": the last" if e.number == last else f"; {counted(last - e.number, 'entry', 'entries')} made since")
        for e in entries
    }
    for path in sorted((folder / "plan").glob("round-*/plan.json")):
        with contextlib.suppress(OSError, ValueError, LookupError, TypeError, AttributeError, RecursionError):
            design = Design.from_dict(json.loads(path.read_text(encoding="utf-8")))
            known[design.digest] = f"the plan of round {design.round}, as it stands in the folder"
            named = f"of study.toml, as round {design.round} was planned for"
            known |= {digest: f"{part!r} {named}" for part, digest in design.study_digests.items()}
    with contextlib.suppress(StudyError):
        known |= {d: f"{part!r} of study.toml, as it stands" for part, d in Study.read(folder).digests.items()}
    with contextlib.suppress(StudyError):
        known[stored_results(folder).digest] = "the results as they stand in the folder"
        known[Study.read(folder).results().digest] = "the results as the present study.toml takes them"
    return known
