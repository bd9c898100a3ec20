"""XML from other people, gone through once before anything is built of it: no entities, nothing too deep or too big."""

from __future__ import annotations

import contextlib
import re
import zipfile
from typing import Any
from xml.parsers import expat

MAX_ELEMENTS = 1_500_000
MAX_DEPTH = 200
MAX_MERGED = 200_000
_AREA = re.compile(r"\$?([A-Za-z]{1,3})\$?([0-9]{1,7}):\$?([A-Za-z]{1,3})\$?([0-9]{1,7})")
_CHUNK = 1 << 20


class MarkupError(ValueError):
    """XML that is not read."""


class TooBigError(MarkupError):
    """XML that would come to more than a table can need."""


def check_markup(archive: zipfile.ZipFile, part: str) -> None:
    """Raises MarkupError for a part that declares a document type or entities, or is nested too deep.

    Raises TooBigError where it holds more elements, or merges more cells, than a series of trials can need. What is no
    XML is left to who reads it.
    """
    guard = _Guard()
    with archive.open(part) as opened, contextlib.suppress(expat.ExpatError):
        while chunk := opened.read(_CHUNK):
            guard.parser.Parse(chunk, False)
        guard.parser.Parse(b"", True)


class _Guard:
    def __init__(self) -> None:
        self.elements = self.depth = self.merged = 0
        self.parser: Any = expat.ParserCreate()
        self.parser.StartDoctypeDeclHandler = self.doctype
        self.parser.StartElementHandler = self.start
        self.parser.EndElementHandler = self.end

    def doctype(self, *said: object) -> None:
        raise MarkupError("a document type")

    def start(self, name: str, attributes: dict[str, str]) -> None:
        self.elements += 1
        self.depth += 1
        if self.depth > MAX_DEPTH:
            raise MarkupError("nested too deep")
        if name.endswith("mergeCell"):
            self.merged += _cells(attributes.get("ref", ""))
        if self.elements > MAX_ELEMENTS or self.merged > MAX_MERGED:
            raise TooBigError("more than a table can need")

    def end(self, name: str) -> None:
        self.depth -= 1


def _cells(area: str) -> int:
    """How many cells an area such as A1:C3 has; 1 where it is no area."""
    match = _AREA.fullmatch(area)
    if match is None:
        return 1
    left, right = (_column(letters) for letters in (match[1], match[3]))
    return (abs(right - left) + 1) * (abs(int(match[4]) - int(match[2])) + 1)


def _column(letters: str) -> int:
    number = 0
    for letter in letters.upper():
        number = 26 * number + ord(letter) - 64
    return number
