"""Where a formula stands in a file: its sheet, the row of its headings, and what each column is."""

from __future__ import annotations

from collections.abc import Mapping

from doe.definition.celltext import tidy
from doe.problems import Problem, StudyError
from doe.tables.rawtable import Grid, is_blank
from studies.formula_words import kind_of

_LOOK_ROWS = 40  # a header stands in the first rows, below the title
_NAMES, _AMOUNTS = {"name", "inci"}, {"share", "ppm", "grams", "amount", "range", "low"}
_WORDS = {
    "share": "level in %",
    "ppm": "level in ppm; 10 000 ppm are 1 %",
    "grams": "weight",
    "inci": "INCI",
    "price": "price",
    "range": "low to high",
}


def formula_sheet(grids: tuple[Grid, ...]) -> tuple[Grid, int, list[Problem]]:
    """The first sheet and row with the headings of a formula, and what was left aside. Raises StudyError without."""
    notes = [finding for grid in grids for finding in grid.findings]
    for grid in grids:
        for row in range(min(len(grid.rows), _LOOK_ROWS)):
            kinds = _kinds(grid, row)
            if not (kinds & _NAMES and kinds & _AMOUNTS):
                continue
            if row + 1 == len(grid.rows):
                got = "a header without rows"
                raise StudyError([Problem("empty", "stop", grid.where(row), got, "a row an ingredient", "fill it in")])
            notes += [_aside(other.where(), "another sheet, not read") for other in grids if other is not grid]
            notes += [_aside(grid.where(n), f"{row_text(grid, n)!r} stands above, not used") for n in range(row)]
            return grid, row, notes
    raise StudyError(_no_header(grids))


def _kinds(grid: Grid, row: int) -> set[str]:
    return {kind_of(cell) for cell in grid.rows[row] if isinstance(cell, str)}


def _aside(where: str, got: str) -> Problem:
    return Problem("not-read", "inform", where, got, "", "")


def _no_header(grids: tuple[Grid, ...]) -> list[Problem]:
    first = grids[0]
    shown = ", ".join(repr(tidy(str(cell))) for cell in first.rows[0] if not is_blank(cell)) or "nothing"
    seen = set().union(*(_kinds(grid, row) for grid in grids for row in range(min(len(grid.rows), _LOOK_ROWS))))
    wanted = {
        "a column Ingredient, Rohstoff, Matière première or the like": _NAMES,
        "a column % (or g)": _AMOUNTS,
    }
    lacking = [column for column, kinds in wanted.items() if not seen & kinds] or list(wanted)
    what = dict(zip(wanted, ("the names of the ingredients", "their amounts"), strict=True))
    do = "head that column so, in one row with the other headings"
    return [
        Problem("no-column", "stop", first.where(),
                f"no column is known to hold {what[column]}; the first row has {shown}", column, do)
        for column in lacking
    ]  # fmt: skip


def row_text(grid: Grid, row: int) -> str:
    """What stands in a row, as one line."""
    return " | ".join(dict.fromkeys(tidy(str(cell)) for cell in grid.rows[row] if not is_blank(cell)))[:80]


def columns_of(grid: Grid, header: int) -> dict[str, int]:
    """Which column is what; of several that fit, the first."""
    found: dict[str, int] = {}
    for place, cell in enumerate(grid.rows[header]):
        kind = kind_of(cell) if isinstance(cell, str) else ""
        if kind:
            found.setdefault(kind, place)
    if "name" not in found:
        found["name"] = found["inci"]
    if "amount" in found and not found.keys() & {"share", "ppm", "grams"}:
        found["share"] = found["amount"]
    found.pop("amount", None)
    return found


def tell_columns(grid: Grid, header: int, columns: Mapping[str, int]) -> list[Problem]:
    """What each column was taken for, and which were not used."""
    used = {place: kind for kind, place in columns.items()}
    taken, left = [], []
    for place, cell in enumerate(grid.rows[header]):
        if is_blank(cell):
            continue
        text = tidy(str(cell))
        if place in used:
            taken.append(f"{text} ({_WORDS.get(used[place], used[place])})")
        else:
            left.append(text)
    where = grid.where(header)
    out = [Problem("columns", "inform", where, "columns understood: " + ", ".join(taken), "", "")]
    if left:
        do = "name them otherwise, or leave them"
        out.append(Problem("columns", "warn", where, "columns not used: " + ", ".join(left), "", do))
    return out
