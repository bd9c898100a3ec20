"""Levels as a person gives them on the command line or in a table, completed to whole recipes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import pandas as pd

from doe import Study
from doe.definition.categories import material_of
from doe.definition.cells import NOTED, Entry, decimal_mark, read_number
from doe.definition.keys import nearest
from doe.definition.materials import settled
from doe.problems import Problem, StudyError
from doe.tables.tables import RawTable, file_bytes, is_blank, tables_from_bytes

_IDS = ("trial", "batch", "formula", "name", "id")
_TOLERANCE = 1e-4

Levels = dict[str, float | str]


def parsed(text: str, study: Study, where: str) -> Levels:
    """Levels from "Gum=0.5,Wax=3" (also with ; between). Raises StudyError with every piece that cannot be read."""
    out, problems = readable(text, study, where)
    if problems:
        raise StudyError(problems)
    return out


def readable(text: str, study: Study, where: str) -> tuple[Levels, list[Problem]]:
    """The levels that can be read, and what is wrong with the other pieces."""
    problems: list[Problem] = []
    out: Levels = {}
    for piece in _pieces(text, study):
        name, sign, value = (part.strip() for part in piece.rpartition("="))
        if not sign or not name:
            hint = "write decimals with a point" if piece.strip().isdigit() else "write NAME=LEVEL, with commas between"
            problems.append(Problem("levels", "stop", where, repr(piece.strip()), "NAME=LEVEL, ...", hint))
        elif (known := _known(name, study)) is None:
            problems.append(_unknown(name, study, where))
        elif known in out:
            problems.append(
                Problem("levels", "stop", where, f"{known} is given twice", "each name once", "take one out")
            )
        else:
            read = _level(value, known, study, where)
            if isinstance(read, Problem):
                problems.append(read)
            else:
                out[known] = read
    return out, problems


def _pieces(text: str, study: Study) -> list[str]:
    """The text cut at commas, except at those that stand in an ingredient's own name (1,2-Hexanediol)."""
    out: list[str] = []
    for piece in text.replace(";", ",").replace("\n", ",").split(","):
        whole = f"{out[-1]},{piece}" if out and "=" not in out[-1] else ""
        if whole and _known(whole.rpartition("=")[0].strip(), study):
            out[-1] = whole
        elif piece.strip():
            out.append(piece)
    return out


def _known(name: str, study: Study) -> str | None:
    if name in study.columns:
        return name
    folded = [column for column in study.columns if column.casefold() == name.casefold()]
    return folded[0] if len(folded) == 1 else None


def _unknown(name: str, study: Study, where: str) -> Problem:
    near = nearest(name, study.columns)
    do = f"did you mean {near}?" if near else "use a name of study.toml"
    return Problem("unknown-name", "stop", where, f"{name!r} is no ingredient or factor of this study",
                   ", ".join(study.columns), do)  # fmt: skip


def _level(value: object, name: str, study: Study, where: str, mark: str = "point") -> float | str | Problem:
    categories = {factor.name: factor.levels for factor in study.category_factors}
    if name in categories:
        word = str(value).strip()
        if word in categories[name]:
            return word
        return Problem("level", "stop", where, f"{name} = {word!r}", ", ".join(categories[name]), "use one of these")
    read = read_number(value, "", mark)  # type: ignore[arg-type]
    if isinstance(read, Entry) and read.bound == "none" and read.value is not None:
        return read.value
    got = f"{name} = {value!r}" if isinstance(read, Entry) else f"{name} = {read.got}"
    do = "write a number, with a decimal point" if isinstance(read, Entry) else read.do.removesuffix(NOTED)
    own = material_of(name)
    do = f"{do}; a material of it is named by {own}={categories[own][0]}" if own in categories else do
    return Problem("level", "stop", where, got, "a number", do)


def completed(
    rows: Sequence[Mapping[str, float | str]], names: Sequence[str], study: Study, where: str
) -> pd.DataFrame:
    """Whole recipes, one a row, columns `study.columns`: fixed levels filled in, the fill computed.

    Where there is no fill and one varied level is missing, it takes what is left. Raises StudyError with
    everything that is missing or does not add up.
    """
    problems: list[Problem] = []
    out = []
    for name, row in zip(names, rows, strict=True):
        place = where if len(rows) == 1 else f"{where}, {name}"
        whole = dict(row)
        problems += _fill_in(whole, study, place)
        out.append(whole)
    if problems:
        raise StudyError(problems)
    return pd.DataFrame(out, index=pd.Index(list(names)), columns=list(study.columns))


