"""Findings as they are read: those that say the same of several places as one, the gravest first."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from doe.problems import Problem, listed
from doe.trade.findings import study_findings
from reports.numbers import spans

if TYPE_CHECKING:
    from doe.study import Study

_LEVELS = ("stop", "warn", "inform")
# How each level reads where findings stand in lines, and one that stops but was taken on purpose.
LEVEL_WORDS = {"stop": "STOP", "warn": "look", "inform": "note"}
TAKEN = "taken"
_SAYS_SOMETHING = 20  # letters
_EXPLAINS = re.compile(r"[:;] | \(")
# What may be a slip of the pen is mended soonest, so it leads those of its level.
_SLIPS = ("impossible", "slip", "swapped", "off-target")


def ranked(problems: Iterable[Problem]) -> list[Problem]:
    """The gravest first, slips of the pen first among their level; what differs in nothing but its place as one."""
    places: dict[Problem, list[str]] = {}
    for problem in problems:
        places.setdefault(replace(problem, where=""), []).append(problem.where)
    one_each = [replace(problem, where=_in_one(list(dict.fromkeys(where)))) for problem, where in places.items()]
    return sorted(one_each, key=lambda p: (_LEVELS.index(p.level), p.code not in _SLIPS))


def gist(text: str) -> str:
    """What a finding begins with, up to where it begins to explain."""
    ends = (found.start() for found in _EXPLAINS.finditer(text))
    return text[: next((end for end in ends if end >= _SAYS_SOMETHING), len(text))]


def told_before(study: Study, problems: Sequence[Problem]) -> tuple[list[Problem], str]:
    """What is new among some findings, and a line for the notes that `check` tells of the study already.

    Two notes or more make the line; "" otherwise.
    """
    told = (*study.problems, *study_findings(study))
    before = {(note.code, note.where) for note in told if note.level == "inform"}
    old = [one for one in problems if one.level == "inform" and (one.code, one.where) in before]
    if len(old) < 2:
        return list(problems), ""
    places = listed(list(dict.fromkeys(one.where for one in old)))
    return [p for p in problems if p not in old], f"{len(old)} notes as before ({places}): check and report tell them."


_MANY = {"trial ": "trials ", "round ": "rounds "}


def _in_one(places: Sequence[str]) -> str:
    """Several places as one: what they begin with alike, then what each has of its own."""
    pieces = [place.split(", ") for place in places]
    shared = 0
    while len(places) > 1 and all(len(own) > shared + 1 and own[shared] == pieces[0][shared] for own in pieces):
        shared += 1
    own = [", ".join(rest[shared:]) for rest in pieces]
    kind = own[0].partition(" ")[0] + " "
    if len(own) > 1 and all(one.startswith(kind) for one in own):
        own = [one.removeprefix(kind) for one in own]
        return ", ".join([*pieces[0][:shared], _MANY.get(kind, kind) + _few(own)])
    return ", ".join([*pieces[0][:shared], _few(own)])


def _few(names: Sequence[str]) -> str:
    return listed(spans(names).split(", "))
