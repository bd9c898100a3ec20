"""What was done to a study, when, by whom and to which files: append-only JSON lines in a chain.

Each line carries the digest of the line before it and of every file read and written. The chain has no key: it
finds changes made outside the tool, and a wholly rewritten chain is found by comparing its head with the
digest printed on sheets and reports.
"""

from __future__ import annotations

import datetime
import functools
import getpass
import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

from doe.problems import Problem
from studies.arguments import readable
from studies.names import inside

NAME = "journal.jsonl"
START = "0" * 64
MISSING = "missing"
_LONGEST_USER = 100


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
    """Who is logged in, as the system says, in signs that may be kept; "unknown" where it does not."""
    try:
        return " ".join(readable(getpass.getuser()).split())[:_LONGEST_USER] or "unknown"
    except (KeyError, OSError, ImportError):
        return "unknown"


def line_of(entry: Entry) -> bytes:
    """The entry as one line of the journal."""
    return (json.dumps(entry.to_dict(), ensure_ascii=False, separators=(",", ":")) + "\n").encode()


def _entry(raw: bytes) -> Entry | None:
    """The entry of a line; None where it is none: a folder may come from a stranger, so each value is looked at."""
    try:
        row = json.loads(raw.decode())
        number, removed = row["n"], tuple(row["removed"])
        words = [row[key] for key in ("when", "user", "version", "command", "why", "before", "digest")]
        read, wrote = dict(row["read"]), dict(row["wrote"])
        if type(number) is not int or not all(type(word) is str for word in (*words, *read.values(), *wrote.values())):
            return None
        for name in (*wrote, *removed):
            inside(name)
        when, user, version, command, why, before, digest = words
        datetime.datetime.fromisoformat(when)
        files = MappingProxyType(read), MappingProxyType(wrote)
        return Entry(number, when, user, version, command, why, *files, removed, before, digest)
    except (ValueError, KeyError, TypeError, RecursionError):
        return None


def content(folder: Path) -> bytes:
    """The journal's bytes; none where there is no journal, or a link in its place."""
    path = folder / NAME
    return path.read_bytes() if path.is_file() and not path.is_symlink() else b""


def read(folder: Path) -> tuple[Entry, ...]:
    """The entries that can be read, in file order. What is wrong with the rest is for `verify` to say."""
    return entries_of(content(folder))


def entries_of(log: bytes) -> tuple[Entry, ...]:
    """The entries that can be read in a journal's bytes, in their order."""
    return tuple(entry for entry in _lines(log) if entry is not None)


@functools.lru_cache(maxsize=2)
def _lines(log: bytes) -> tuple[Entry | None, ...]:
    """Each line of a journal's bytes as an entry, the last one too; a command asks for the same bytes many times."""
    return tuple(_entry(line) for line in log.split(b"\n"))


def torn(log: bytes) -> bytes:
    """What a crash in mid-write left of the last line: bytes without an end that are no entry."""
    tail = log.rpartition(b"\n")[2]
    return b"" if not tail or _entry(tail) is not None else tail


def last_digests(entries: Iterable[Entry]) -> dict[str, str]:
    """The digest of every file of the folder as it was last written."""
    files: dict[str, str] = {}
    for entry in entries:
        for name in entry.removed:
            files.pop(name, None)
        files.update(entry.wrote)
    return files


def _broken(where: str, got: str, do: str, code: str) -> Problem:
    return Problem(code, "stop", where, got, "every line as it was written, in order", do)


_MOST = 20  # lines that are told one by one
_RECOVER = "compare with a copy of the folder or with the head printed on sheets and reports"


def check_log(log: bytes) -> tuple[Problem, ...]:
    """What is wrong with the chain in a journal's bytes: lines changed, missing, added, reordered or cut short."""
    lines = log.split(b"\n")
    tail = lines.pop()
    problems = []
    before, number = START, 0
    known: dict[str, int] = {}
    entries = _lines(log)[:-1]
    for count, (raw, entry) in enumerate(zip(lines, entries, strict=True), 1):
        where = f"{NAME}, line {count}"
        if entry is None:
            after = entries[count] if count < len(entries) else None
            if after is not None and after.read.get(NAME) == digest_of(raw) and after.before == before:
                problems.append(_passed_over(where, after))
                continue
            problems.append(_broken(where, "not a journal entry any more", _RECOVER, "journal-changed"))
            before, number = "", number + 1
            continue
        if _digest(_body(entry)) != entry.digest or line_of(entry) != raw + b"\n":
            problems.append(_broken(where, "changed since it was written", _RECOVER, "journal-changed"))
        elif before and entry.before != before:
            problems.append(_broken(where, _out_of_order(entry, number, known), _RECOVER, "journal-order"))
        known[entry.digest] = count
        before, number = entry.digest, entry.number
    if tail:
        problems.append(_tail(f"{NAME}, line {len(lines) + 1}", tail, before, number))
    if len(problems) > _MOST:
        more = _broken(NAME, f"{len(problems) - _MOST} more lines are wrong", _RECOVER, "journal-changed")
        problems = [*problems[:_MOST], more]
    return tuple(problems)


def _tail(where: str, tail: bytes, before: str, number: int) -> Problem:
    """What is said of a last line without an end: what a crash leaves of the line that was due, or another text."""
    entry = _entry(tail)
    due = f'{{"n":{number + 1},"when":"'.encode()
    ours = entry is not None and entry.before == before and line_of(entry) == tail + b"\n"
    if ours or not tail.strip(b"\0") or (entry is None and (tail.startswith(due) or due.startswith(tail))):
        return _broken(
            where,
            "cut short, as a crash or a copy in mid-write leaves it; every line before it stands for itself",
            "repeat the last command; if nothing crashed, " + _RECOVER,
            "journal-cut",
        )
    return _broken(where, "has no end and is not the line that was due", _RECOVER, "journal-changed")


def _passed_over(where: str, after: Entry) -> Problem:
    got = f"cut short by a crash; entry {after.number} ({after.command}, {after.when}) found it so and went on after it"
    return Problem("journal-passed-over", "warn", where, got, "", "nothing more to do, once that entry is known to you")


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
