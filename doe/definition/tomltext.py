"""The text of study.toml as nested tables, with what is wrong in its writing said in words."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from typing import Any

from doe.plain import plain
from doe.problems import Problem, StudyError

_PLACE = re.compile(r" \(at line (\d+), column (\d+)\)$")
_COMMA = re.compile(r"=\s*[+-]?\d+,\d+\s*(#.*)?$")
_NO_QUOTES = re.compile(r"=\s*[^\W\d][\w .-]*\s*(#.*)?$")


def parsed(text: str) -> dict[str, Any]:
    """The tables of a TOML text. Raises StudyError that shows the line at fault."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise StudyError([_problem(text, str(error))]) from None
    except RecursionError:
        raise StudyError([_too_deep()]) from None
    except ValueError:  # a whole number of thousands of digits
        got, do = "a number of thousands of digits", "take it out"
        raise StudyError([Problem("bad-toml", "stop", "study.toml", got, "numbers that can be weighed", do)]) from None


def _too_deep() -> Problem:
    return Problem("bad-toml", "stop", "study.toml", "brackets in brackets without end", "TOML", "take them out")


def _problem(text: str, said: str) -> Problem:
    place = _PLACE.search(said)
    what = _PLACE.sub("", said).replace(" (at end of document)", "")
    lines = text.splitlines() or [""]
    number = min(int(place[1]), len(lines)) if place else len(lines)
    line = lines[number - 1].strip()
    at = f"column {place[2]}" if place else "the end"
    got = f"{line[:80]!r}, at {at}: {what[:1].lower()}{what[1:]}"
    return Problem(
        "bad-toml", "stop", f"study.toml, line {number}", got, "one key = value in a line", _advice(line, what)
    )


def _advice(line: str, what: str) -> str:
    if _COMMA.search(line):
        return "write decimals with a point"
    if "overwrite" in what or "twice" in what:
        return "each key stands once in its section; each further ingredient needs its own [[ingredient]]"
    if _NO_QUOTES.search(line):
        return 'put text in quotes: "..."'
    if line.count('"') % 2:
        return "close the quotes in the same line"
    return "mend the line; text stands in quotes, decimals have a point"


def written(text: str) -> str:
    """Text as a TOML string: quotes and backslashes escaped, signs that cannot be seen left out."""
    seen = "".join(sign if sign.isprintable() else " " for sign in text)
    return '"' + " ".join(seen.split()).replace("\\", "\\\\").replace('"', '\\"') + '"'


def tables_of(source: Mapping[str, Any]) -> dict[str, Any]:
    """A private copy of nested tables as plain data. Raises StudyError where they go too deep."""
    try:
        return dict(plain(source))
    except RecursionError:
        raise StudyError([_too_deep()]) from None
