"""What was done to a study, when, by whom and to which files: append-only JSON lines in a chain.

Each line carries the digest of the line before it and of every file read and written. The chain has no key: it
finds changes made outside the tool, and a wholly rewritten chain is found by comparing its head with the
digest printed on sheets and reports.
"""

from __future__ import annotations

import datetime
import getpass
import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

from doe.problems import Problem

NAME = "journal.jsonl"
START = "0" * 64
MISSING = "missing"


def digest_of(content: bytes) -> str:
    """The SHA-256 of `content`, in hexadecimal (FIPS 180-4)."""
    return hashlib.sha256(content).hexdigest()


@dataclass(frozen=True, slots=True)
class Entry:
    """One line: its number, time (ISO 8601 with zone), user, version, command, why, and the files with digests.

    `read` and `wrote` map names within the folder (or, for files from elsewhere, the bare file name) to
    digests; `removed` lists names. `before` is the digest of the line before, `digest` that of this one.
    """

    number: int
    when: str
    user: str
    version: str
    command: str
    why: str
    read: Mapping[str, str]
    wrote: Mapping[str, str]
    removed: tuple[str, ...]
    before: str
    digest: str

    def to_dict(self) -> dict[str, Any]:
        """The entry as it stands in the file."""
        return {**_body(self), "digest": self.digest}


def _body(entry: Entry) -> dict[str, Any]:
    return {
        "n": entry.number,
        "when": entry.when,
        "user": entry.user,
        "version": entry.version,
        "command": entry.command,
        "why": entry.why,
        "read": dict(entry.read),
        "wrote": dict(entry.wrote),
        "removed": list(entry.removed),
        "before": entry.before,
    }


def _digest(body: Mapping[str, Any]) -> str:
    return digest_of(json.dumps(body, ensure_ascii=False, sort_keys=True, separators=(",", ":")).encode())


def written(
    before: Entry | None,
    command: str,
    read: Mapping[str, str],
    wrote: Mapping[str, str],
    removed: Iterable[str] = (),
    *,
    why: str = "",
    version: str = "",
) -> Entry:
    """The entry that follows `before`, stamped with the present time and user."""
    draft = Entry(
        number=before.number + 1 if before else 1,
        when=datetime.datetime.now().astimezone().isoformat(timespec="seconds"),
        user=user_name(),
        version=version,
        command=command,
        why=why,
        read=MappingProxyType(dict(read)),
        wrote=MappingProxyType(dict(wrote)),
        removed=tuple(removed),
        before=before.digest if before else START,
        digest="",
    )
    values = {name: getattr(draft, name) for name in draft.__slots__}
    return Entry(**{**values, "digest": _digest(_body(draft))})


def user_name() -> str:
    """Who is logged in, as the system says; "unknown" where it does not."""
    try:
        return getpass.getuser()
    except (KeyError, OSError, ImportError):
        return "unknown"


def line_of(entry: Entry) -> bytes:
    """The entry as one line of the journal."""
    return (json.dumps(entry.to_dict(), ensure_ascii=False, separators=(",", ":")) + "\n").encode()


def _entry(raw: bytes) -> Entry | None:
    try:
        row = json.loads(raw.decode())
        return Entry(
            int(row["n"]), str(row["when"]), str(row["user"]), str(row["version"]), str(row["command"]),
            str(row["why"]), MappingProxyType(dict(row["read"])), MappingProxyType(dict(row["wrote"])),
            tuple(row["removed"]), str(row["before"]), str(row["digest"]),
        )  # fmt: skip
    except (ValueError, KeyError, TypeError, RecursionError):
        return None


def read(folder: Path) -> tuple[Entry, ...]:
    """The entries that can be read, in file order. What is wrong with the rest is for `verify` to say."""
    path = folder / NAME
    if not path.is_file():
        return ()
    entries = (_entry(line) for line in path.read_bytes().split(b"\n") if line)
    return tuple(entry for entry in entries if entry is not None)


def last_digests(entries: Iterable[Entry]) -> dict[str, str]:
    """The digest of every file of the folder as it was last written."""
    files: dict[str, str] = {}
    for entry in entries:
        for name in entry.removed:
            files.pop(name, None)
        files.update(entry.wrote)
    return files


def _broken(where: str, got: str, do: str, code: str = "journal") -> Problem:
    return Problem(code, "stop", where, got, "every line as it was written, in order", do)


_RECOVER = "compare with a copy of the folder or with the head printed on sheets and reports"


def check_chain(folder: Path) -> tuple[Problem, ...]:
    """What is wrong with the chain: lines changed, missing, added, reordered or cut short."""
    path = folder / NAME
    if not path.is_file():
        return ()
    content = path.read_bytes()
    problems = []
    if content and not content.endswith(b"\n"):
        problems.append(
            _broken(
                NAME,
                "the last line has no end",
                "a crash in mid-write leaves this, and so does an edit: " + _RECOVER,
                "journal-cut",
            )
        )
    before, number = START, 0
    known: dict[str, int] = {}
    for count, raw in enumerate(content.split(b"\n")[:-1] if content.endswith(b"\n") else content.split(b"\n"), 1):
        where = f"{NAME}, line {count}"
        entry = _entry(raw)
        if entry is None:
            problems.append(_broken(where, "not a journal entry any more", _RECOVER, "journal-changed"))
            before, number = "", number + 1
            continue
        if _digest(_body(entry)) != entry.digest or line_of(entry) != raw + b"\n":
            problems.append(_broken(where, "changed since it was written", _RECOVER, "journal-changed"))
        elif before and entry.before != before:
            problems.append(_broken(where, _out_of_order(entry, number, known), _RECOVER, "journal-order"))
        known[entry.digest] = count
        before, number = entry.digest, entry.number
    return tuple(problems)


def _out_of_order(entry: Entry, number: int, known: Mapping[str, int]) -> str:
    if entry.digest in known:
        return f"entry {entry.number} stands here a second time"
    if entry.number > number + 1:
        return f"entry {entry.number} follows entry {number}: lines are missing before it"
    if entry.number <= number:
        return f"entry {entry.number} follows entry {number}: lines were moved or put in"
    return f"entry {entry.number} does not follow the line before it"


def fingerprint(path: Path) -> str:
    """The digest of a file, or "missing"."""
    return digest_of(path.read_bytes()) if path.is_file() and not path.is_symlink() else MISSING
