"""A change that stands whole in the folder and is not in its place yet: how it is read, checked and finished."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from doe.problems import Level, Problem, StudyError
from studies import journal
from studies.locking import Lock, unwritable
from studies.names import STUDY, inside

PENDING = ".pending"
MANIFEST = "manifest.json"


class UnfinishedError(StudyError):
    """A change stands whole, but the system would not let it be put in its place: nothing is lost."""

    def __init__(self, command: str, error: OSError) -> None:
        reason = error.strerror or type(error).__name__
        got = f"what {command} writes stands whole in {PENDING}, but cannot be put in its place: {reason}"
        do = "make room or change the permissions; the next command, such as status, then finishes it"
        super().__init__([Problem("unfinished", "stop", "the study folder", got, "nothing recorded is lost", do)])


@dataclass(frozen=True, slots=True)
class Pending:
    """A definite change: staged file -> name in the folder, names to remove, and the journal line at its offset."""

    moves: Mapping[str, str]
    removed: tuple[str, ...]
    offset: int
    line: bytes
    entry: journal.Entry


def pending_of(folder: Path) -> Pending | None:
    """The change whose manifest stands, or None. Raises StudyError for one that this program did not make here.

    A folder may come from a stranger: what stands in it is only carried out where it fits the journal and its own
    digests, and never reaches outside the folder.
    """
    place = folder / PENDING
    if not (place / MANIFEST).is_file() or place.is_symlink():
        return None
    try:
        raw: dict[str, Any] = json.loads((place / MANIFEST).read_bytes())
        moves = {str(staged): inside(str(name)) for staged, name in raw["moves"]}
        removed = tuple(inside(str(name)) for name in raw["removed"])
        line = str(raw["line"]).encode()
        (entry,) = journal.entries_of(line)
        found = Pending(moves, removed, int(raw["offset"]), line, entry)
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise _strange("cannot be read") from error
    if not all(staged.isdigit() for staged in moves) or set(moves.values()) != set(entry.wrote):
        raise _strange("does not hold what its journal line says")
    log = journal.content(folder)
    before = journal.entries_of(log[: found.offset])
    follows = entry.before == (before[-1].digest if before else journal.START)
    # A power failure may have left anything of the line that was being written, but no other entry.
    others = [one for one in journal.entries_of(log[found.offset :]) if one != entry]
    if not 0 <= found.offset <= len(log) or others or not follows:
        raise _strange("does not fit the journal")
    for staged, name in moves.items():
        is_staged = os.path.lexists(place / staged)
        if not is_staged and (name == STUDY or name.startswith("bench/")):
            continue  # in its place already, where people write
        if journal.fingerprint(place / staged if is_staged else folder / name) != entry.wrote[name]:
            raise _strange(f"does not hold {name} as its journal line says")
    return found


def _strange(got: str) -> StudyError:
    return StudyError(
        [Problem("pending-strange", "stop", PENDING, f"holds a change that {got}", "what an interrupted command left",
                 f"move {PENDING} out of the folder, then: blendwright verify FOLDER")]
    )  # fmt: skip


def complete(folder: Path) -> bool:
    """Carry out a change whose manifest stands; clear away one without. True if there was anything to carry out.

    Can be repeated at any point: every step looks first whether it was done. What must not come back after a power
    failure is on the disk before the manifest goes.
    """
    place = folder / PENDING
    if place.is_symlink() or (place.exists() and not place.is_dir()):
        kind = "a link" if place.is_symlink() else "a file"
        raise StudyError([_in_the_way(PENDING, f"{kind} stands in its place", "move it away, then repeat")])
    change = pending_of(folder)
    if change is None:
        shutil.rmtree(place, ignore_errors=True)
        return False
    for name in (*change.moves.values(), *change.removed, journal.NAME):
        check_target(folder, name)
    for staged, name in change.moves.items():
        source, target = place / staged, folder / name
        if source.exists():
            _make_folder(target.parent)
            os.replace(source, target)
        sync_folder(target.parent)
    for name in change.removed:
        (folder / name).unlink(missing_ok=True)
        sync_folder((folder / name).parent)
    _part_journal(folder)
    with (folder / journal.NAME).open("ab") as log:
        log.truncate(change.offset)
        log.write(change.line)
        log.flush()
        os.fsync(log.fileno())
    sync_folder(folder)
    (place / MANIFEST).unlink()
    sync_folder(place)
    shutil.rmtree(place, ignore_errors=True)
    return True


def _part_journal(folder: Path) -> None:
    """Part the journal from a copy that shares its bytes (a hard link): what is added here is not done there."""
    log = folder / journal.NAME
    if log.exists() and log.stat().st_nlink > 1:
        part = folder / PENDING / "journal.part"
        write_synced(part, log.read_bytes())
        os.replace(part, log)
        sync_folder(folder)


def recover(folder: Path) -> None:
    """Finish what a killed command had made definite, clear away what it had not, if there is anything.

    Raises StudyError where there is something to finish and nothing may be written here.
    """
    if not (folder / PENDING).is_dir():
        return
    try:
        if not os.access(folder, os.W_OK):
            raise unwritable(folder.name or "the study folder", PermissionError(13, "Permission denied"))
        with Lock(folder):
            complete(folder)
    except StudyError as error:
        if error.problems[0].code != "not-writable":
            raise
        if (folder / PENDING / MANIFEST).is_file():
            raise StudyError([interrupted(folder, "stop")]) from None
    except OSError as error:
        raise UnfinishedError("an interrupted command", error) from error


def interrupted(folder: Path, level: Level) -> Problem:
    """What is said of a change that cannot be finished here."""
    change = pending_of(folder)
    got = f"{change.entry.command if change else 'a command'} was interrupted, and its change is not in its place yet"
    do = "nothing recorded is lost: the next command that may write here finishes it, or a copy of the whole folder"
    return Problem("interrupted", level, PENDING, got, "a folder this command can write to", do)


def write_synced(path: Path, content: bytes) -> None:
    """Write a file and have it reach the disk."""
    with path.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def sync_folder(path: Path) -> None:
    """Have a folder's entries reach the disk, where the system knows how."""
    with contextlib.suppress(OSError):
        handle = os.open(path, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _make_folder(path: Path) -> None:
    """Make a folder and those above it that are missing, each on the disk before what stands in it."""
    if not path.is_dir():
        _make_folder(path.parent)
        path.mkdir(exist_ok=True)
        sync_folder(path.parent)


def check_target(folder: Path, name: str) -> None:
    """Refuse a target that a rename could not reach: found now, while nothing has changed yet."""
    target = folder / name
    if os.path.lexists(target) and (target.is_symlink() or not target.is_file()):
        kind = "a link" if target.is_symlink() else "a folder" if target.is_dir() else "something that is no file"
        raise StudyError([_in_the_way(name, f"{kind} stands in its place", "move it away, then repeat")])
    for above in [folder / part for part in list(PurePosixPath(name).parents)[:-1]] + [folder]:
        if above.is_symlink() and above != folder:
            got, do = f"{above.name} is a link; links are not followed", "put a real folder there"
            raise StudyError([_in_the_way(name, got, do)])
        if above.exists() and not above.is_dir():
            got, do = f"{above.name} is a file, and a folder is needed", "move it away, then repeat"
            raise StudyError([_in_the_way(name, got, do)])
        if above.is_dir() and not os.access(above, os.W_OK | os.X_OK):
            raise unwritable(
                above.name if above != folder else "the study folder", PermissionError(13, "Permission denied")
            )


def _in_the_way(name: str, got: str, do: str) -> Problem:
    return Problem("not-writable", "stop", name, f"cannot be written: {got}", "a folder this command can write to", do)
