"""What each column of a returned table is: a level, a response, a lot, or one of the words that go with a trial."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from doe.bench.bench import MAKE_WORDS
from doe.definition.celltext import tidy
from doe.definition.parts import Factor, Ingredient
from doe.definition.units import same_unit, unit_factor
from doe.problems import Problem
from doe.tables.rawtable import RawTable

if TYPE_CHECKING:
    from doe.study import Study

Kind = Literal["level", "response", "lot", "word"]

# Columns that go with a trial, besides the names of the study.
TRIAL_WORDS = (
    "trial", "batch", "reading", "round", "block", "whole_plot", "order", "made_at", "read_at", "operator",
    "set_aside", "note",
)  # fmt: skip
# Columns of a long table, one reading a row, and of batches.csv.
LONG_WORDS = (
    "response", "value", "bound", "value_to", "unit", "kind", "method", "speed", "torque_pct", "age_h", "session",
    "flag",
)  # fmt: skip
BATCH_WORDS = ("state", "why", "day", "source_id", "replicate_group")
WEIGH_WORDS = ("weighed_g", "after_heat_g", "made_up_to_g", "ph_before", "ph_after")
_WORDS = frozenset((*TRIAL_WORDS, *LONG_WORDS, *BATCH_WORDS, *WEIGH_WORDS))
_WITH_UNIT = re.compile(r"(?P<name>.+?)\s*(?:\[(?P<square>[^\[\]]*)\]|\((?P<round>[^()]*)\))")


@dataclass(frozen=True, slots=True)
class Column:
    """A column's role: `kind` and the name it has in the study (or the reserved word)."""

    kind: Kind
    name: str
    place: int


@dataclass(frozen=True, slots=True)
class Headings:
    """The columns of one table, by role."""

    columns: tuple[Column, ...]

    def of(self, kind: Kind) -> tuple[Column, ...]:
        """The columns of one kind, as they stand."""
        return tuple(column for column in self.columns if column.kind == kind)

    def word(self, name: str) -> int | None:
        """Where a reserved word's column stands; None if it does not."""
        return next((c.place for c in self.columns if c.kind == "word" and c.name == name), None)

    @property
    def is_long(self) -> bool:
        """Whether each row is one reading, named in column `response`."""
        return self.word("response") is not None and self.word("value") is not None


def read_headings(study: Study, table: RawTable) -> tuple[Headings, list[Problem]]:
    """The role of each column, and what is wrong with the header: unknown names, with the nearest known one, and units.

    Names count as written; case and spaces are forgiven where only one name is meant. A unit may follow in brackets.
    """
    names = _known(study)
    columns: list[Column] = []
    problems: list[Problem] = []
    taken: dict[tuple[str, str], str] = {}
    for place, heading in enumerate(table.header):
        found = _role(study, names, heading, place)
        where = table.where(None, place)
        if isinstance(found, str):
            problems.append(Problem("unknown-column", "stop", where, f"{heading!r} is no name of this study",
                                    "names of study.toml, and trial, batch, reading, note ...", found))  # fmt: skip
            continue
        if isinstance(found, Problem):
            problems.append(replace(found, where=where))
            continue
        if (found.kind, found.name) in taken:
            twice = f"{heading} and {taken[found.kind, found.name]} are one name"
            problems.append(Problem("table", "stop", where, twice, "each name once", "remove or rename one of them"))
        taken[found.kind, found.name] = heading
        columns.append(found)
    return Headings(tuple(columns)), problems


def _known(study: Study) -> dict[str, tuple[Kind, str]]:
    known: dict[str, tuple[Kind, str]] = {word: ("word", word) for word in _WORDS}
    known |= {heading: ("word", word) for heading, word in MAKE_WORDS.items()}
    parts: list[Ingredient | Factor] = [*study.ingredients, *study.factors]
    for part in parts:
        known |= dict.fromkeys(part.was, ("level", part.name))
    for part in parts:
        known[part.name] = ("level", part.name)
    for response in study.responses:
        known[response.name] = ("response", response.name)
    return known


def _role(study: Study, known: dict[str, tuple[Kind, str]], heading: str, place: int) -> Column | Problem | str:
    """The column's role, or what is wrong with it: a problem, or words to the nearest name."""
    if heading.casefold().startswith("lot:"):
        name = tidy(heading[4:])
        meant = _meant(name, (item.name for item in study.ingredients))
        return Column("lot", meant, place) if meant else _nearest(name, [item.name for item in study.ingredients])
    meant = _meant(heading, known)
    unit = None
    if meant is None and (parts := _WITH_UNIT.fullmatch(heading)):
        meant = _meant(tidy(parts["name"]), known)
        unit = parts["square"] if parts["square"] is not None else parts["round"]
    if meant is None:
        return _nearest(heading, list(known))
    kind, name = known[meant]
    if unit is not None and (wanted := _unit(study, kind, name)) is not None and not same_unit(unit, wanted):
        return _other_unit(heading, name, unit, wanted)
    return Column(kind, name, place)


def _other_unit(heading: str, name: str, unit: str, wanted: str) -> Problem:
    """A column in another unit than the study's: refused, with what to multiply it by where that is known."""
    title = f"{name} [{wanted}]" if wanted else name
    factor = unit_factor(unit, wanted)
    do = f"multiply the column by {factor:g} and head it {title!r}" if factor else f"give it in {wanted or 'its unit'}"
    return Problem("unit", "stop", f"column {heading}", f"{name} in {unit}", f"{name} in {wanted or 'no unit'}", do)


def _unit(study: Study, kind: Kind, name: str) -> str | None:
    if kind == "response":
        return study.response(name).unit
    if kind == "level":
        return next((f.unit for f in study.factors if f.name == name), study.unit)
    return None


def _meant(text: str, names: Iterable[str]) -> str | None:
    """The one name that is meant by the text, exactly or but for case and spaces; None if none or several.

    The reserved words may be written with a space: `made at` is `made_at`, `torque %` is `torque_pct`.
    """
    names = list(names)
    if text in names:
        return text
    alike = [name for name in names if tidy(name).casefold() == tidy(text).casefold()]
    if not alike:
        word = tidy(text).casefold().replace("%", "pct").replace(" ", "_")
        alike = [name for name in names if name in _WORDS and name == word]
    return alike[0] if len(alike) == 1 else None


def _nearest(text: str, names: list[str]) -> str:
    near = difflib.get_close_matches(text, names, 1, 0.5) or difflib.get_close_matches(text.casefold(), names, 1, 0.5)
    return f"is {near[0]!r} meant? rename the column, or take it out" if near else "rename the column, or take it out"


def nearest_name(text: str, names: Iterable[str]) -> str:
    """Words that point to the nearest of some names: "is 'T07' meant?", or nothing if none is near."""
    near = difflib.get_close_matches(text, list(names), 1, 0.5)
    return f"is {near[0]!r} meant?" if near else ""


def bare_id(trial: str) -> str:
    """An id without what people change in writing it: T01, t1 and T-01 are one."""
    return re.sub(r"(?<![0-9])0+(?=[0-9])", "", re.sub(r"[\s_-]", "", trial).casefold())


def meant_id(trial: str, known: Iterable[str]) -> str:
    """Words that point to the trial or batch that is meant: one that only differs in how it is written, or the nearest;
    nothing if none is near.
    """
    names = list(known)
    alike = [name for name in names if bare_id(name) == bare_id(trial)]
    return f"is {alike[0]!r} meant?" if alike else nearest_name(trial, names)
