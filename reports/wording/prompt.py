"""Commands as they are typed at a prompt: what is shown can be pasted, whatever a folder or a trial is called."""

from __future__ import annotations

import os
import re
import shlex

_PLAIN = re.compile(r"[A-Za-z0-9_@+=:,./\\-]+")


def typed(*words: object) -> str:
    """The command line `blendwright` with these words, each quoted where a shell would take it apart."""
    return " ".join(["blendwright", *(quoted(str(word)) for word in words)])


def quoted(word: str) -> str:
    """One word as a shell takes it for one (POSIX, Shell Command Language, 2.2; on Windows in double quotes)."""
    if os.name != "nt":
        return shlex.quote(word)
    return word if _PLAIN.fullmatch(word) else f'"{word}"'
