"""Files of a study written together: all of them, or none.

A change is staged in a folder of its own, fsynced, then made definite by one rename of its manifest, then
carried out by renames. A command that is killed before the manifest stands has changed nothing; one killed
after it is completed by whoever opens the folder next (`studies/pending.py`).
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path, PurePosixPath

from doe.problems import Problem, StudyError
from studies import journal
from studies.locking import WAIT_S, Lock, unwritable
from studies.names import inside
from studies.pending import (
    MANIFEST,
    PENDING,
    UnfinishedError,
    check_target,
    complete,
    sync_folder,
    write_synced,
)


class Change:
    """What one command will write to a study. Nothing reaches the folder until `commit`.

    `written` counts the changes that this process has made definite.
    """

    written = 0

    def __init__(self, folder: Path, command: str, version: str) -> None:
        self.folder = folder
        self.command = command
        self.version = version
        self.why = ""
        self._files: dict[str, bytes] = {}
        self._removed: list[str] = []
        self._read: dict[str, str] = {}
        self._log = journal.content(folder)

    @property
    def files(self) -> tuple[str, ...]:
        """Names of the files to be written, in order."""
        return tuple(self._files)

    @property
    def is_empty(self) -> bool:
        """Whether nothing is to be written or removed."""
        return not (self._files or self._removed)

    def write(self, name: str, content: bytes | str) -> None:
        """Have `content` stand in the file `name` (relative to the folder, with /)."""
        self._files[inside(name)] = content.encode() if isinstance(content, str) else content

    def draw(self, name: str, make: Callable[[Path], object]) -> None:
        """Have the file that `make(path)` writes stand as `name`."""
        try:
            with tempfile.TemporaryDirectory() as place:
                path = Path(place) / PurePosixPath(name).name
                make(path)
                self.write(name, path.read_bytes())
        except OSError as error:
            got = f"cannot be written: {error.strerror or type(error).__name__}"
            raise StudyError(
                [Problem("not-writable", "stop", "the folder for temporary files", got, "a folder with room",
                         "make room, or name another folder in TMPDIR (on Windows TEMP)")]
            ) from error  # fmt: skip

    def remove(self, name: str) -> None:
        """Have the file `name` removed."""
        self._removed.append(inside(name))

    def note_read(self, name: str, content: bytes) -> None:
        """Journal that a file was read, with its digest."""
        self._read[name] = journal.digest_of(content)

    def commit(self) -> journal.Entry:
        """Write everything, then the journal line; done at the end of the block, or before for who then looks on.

        Raises StudyError, with the folder as it was, if it cannot; `UnfinishedError` if the change stands whole but
        could not be put in its place yet.
        """
        self._unless_moved_on()
        entry = self._entry()
        for name in (*self._files, *self._removed, journal.NAME):
            check_target(self.folder, name)
        try:
            self._stage(entry)
        except OSError as error:
            shutil.rmtree(self.folder / PENDING, ignore_errors=True)
            raise unwritable("the study folder", error) from error
        Change.written += 1
        try:
            complete(self.folder)
        except OSError as error:
            raise UnfinishedError(self.command, error) from error
        self._files, self._removed, self._log = {}, [], journal.content(self.folder)
        return entry

    def _unless_moved_on(self) -> None:
        """Refuse where another command wrote meanwhile: on a drive whose locks do not reach other computers."""
        now = journal.content(self.folder)
        if now == self._log:
            return
        entries = journal.entries_of(now)
        who = f" ({entries[-1].command} by {entries[-1].user} on {entries[-1].when})" if entries else ""
        raise StudyError(
            [Problem("moved-on", "stop", "the study folder", f"another command wrote to it meanwhile{who}",
                     "one command at a time", "repeat this one")]
        )  # fmt: skip

    def _entry(self) -> journal.Entry:
        entries = journal.entries_of(self._log)
        torn = journal.torn(self._log)
        read = self._read | ({journal.NAME: journal.digest_of(torn)} if torn else {})
        wrote = {name: journal.digest_of(content) for name, content in self._files.items()}
        last = entries[-1] if entries else None
        return journal.written(last, self.command, read, wrote, self._removed, why=self.why, version=self.version)

    def _stage(self, entry: journal.Entry) -> None:
        pending = self.folder / PENDING
        shutil.rmtree(pending, ignore_errors=True)
        pending.mkdir()
        moves = []
        for number, (name, content) in enumerate(self._files.items()):
            write_synced(pending / str(number), content)
            moves.append([str(number), name])
        # A line that a crash cut short keeps a line to itself.
        line = (b"\n" if self._log and not self._log.endswith(b"\n") else b"") + journal.line_of(entry)
        manifest = {"moves": moves, "removed": self._removed, "offset": len(self._log), "line": line.decode()}
        write_synced(pending / "manifest.part", json.dumps(manifest).encode())
        # All it names is on the disk before the manifest is, and the manifest before anything moves.
        sync_folder(pending)
        sync_folder(self.folder)
        os.replace(pending / "manifest.part", pending / MANIFEST)
        sync_folder(pending)


def write_whole(path: Path, content: bytes) -> None:
    """Write one file outside the journal, whole or not at all."""
    part = path.with_name(f".{path.name}.part")
    try:
        write_synced(part, content)
        os.replace(part, path)
    except OSError:
        with contextlib.suppress(OSError):
            part.unlink()
        raise
    sync_folder(path.parent)


@contextlib.contextmanager
def changing(folder: Path, command: str, version: str, wait_s: float = WAIT_S) -> Iterator[Change]:
    """Hold the folder's lock, collect what is to be written, and write it when the block ends well.

    A block that wants nothing written leaves no line in the journal either.
    """
    with Lock(folder, wait_s):
        complete(folder)
        change = Change(folder, command, version)
        yield change
        if not change.is_empty:
            change.commit()
