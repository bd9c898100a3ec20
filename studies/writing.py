"""Files of a study written together: all of them, or none.

A change is staged in a folder of its own, fsynced, then made definite by one rename of its manifest, then
carried out by renames. A command that is killed before the manifest stands has changed nothing; one killed
after it is completed by whoever opens the folder next.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path, PurePosixPath
from types import TracebackType
from typing import Any

from doe.problems import Problem, StudyError
from studies import journal

PENDING = ".pending"
LOCK = ".lock"
WAIT_S = 10.0


def _problem(where: str, got: str, do: str, code: str) -> StudyError:
    return StudyError([Problem(code, "stop", where, got, "a folder this command can write to", do)])


def unwritable(where: str, error: OSError) -> StudyError:
    """The operating system's refusal in words."""
    reason = error.strerror or type(error).__name__
    return _problem(where, f"cannot be written: {reason}", "make room, change its permissions, or copy the study "
                    "to a folder of your own", "not-writable")  # fmt: skip


class Lock:
    """One command at a time in a folder: held by the operating system, so a killed command lets go of it."""

    def __init__(self, folder: Path, wait_s: float = WAIT_S) -> None:
        self._path = folder / LOCK
        self._wait_s = wait_s
        self._handle: int | None = None

    def __enter__(self) -> Lock:
        until = time.monotonic() + self._wait_s
        while not self._try():
            if time.monotonic() >= until:
                raise StudyError([self._held()])
            time.sleep(0.02)
        return self

    def _try(self) -> bool:
        try:
            handle = os.open(self._path, os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0), 0o644)
        except OSError as error:
            raise unwritable(str(self._path.parent.name) or "the study folder", error) from error
        if not _take(handle):
            os.close(handle)
            return False
        try:
            # Between opening and locking, the holder may have removed the file: then this lock guards nothing.
            with contextlib.suppress(OSError):
                if os.path.samestat(os.fstat(handle), os.stat(self._path)):
                    os.truncate(handle, 0)
                    os.write(handle, f"{journal.user_name()}, process {os.getpid()}".encode())
                    self._handle = handle
        finally:
            if self._handle is None:
                os.close(handle)
        return self._handle is not None

    def _held(self) -> Problem:
        try:
            holder = self._path.read_text(encoding="utf-8", errors="replace").strip()
        except OSError:
            holder = ""
        got = f"another command is at work in it ({holder})" if holder else "another command is at work in it"
        return Problem(
            "locked", "stop", "the study folder", got, "one command at a time", "wait until it has ended, then repeat"
        )

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._handle is not None:
            handle, self._handle = self._handle, None
            try:
                with contextlib.suppress(OSError):
                    self._path.unlink()
            finally:
                os.close(handle)


if os.name == "nt":  # pragma: no cover
    import msvcrt

    def _take(handle: int) -> bool:
        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
        except OSError:
            return False
        return True

else:
    import fcntl

    def _take(handle: int) -> bool:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return False
        return True


