"""One command at a time in a study folder, also on drives that several computers share."""

from __future__ import annotations

import contextlib
import datetime
import errno
import os
import platform
import re
import time
from pathlib import Path
from types import TracebackType

from doe.problems import Problem, StudyError
from studies import journal

LOCK = ".lock"
CLAIM = ".claim"
WAIT_S = 10.0
_HOLDER = re.compile(r".* on (?P<host>.*), process (?P<process>[0-9]+), since .*", re.DOTALL)
_NO_LOCKS = (errno.ENOLCK, errno.ENOSYS, errno.EOPNOTSUPP, errno.ENOTSUP, errno.EINVAL)


def unwritable(where: str, error: OSError) -> StudyError:
    """The operating system's refusal in words."""
    reason = error.strerror or type(error).__name__
    do = "make room, change its permissions, or copy the study to a folder of your own"
    allowed = "a folder this command can write to"
    return StudyError([Problem("not-writable", "stop", where, f"cannot be written: {reason}", allowed, do)])


def _no_lock(kind: str) -> Problem:
    got, do = f"cannot be used: {kind} stands in its place", "take it out of the folder, then repeat"
    return Problem("not-writable", "stop", LOCK, got, "a file that commands make while they work", do)


class Lock:
    """One command at a time in a folder: held by the operating system, so a killed command lets go of it.

    Where a drive knows no locks, a file that only one command can make stands for it. It says who holds it; when that
    process of this computer is gone it is taken over, and of another computer's only a person can tell.
    """

    def __init__(self, folder: Path, wait_s: float = WAIT_S) -> None:
        self._folder = folder
        self._path = folder / LOCK
        self._claim = folder / CLAIM
        self._wait_s = wait_s
        self._handle: int | None = None
        self._claimed = False

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
            if self._path.is_symlink() or self._path.is_dir():
                raise StudyError([_no_lock("a link" if self._path.is_symlink() else "a folder")]) from error
            raise unwritable(self._folder.name or "the study folder", error) from error
        try:
            got = _take(handle)
            if got is None:
                return self._claim_it()
            # Between opening and locking, the holder may have removed the file: then this lock guards nothing.
            if got and _is_file(handle, self._path):
                # Only told to whoever waits; a full disk must not stand in the way.
                with contextlib.suppress(OSError):
                    os.truncate(handle, 0)
                    os.write(handle, holder().encode("utf-8", "replace"))
                self._handle = handle
        finally:
            if self._handle is None:
                os.close(handle)
        return self._handle is not None

    def _claim_it(self) -> bool:
        """Hold the folder by a file only one can make."""
        try:
            handle = os.open(self._claim, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644)
        except FileExistsError:
            if _is_left_over(_said(self._claim)):
                with contextlib.suppress(OSError):
                    self._claim.unlink()
            return False
        except OSError as error:
            raise unwritable(self._folder.name or "the study folder", error) from error
        with contextlib.suppress(OSError):
            os.write(handle, holder().encode("utf-8", "replace"))
        os.close(handle)
        self._claimed = True
        return True

    def _held(self) -> Problem:
        claim = _said(self._claim)
        said = claim or _said(self._path)
        got = f"another command is at work in it ({said})" if said else "another command is at work in it"
        do = "wait until it has ended, then repeat"
        if claim:
            do += f"; if that computer was switched off meanwhile, remove {CLAIM} from the folder first"
        return Problem("locked", "stop", "the study folder", got, "one command at a time", do)

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._claimed:
            self._claimed = False
            for left in (self._claim, self._path):
                with contextlib.suppress(OSError):
                    left.unlink()
        if self._handle is not None:
            handle, self._handle = self._handle, None
            try:
                with contextlib.suppress(OSError):
                    self._path.unlink()
            finally:
                os.close(handle)


def holder() -> str:
    """Who holds a lock: user, computer, process, since when (ISO 8601 with zone)."""
    now = datetime.datetime.now().astimezone().isoformat(timespec="seconds")
    return f"{journal.user_name()} on {platform.node() or 'unknown'}, process {os.getpid()}, since {now}"


def _said(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8", errors="replace").strip()[:200]
    except OSError:
        return ""


def _is_left_over(said: str) -> bool:
    """Whether a claim is that of a process of this computer that is no more."""
    match = _HOLDER.fullmatch(said)
    if match is None or match["host"] != (platform.node() or "unknown"):
        return False
    return not _is_alive(int(match["process"]))


def _is_file(handle: int, path: Path) -> bool:
    """Whether an open file is the one that stands at `path` now."""
    try:
        return os.path.samestat(os.fstat(handle), os.stat(path))
    except OSError:
        return False


if os.name == "nt":  # pragma: no cover
    import msvcrt

    def _take(handle: int) -> bool | None:
        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
        except OSError as error:
            return None if error.errno in _NO_LOCKS else False
        return True

    def _is_alive(process: int) -> bool:
        return True  # asking would end the process; a person tells

else:
    import fcntl

    def _take(handle: int) -> bool | None:
        """Whether the lock is ours now; None where the drive knows no locks."""
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            return None if error.errno in _NO_LOCKS else False
        return True

    def _is_alive(process: int) -> bool:
        try:
            os.kill(process, 0)
        except ProcessLookupError:
            return False
        except OSError:
            return True
        return True
