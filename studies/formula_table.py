"""An existing formula in a table becomes the beginning of a study: what was understood, and what is still to decide."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from doe.cells import Entry, decimal_mark, read_number
from doe.problems import Problem, ResultsError, StudyError
from doe.tables import RawTable, is_blank, tables_from_bytes

_HEADS = {
    "name": ("ingredient", "raw material", "material", "name", "trade name", "component"),
    "level": ("%", "% w/w", "%w/w", "w/w", "percent", "level", "amount", "share", "wt%", "% (w/w)"),
    "phase": ("phase", "part"),
    "inci": ("inci", "inci name"),
    "price": ("price", "price per kg", "price_per_kg", "eur/kg", "cost per kg"),
}
_WATER = re.compile(r"\b(water|aqua|aq\.?|eau|wasser|q\.?s\.?)\b", re.IGNORECASE)
_REST = re.compile(r"q\.?\s*s\.?|ad\s*100|to\s*100|rest|balance", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class _Line:
    name: str
    level: float | None
    phase: str
    inci: str
    price: float | None


def study_from_table(content: bytes, file: str, study: str) -> tuple[str, list[Problem]]:
    """The text of a study.toml from the first sheet of a CSV or XLSX file with ingredient and % columns.

    Returns it with what was understood (level inform) and what is to be decided (warn). Raises StudyError
    with every cell that cannot be read.
    """
    table = tables_from_bytes(content, file)[0]
    columns = _columns(table)
    lines = _lines(table, columns)
    fill = _fill(lines)
    total = sum(line.level or 0.0 for line in lines)
    notes = [
        Problem("understood", "inform", file, f"{len(lines)} ingredients, adding up to {total:g} %",
                "", f"{lines[fill].name} takes up the rest (q.s.)"),
        Problem("to-decide", "warn", "study.toml", "every level is fixed as in the table",
                "low and high for what is to be varied", "turn level into low and high for each; take the # away"),
        Problem("to-decide", "warn", "study.toml", "no response is defined",
                "what will be measured, with unit, method and limits", "fill in the [[response]] sections"),
    ]  # fmt: skip
    off = total - 100.0
    if lines[fill].level is not None and abs(off) > 0.005 * len(lines):
        notes.append(Problem("sum", "warn", file, f"adds up to {total:g} %", "100 %",
                             "look for a line that was added later; q.s. takes up the difference for now"))  # fmt: skip
    return _toml(lines, fill, study, file), notes


def _columns(table: RawTable) -> dict[str, int]:
    heads = [re.sub(r"\s+", " ", head).strip().lower() for head in table.header]
    found: dict[str, int] = {}
    for kind, words in _HEADS.items():
        for word in words:
            if word in heads and heads.index(word) not in found.values():
                found[kind] = heads.index(word)
                break
    if "name" not in found and "inci" in found:
        found["name"] = found["inci"]
    missing = [kind for kind in ("name", "level") if kind not in found]
    if missing:
        wanted = {"name": "a column Ingredient", "level": "a column %"}
        raise StudyError(
            [Problem("no-column", "stop", table.where(), f"no column that says the {kind}; it has "
                     + ", ".join(h for h in table.header if h), wanted[kind], "name the column so") for kind in missing]
        )  # fmt: skip
    return found


def _lines(table: RawTable, columns: dict[str, int]) -> list[_Line]:
    problems: list[Problem] = []
    lines: list[_Line] = []
    mark = decimal_mark(row[columns["level"]] for row in table.rows)

    def number(row: int, kind: str) -> float | None:
        cell = table.rows[row][columns[kind]] if kind in columns else None
        if is_blank(cell) or (isinstance(cell, str) and _REST.fullmatch(cell.strip())):
            return None
        read = read_number(cell.replace("%", "") if isinstance(cell, str) else cell, "", mark)
        if isinstance(read, Entry) and read.bound == "none":
            return read.value
        got = str(cell) if isinstance(read, Entry) else read.got
        problems.append(Problem("number", "stop", table.where(row, columns[kind]), got, "a number", "mend the cell"))
        return math.nan

    for row, cells in enumerate(table.rows):
        name = _text(cells[columns["name"]])
        if not name or name.lower() in ("total", "sum"):
            continue
        if any(line.name == name for line in lines):
            problems.append(Problem("twice", "stop", table.where(row, columns["name"]), f"{name} stands there twice",
                                    "each ingredient once", "add the two up, or name them apart"))  # fmt: skip
        phase, inci = (_text(cells[columns[kind]]) if kind in columns else "" for kind in ("phase", "inci"))
        lines.append(_Line(name, number(row, "level"), phase, inci, number(row, "price")))
    if not lines:
        problems.append(Problem("empty", "stop", table.where(), "has no ingredient", "a row an ingredient", "fill it"))
    open_lines = [line.name for line in lines if line.level is None]
    if len(open_lines) > 1:
        problems.append(Problem("no-level", "stop", table.where(), f"no level for {', '.join(open_lines)}",
                                "a level for all but one", "fill in the levels; leave one blank for q.s."))  # fmt: skip
    if problems:
        raise ResultsError(problems)
    return lines


def _text(cell: object) -> str:
    text = "" if cell is None else str(cell)
    return " ".join("".join(sign if sign.isprintable() and sign not in '"\\' else " " for sign in text).split())


def _fill(lines: list[_Line]) -> int:
    """The line that takes up the rest: the blank one, else water, else the largest."""
    blank = [number for number, line in enumerate(lines) if line.level is None]
    water = [number for number, line in enumerate(lines) if _WATER.search(f"{line.name} {line.inci}")]
    for found in (blank, water):
        if found:
            return found[0]
    return max(range(len(lines)), key=lambda number: lines[number].level or 0.0)


def _toml(lines: list[_Line], fill: int, study: str, file: str) -> str:
    out = [
        f"# Started from {_text(file)}. Every level stands as it came; decide what to vary, then check.",
        "",
        "[study]",
        f'name = "{study}"',
        "total = 100",
        'unit = "% w/w"',
        "batch_g = 400                    # to decide: size of one bench batch",
        "",
    ]
    for number, line in enumerate(lines):
        out += ["[[ingredient]]", f'name = "{line.name}"']
        if number == fill:
            was = "" if line.level is None else f"; {line.level:g} in the table"
            out.append(f"qs = true                        # takes up the rest{was}")
        else:
            level = line.level or 0.0
            out += [
                f"level = {level:g}",
                f"# low = {0.7 * level:.3g}                   # to decide: vary it between these, and take `level` out",
                f"# high = {1.3 * level:.3g}",
            ]
        out += [f'phase = "{line.phase}"'] * bool(line.phase) + [f'inci = "{line.inci}"'] * bool(line.inci)
        out += [f"price_per_kg = {line.price:g}"] if line.price is not None else ["# price_per_kg ="]
        out.append("")
    out += [
        "# [[response]]                   # to decide: what is measured, and what is wanted of it",
        '# name = "Viscosity"',
        '# unit = "mPa.s"',
        '# method = "..."',
        '# aim = "within"',
        "# low = 10000",
        "# high = 30000",
        "",
        "[plan]",
        'design = "optimal"',
        'model = "quadratic"',
        "# runs = 24",
        "seed = 1",
        "",
    ]
    return "\n".join(out)
