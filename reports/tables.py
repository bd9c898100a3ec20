"""Aligned text for the terminal, and names made harmless: no control character reaches a screen."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from functools import lru_cache

COLUMNS = 80  # of a line: what every terminal holds

# A command to be pasted stays on one line, with what a shell takes for one word; all else breaks at plain spaces only,
# so that a number stays with its unit.
_WORD = re.compile(r"""blendwright(?: (?:'[^']*'|"[^"]*"|[^\s;,()'"])+)+[^ ]*|[^ ]+""")

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
    """Rows in columns two spaces apart; columns `right` are set flush right. Cells are made harmless and cut.

    Where a line would not hold them, headings break into words, then what is longest in a column set flush left.
    """
    lines, heads, widths = _laid_out(rows, head, right, most)
    if not heads:
        return "\n".join(lines)
    over = [[fitted(piece, most) for piece in _pieces(c, w)] for c, w in zip(heads, widths, strict=True)]
    deep = max(map(len, over))
    above = _broken([[""] * (deep - len(each)) + each for each in over], widths, right)
    return "\n".join([*above, "  ".join("-" * w for w in widths), *lines])


def aligned_rows(rows: Sequence[Sequence[object]], right: Sequence[int] = (), most: int = 46) -> list[str]:
    """The same without headings, a text a row: one of more than a line holds its line breaks."""
    return _laid_out(rows, (), right, most)[0]


def _laid_out(
    rows: Sequence[Sequence[object]], head: Sequence[str], right: Sequence[int], most: int
) -> tuple[list[str], list[str], list[int]]:
    """A text a row, the headings made harmless, and how wide each column is."""
    body = [[fitted(clean(cell), most) for cell in row] for row in rows]
    heads = [clean(cell) for cell in head]
    if not body and not heads:
        return [], [], []
    widths = _widths(body, heads, right, most)
    pieces = [[_pieces(cell, room) for cell, room in zip(row, widths, strict=True)] for row in body]
    return ["\n".join(_broken(row, widths, right)) for row in pieces], heads, widths


def _widths(body: Sequence[Sequence[str]], heads: Sequence[str], right: Sequence[int], most: int) -> list[int]:
    """How wide each column is: as wide as all in it, else as narrow as it takes for a line to hold them."""
    count = len(heads) if heads else len(body[0])
    cells = [max((width(row[i]) for row in body), default=0) for i in range(count)]
    words = [min(max(map(width, head.split(" "))), most) for head in heads] or [0] * count
    whole = [min(width(head), most) for head in heads] or [0] * count
    least = [max(pair) for pair in zip(cells, words, strict=True)]
    widths = [max(pair) for pair in zip(cells, whole, strict=True)]
    over = sum(widths) + 2 * (count - 1) - COLUMNS
    for i in sorted(range(count), key=lambda i: least[i] - widths[i]):
        gone = min(max(over, 0), widths[i] - least[i])
        # A heading that has to break breaks as evenly as it can.
        widths[i] = _evenly(heads[i], widths[i] - gone, least[i]) if gone else widths[i]
        over -= gone
    for i in sorted((i for i in range(count) if i not in right), key=lambda i: -widths[i]):
        word = max((width(word) for row in body for word in row[i].split(" ")), default=0)
        narrow = max(_NARROW, words[i], word)
        gone = min(max(over, 0), widths[i] - narrow)
        if gone > 0:
            widths[i] = max(_evenly(row[i], widths[i] - gone, narrow) for row in body)
            over -= gone
    return widths


_NARROW = 16  # columns below which no cell is broken


def _evenly(text: str, room: int, least: int) -> int:
    """The narrowest width from `least` on that breaks a text into no more lines than `room` does."""
    lines = len(_pieces(text, room))
    return next(size for size in range(least, max(room, least) + 1) if len(_pieces(text, size)) <= lines)


def _pieces(text: str, room: int) -> list[str]:
    """A text as lines of at most `room` columns, broken at plain spaces."""
    return wrapped(text, room).split("\n") if width(text) > room else [text]


def _broken(cells: Sequence[Sequence[str]], widths: Sequence[int], right: Sequence[int]) -> list[str]:
    """The lines of a row whose cells are of one line or more."""
    lines = []
    for k in range(max(map(len, cells))):
        each = [pieces[k] if k < len(pieces) else "" for pieces in cells]
        padded = [
            " " * (room - width(cell)) + cell if i in right else cell + " " * (room - width(cell))
            for i, (cell, room) in enumerate(zip(each, widths, strict=True))
        ]
        lines.append("  ".join(padded).rstrip())
    return lines


def wrapped(text: str, columns: int = COLUMNS, indent: str = "") -> str:
    """Prose broken into lines of at most `columns`; the first keeps its own indent, later ones take `indent`.

    A command to be pasted is not broken, however long it is.
    """
    lines: list[list[str]] = []
    taken = 0
    whole = clean(text)
    lead = whole[: len(whole) - len(whole.lstrip(" "))]
    for word in _WORD.findall(whole):
        size = width(word)
        if not lines or taken + 1 + size > columns - len(indent):
            lines.append([word])
            taken = size
        else:
            lines[-1].append(word)
            taken += 1 + size
    return lead + f"\n{indent}".join(" ".join(line) for line in lines)
