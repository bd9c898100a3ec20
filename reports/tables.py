"""Aligned text for the terminal, and names made harmless: no control character reaches a screen."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from functools import lru_cache

# Marks that turn the direction of the text that follows (Unicode Bidirectional Algorithm, UAX 9).
_TURNING = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def clean(text: object) -> str:
    """Text without control characters, terminal escapes or direction marks; line breaks and tabs become spaces."""
    whole = str(text)
    if whole.isascii() and whole.isprintable():
        return whole
    out = []
    for letter in whole:
        if letter in "\n\r\t":
            out.append(" ")
        elif letter not in _TURNING and unicodedata.category(letter) not in ("Cc", "Cs"):
            out.append(letter)
    return "".join(out)


def width(text: str) -> int:
    """Columns that a text takes on a terminal: wide letters count two, combining marks none (UAX 11)."""
    return len(text) if text.isascii() else sum(map(_columns, text))


@lru_cache(maxsize=4096)
def _columns(letter: str) -> int:
    if unicodedata.combining(letter):
        return 0
    return 2 if unicodedata.east_asian_width(letter) in ("W", "F") else 1


def fitted(text: str, most: int) -> str:
    """`text` in at most `most` columns, cut with an ellipsis."""
    if width(text) <= most:
        return text
    out = ""
    for letter in text:
        if width(out + letter) > most - 1:
            break
        out += letter
    return out.rstrip() + "…"


def aligned(
    rows: Sequence[Sequence[object]], head: Sequence[str] = (), right: Sequence[int] = (), most: int = 46
) -> str:
    """Rows in columns two spaces apart; columns `right` are set flush right. Cells are made harmless and cut."""
    table = [[fitted(clean(cell), most) for cell in row] for row in ([head, *rows] if head else rows)]
    if not table:
        return ""
    widths = [max(width(row[i]) for row in table) for i in range(len(table[0]))]
    lines = []
    for row in table:
        cells = [
            " " * (widths[i] - width(cell)) + cell if i in right else cell + " " * (widths[i] - width(cell))
            for i, cell in enumerate(row)
        ]
        lines.append("  ".join(cells).rstrip())
    if head:
        lines.insert(1, "  ".join("-" * w for w in widths))
    return "\n".join(lines)


def wrapped(text: str, columns: int = 80, indent: str = "") -> str:
    """Prose broken into lines of at most `columns`; the first keeps its own indent, later ones take `indent`."""
    lines: list[list[str]] = []
    taken = 0
    whole = clean(text)
    lead = whole[: len(whole) - len(whole.lstrip(" "))]
    # Only at plain spaces: a number stays with its unit.
    for word in filter(None, whole.split(" ")):
        size = width(word)
        if not lines or taken + 1 + size > columns - len(indent):
            lines.append([word])
            taken = size
        else:
            lines[-1].append(word)
            taken += 1 + size
    return lead + f"\n{indent}".join(" ".join(line) for line in lines)