class Change:
    """What one command will write to a study. Nothing reaches the folder until `commit`."""

    def __init__(self, folder: Path, command: str, version: str) -> None:
        self.folder = folder
        self.command = command
        self.version = version
        self.why = ""
        self._files: dict[str, bytes] = {}
        self._removed: list[str] = []
        self._read: dict[str, str] = {}

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
        self._files[_inside(name)] = content.encode() if isinstance(content, str) else content

    def draw(self, name: str, make: Callable[[Path], object]) -> None:
        """Have the file that `make(path)` writes stand as `name`."""
        with tempfile.TemporaryDirectory() as place:
            path = Path(place) / PurePosixPath(name).name
            make(path)
            self.write(name, path.read_bytes())

    def remove(self, name: str) -> None:
        """Have the file `name` removed."""
        self._removed.append(_inside(name))

    def note_read(self, name: str, content: bytes) -> None:
        """Journal that a file was read, with its digest."""
        self._read[name] = journal.digest_of(content)

    def commit(self) -> journal.Entry:
        """Write everything, then the journal line. Raises StudyError, with the folder as it was, if it cannot."""
        entries = journal.read(self.folder)
        entry = journal.written(
            entries[-1] if entries else None,
            self.command,
            self._read,
            {name: journal.digest_of(content) for name, content in self._files.items()},
            self._removed,
            why=self.why,
            version=self.version,
        )
        for name in (*self._files, *self._removed, journal.NAME):
            _check_target(self.folder, name)
        try:
            self._stage(entry)
        except OSError as error:
            shutil.rmtree(self.folder / PENDING, ignore_errors=True)
            raise unwritable("the study folder", error) from error
        try:
            complete(self.folder)
        except OSError as error:
            raise unwritable("the study folder", error) from error
        return entry

    def _stage(self, entry: journal.Entry) -> None:
        pending = self.folder / PENDING
        shutil.rmtree(pending, ignore_errors=True)
        pending.mkdir()
        moves = []
        for number, (name, content) in enumerate(self._files.items()):
            write_synced(pending / str(number), content)
            moves.append([str(number), name])
        log = self.folder / journal.NAME
        manifest = {
            "moves": moves,
            "removed": self._removed,
            "offset": log.stat().st_size if log.exists() else 0,
            "line": journal.line_of(entry).decode(),
        }
        write_synced(pending / "manifest.part", json.dumps(manifest).encode())
        os.replace(pending / "manifest.part", pending / "manifest.json")
        sync_folder(pending)


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


def _inside(name: str) -> str:
    parts = PurePosixPath(name).parts
    if not parts or PurePosixPath(name).is_absolute() or ".." in parts:
        raise ValueError(f"{name!r} is not a name inside the study folder")
    return name


def _check_target(folder: Path, name: str) -> None:
    """Refuse a target that a rename could not reach: found now, while nothing has changed yet."""
    target = folder / name
    if target.is_symlink() or target.is_dir():
        kind = "a link" if target.is_symlink() else "a folder"
        raise _problem(name, f"{kind} stands in its place", "move it away, then repeat", "not-writable")
    for above in [folder / part for part in list(PurePosixPath(name).parents)[:-1]] + [folder]:
        if above.is_symlink() and above != folder:
            raise _problem(name, f"{above.name} is a link; links are not followed", "put a real folder there",
                           "not-writable")  # fmt: skip
        if above.exists() and not above.is_dir():
            raise _problem(name, f"{above.name} is a file, and a folder is needed", "move it away, then repeat",
                           "not-writable")  # fmt: skip
        if above.is_dir() and not os.access(above, os.W_OK | os.X_OK):
            raise unwritable(
                above.name if above != folder else "the study folder", PermissionError(13, "Permission denied")
            )


def complete(folder: Path) -> bool:
    """Carry out a change whose manifest stands; clear away one without. True if there was anything to carry out.

    Can be repeated at any point: every step looks first whether it was done.
    """
    pending = folder / PENDING
    manifest = pending / "manifest.json"
    if not manifest.is_file():
        shutil.rmtree(pending, ignore_errors=True)
        return False
    wanted: dict[str, Any] = json.loads(manifest.read_bytes())
    for staged, name in wanted["moves"]:
        source, target = pending / staged, folder / _inside(name)
        if source.exists():
            target.parent.mkdir(parents=True, exist_ok=True)
            os.replace(source, target)
            sync_folder(target.parent)
    for name in wanted["removed"]:
        (folder / _inside(name)).unlink(missing_ok=True)
    with (folder / journal.NAME).open("ab") as log:
        log.truncate(wanted["offset"])
        log.write(wanted["line"].encode())
        log.flush()
        os.fsync(log.fileno())
    sync_folder(folder)
    manifest.unlink()
    shutil.rmtree(pending, ignore_errors=True)
    return True


def recover(folder: Path) -> None:
    """Finish what a killed command had made definite, clear away what it had not, if there is anything."""
    if (folder / PENDING).is_dir() and os.access(folder, os.W_OK):
        with Lock(folder):
            complete(folder)


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
