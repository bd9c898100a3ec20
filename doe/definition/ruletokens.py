"""The words of a rule: names, numbers and signs as people write them, and what is wrong with those that are none.

A name of letters, digits and blanks stands as it is; one with other signs in it stands in '...', where '' means '.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

from doe.definition.keys import nearest

_NUMBER = re.compile(r"\d+(?:\.\d+)?(?:[eE][+-]?\d+)?|\.\d+(?:[eE][+-]?\d+)?")
_COMPARE = re.compile(r"<=|>=|=<|=>|==|=|≤|≥|<|>")
_WORD = re.compile(r"[^\s+\-*/×·−()<>=≤≥']+")
_QUOTED = re.compile(r"'((?:[^']|'')*)'")
_SIGNS = {"+": "+", "-": "-", "−": "-", "*": "*", "×": "*", "·": "*", "/": "/", "(": "(", ")": ")"}
_LARGEST = 1e12


class RuleError(ValueError):
    """A rule that cannot be read: `reason`, what to `do`, and the characters at fault as `text[start:end]`."""

    def __init__(self, reason: str, start: int, end: int, do: str = "") -> None:
        super().__init__(reason)
        self.reason = reason
        self.start = start
        self.end = end
        self.do = do


@dataclass(frozen=True, slots=True)
class Token:
    """A name, number, comparison or sign (`kind`), and where it stands: `start`, `end`."""

    kind: str
    text: str
    start: int
    end: int


def normalised(text: str) -> str:
    """A name or rule as it is compared: Unicode composed (NFC), every kind of blank one space, none at the ends."""
    return " ".join(unicodedata.normalize("NFC", text).split())


def is_plain(name: str) -> bool:
    """Whether a name may stand in a rule without quotes: letters, digits and blanks, and not a number."""
    return all(c.isalnum() or c in " _" or unicodedata.category(c)[0] == "M" for c in name) and not _NUMBER.fullmatch(
        name
    )


def quoted(name: str) -> str:
    """A name as it stands in a rule: in quotes where it has to be."""
    return name if is_plain(name) else "'" + name.replace("'", "''") + "'"


def next_token(text: str, at: int, names: Sequence[str]) -> Token:
    """What stands at a place of a rule, names (the longest first) before all else. Raises RuleError."""
    if text[at] == "'":
        return _quoted_token(text, at, names)
    for name in names:
        end = at + len(name)
        if not _may_be_meant(name) or not text.startswith(name, at):
            continue
        if end == len(text) or not _WORD.match(text[end]):
            # The longest comes first: PEG-150 before PEG and 2-phenoxyethanol before 2, which would be read as sums.
            if not is_plain(name):
                raise _unquoted(name, names, at)
            return Token("name", name, at, end)
    for kind, pattern in (("compare", _COMPARE), ("number", _NUMBER)):
        match = pattern.match(text, at)
        if match and not (kind == "number" and _WORD.match(text[match.end() : match.end() + 1])):
            if kind == "number" and not float(match.group()) <= _LARGEST:
                raise RuleError(f"{match.group()} is too large", at, match.end(), f"numbers up to {_LARGEST:.0e}")
            return Token(kind, match.group(), at, match.end())
    if text[at] in _SIGNS:
        return Token("sign", _SIGNS[text[at]], at, at + 1)
    match = _WORD.match(text, at)
    raise _strange(text, at, match.end() if match else at + 1, names)


def _quoted_token(text: str, at: int, names: Sequence[str]) -> Token:
    match = _QUOTED.match(text, at)
    if match is None:
        raise RuleError("a quoted name does not end", at, len(text), "close the name with '")
    name = match[1].replace("''", "'")
    if name not in names:
        raise _unknown(name, names, at, match.end())
    return Token("name", name, at, match.end())


def _may_be_meant(name: str) -> bool:
    """Whether a name without quotes may be what someone meant: it begins as a name does, and is not a number."""
    return bool(_WORD.match(name)) and not _NUMBER.fullmatch(name)


def _unquoted(name: str, names: Sequence[str], at: int) -> RuleError:
    """The refusal of a name with signs in it that stands without quotes: it may be meant as a sum as well."""
    do = f"write {quoted(name)}, quotes and all"
    part = next((n for n in names if is_plain(n) and name.startswith(n) and not _WORD.match(name[len(n)])), None)
    if part is None:
        reason = f"{name} has other signs in it than letters, digits and blanks"
        return RuleError(reason, at, at + len(name), do)
    reason = f"{name} is a name, and may be meant to reckon with {part} as well"
    return RuleError(reason, at, at + len(name), f"{do}, for the name; '{part}'{name[len(part) :]} to reckon")


def _strange(text: str, at: int, end: int, names: Sequence[str]) -> RuleError:
    for name in names:
        if not is_plain(name) and text.startswith(name, at):
            return _unquoted(name, names, at)
    word = text[at:end]
    if re.fullmatch(r"\d+,\d+", word):
        return RuleError(f"{word} has a decimal comma", at, end, f"write {word.replace(',', '.')}")
    if re.fullmatch(r"[\d.]+%", word) or word == "%":
        return RuleError(
            "a percent sign stands in the rule", at, end, "write the number alone: it is in the study's unit"
        )
    if re.match(r"\d", word) and (found := _NUMBER.match(word)) and word[found.end() :] in names:
        do = f"write {found.group()} * {word[found.end() :]}"
        return RuleError(f"{word} has no sign between number and name", at, end, do)
    return _unknown(word, names, at, end)


def _unknown(word: str, names: Sequence[str], start: int, end: int) -> RuleError:
    near = nearest(word, tuple(names))
    known = f"use the names of ingredients and numeric factors: {', '.join(names)}"
    do = f"did you mean {quoted(near)}?" if near else known
    return RuleError(f"{word} is not the name of an ingredient or numeric factor", start, end, do)