def _fill_in(whole: Levels, study: Study, where: str) -> list[Problem]:
    """Fill in fixed levels and the fill of one recipe, which is changed; what is missing or does not add up is told."""
    for item in study.fixed:
        whole.setdefault(item.name, float(item.level or 0.0))
    for item in study.ingredients:
        if item.withdrawn:
            whole.setdefault(item.name, 0.0)
    problems = _settle(whole, study, where)
    if problems:
        return problems
    needed = [i.name for i in study.ingredients] + [f.name for f in study.factors]
    fill = study.fill.name if study.fill else None
    missing = [name for name in needed if name not in whole and name != fill]
    if fill is None and len(missing) == 1 and missing[0] in {i.name for i in study.varied}:
        fill = missing.pop()
    if missing:
        problems.append(Problem("missing-level", "stop", where, f"no level for {', '.join(missing)}",
                                "a level for every varied ingredient and factor", "add them"))  # fmt: skip
    below = [f"{i.name} = {whole[i.name]:g}" for i in study.ingredients if float(whole.get(i.name, 0.0)) < 0]
    if below:
        problems.append(Problem("level", "stop", where, ", ".join(below), "0 or more of each", "give what goes in"))
    if problems:
        return problems
    if not study.ingredients:
        return []
    others = sum(float(whole[i.name]) for i in study.ingredients if i.name != fill)
    if fill is not None and fill not in whole:
        whole[fill] = study.total - others
        if study.total - others < -_TOLERANCE * study.total:
            return [Problem("sum", "stop", where, f"the levels given add up to {others:g}", f"at most {study.total:g}",
                            "lower some of them")]  # fmt: skip
        return []
    total = others + (float(whole[fill]) if fill is not None else 0.0)
    if abs(total - study.total) > _TOLERANCE * study.total:
        return [Problem("sum", "stop", where, f"the levels add up to {total:g}", f"{study.total:g}",
                        f"leave {fill} out and it takes up the rest" if fill else "mend the levels")]  # fmt: skip
    if fill is not None:
        whole[fill] = study.total - others
    return []


def _settle(whole: Levels, study: Study, where: str) -> list[Problem]:
    """Put the material of what is absent to none; a material that does not fit its level is a problem."""
    problems: list[Problem] = []
    for factor in study.category_factors:
        if factor.of is None or factor.of not in whole:
            continue
        item = study.ingredient(factor.of)
        found = settled(item, float(whole[factor.of]), whole.get(factor.name))
        if isinstance(found, Problem):
            problems.append(replace(found, where=f"{where}, {found.where}"))
        else:
            whole[factor.name] = found
    return problems


def formulas_at(text: str, study: Study) -> pd.DataFrame:
    """What `--at` gives: a table's file, or levels. One whole recipe a row, indexed by its name or number."""
    path = Path(text)
    if "=" not in text or path.is_file():
        if not path.is_file():
            do = 'check its name, or write levels: "Gum=0.5,Wax=3"'
            got = f"{text!r} is {'a folder' if path.is_dir() else 'not there'}"
            raise StudyError([Problem("no-file", "stop", "--at", got, "a .csv or .xlsx file, or levels", do)])
        return from_table(tables_from_bytes(file_bytes(path), path.name)[0], study)
    return completed([parsed(text, study, "--at")], ["1"], study, "--at")


def from_table(table: RawTable, study: Study) -> pd.DataFrame:
    """Whole recipes from a table with a column a name of the study; an id column names the rows."""
    problems: list[Problem] = []
    columns: dict[int, str] = {}
    ids = None
    for number, head in enumerate(table.header):
        known = _known(head.strip(), study)
        if known is not None:
            columns[number] = known
        elif head.strip().lower() in _IDS:
            ids = number
        elif head.strip() and head.strip() not in {response.name for response in study.responses}:
            problems.append(_unknown(head.strip(), study, table.where(None, number)))
    rows: list[Levels] = []
    names: list[str] = []
    marks = {number: decimal_mark(row[number] for row in table.rows) for number in columns}
    for row, cells in enumerate(table.rows):
        given: Levels = {}
        for number, name in columns.items():
            if is_blank(cells[number]):
                continue
            read = _level(cells[number], name, study, table.where(row, number), marks[number])
            if isinstance(read, Problem):
                problems.append(read)
            else:
                given[name] = read
        rows.append(given)
        names.append(str(cells[ids]).strip() if ids is not None and not is_blank(cells[ids]) else str(row + 1))
    if not rows:
        problems.append(Problem("empty", "stop", table.where(), "has no row", "a row a formula", "fill it"))
    if problems:
        raise StudyError(problems)
    return completed(rows, names, study, table.where())
