"""An existing formula in a table becomes the beginning of a study: what was understood, and what is still to decide."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from doe.problems import Problem, ResultsError
from doe.tables.tables import grids_from_bytes
from studies.formula_rows import FormulaRows
from studies.formula_sheet import columns_of, formula_sheet, tell_columns
from studies.formula_toml import Formula, Line, formula_toml
from studies.formula_words import WATER, price_unit

_OFF = 0.05  # [%] what a formula may add up beside 100 before it is said: rounding of a table, our choice
_OFF_SHARE = 0.02  # of a level: how far grams and percent beside each other may be apart; our choice


def study_from_table(content: bytes, file: str, study: str) -> tuple[str, list[Problem]]:
    """The text of a study.toml from a formula as chemists keep it, in a CSV or XLSX file.

    Returns it with what was understood, line by line (level inform), and what is to be decided (warn). Raises
    StudyError with every cell that cannot be read.
    """
    grid, header, above = formula_sheet(grids_from_bytes(content, file))
    columns = columns_of(grid, header)
    rows = FormulaRows(grid, header, columns)
    formula = _put_together(rows)
    told = _told(formula, rows)
    notes = [*told, *above, *tell_columns(grid, header, columns), *rows.notes, *_to_decide(formula)]
    return formula_toml(formula, study, file), notes


def _put_together(rows: FormulaRows) -> Formula:
    lines = rows.lines()
    if not lines and not rows.problems:
        rows.stop(rows.header, None, "no ingredient", "a row an ingredient", "fill it in")
    lines = _in_percent(rows, _named_apart(rows, lines))
    fill = _fill(rows, lines) if lines else 0
    if lines and not rows.problems:
        _check_room(rows, lines, fill)
    if rows.problems:
        raise ResultsError(rows.problems)
    lines[fill] = replace(lines[fill], is_fill=True, level=None, was=lines[fill].level)
    weights = [line.grams for line in lines if line.grams is not None]
    batch = round(rows.totals.get("grams", math.fsum(weights)), 6) if weights else None
    currency, per = price_unit(rows.heading("price")) if "price" in rows.columns else ("", "kg")
    if not per:
        rows.say(rows.header, "prices do not say for how much", "warn", "taken per kg; mend price_per_kg if not")
    return Formula(tuple(lines), batch, currency)


def _named_apart(rows: FormulaRows, lines: Sequence[Line]) -> list[Line]:
    """Lines with names of their own: a material that stands in two phases is named by its phase, in one added up."""
    out: list[Line] = []
    for line in lines:
        twin = next((n for n, other in enumerate(out) if other.name.casefold() == line.name.casefold()), None)
        if twin is None:
            out.append(line)
        elif out[twin].phase != line.phase:
            name = f"{line.name} in {line.phase or 'the second place'}"
            rows.say(line.row, f"{line.name} again, in another phase: named {name}", "warn", "rename it if you like")
            out.append(replace(line, name=name))
        elif _addable(out[twin]) and _addable(line):
            do = "take it apart in study.toml if they are two materials"
            rows.say(line.row, f"{line.name} again: added to row {rows.grid.numbers[out[twin].row]}", "warn", do)
            level, grams = _plus(out[twin].level, line.level), _plus(out[twin].grams, line.grams)
            out[twin] = replace(out[twin], level=level, grams=grams)
        else:
            rows.stop(line.row, "name", f"{line.name} stands there twice", "each ingredient once", "name them apart")
    return out


def _addable(line: Line) -> bool:
    return not (line.rest or line.adjusts or line.is_open) and line.low is None and line.high is None


def _plus(one: float | None, other: float | None) -> float | None:
    return None if one is None and other is None else round((one or 0.0) + (other or 0.0), 9)


def _in_percent(rows: FormulaRows, lines: list[Line]) -> list[Line]:
    """Levels in %: as they stand, from fractions of one, or from grams."""
    shares = [line.level for line in lines if line.level is not None]
    if shares:
        fractions = len(shares) > 1 and max(shares) <= 1.0 and 0.9 <= math.fsum(shares) <= 1.1
        if fractions:
            rows.say(rows.header, "levels are fractions of one", "warn", "taken times 100, as %")
        return [_times(line, 100.0) for line in lines] if fractions else lines
    weights = [line.grams for line in lines if line.grams is not None]
    if not weights:
        return lines
    if any(line.rest for line in lines) and "grams" not in rows.totals:
        rows.stop(rows.header, "grams", "grams, q.s., and no sum", "the weight of the whole batch", "add a row Total")
    whole = rows.totals.get("grams", math.fsum(weights)) or math.nan
    rows.say(rows.header, f"levels worked out from grams of {whole:g} g in all")
    return [_of_whole(line, whole) for line in lines]


def _of_whole(line: Line, whole: float) -> Line:
    return line if line.grams is None else replace(line, level=round(100.0 * line.grams / whole, 9))


def _times(line: Line, factor: float) -> Line:
    low, level, high = (
        None if value is None else round(value * factor, 9) for value in (line.low, line.level, line.high)
    )
    return replace(line, low=low, level=level, high=high)


def _fill(rows: FormulaRows, lines: Sequence[Line]) -> int:
    """The line that takes up the rest: the one said to, else a gap, else water, else the largest."""
    said = [n for n, line in enumerate(lines) if line.rest]
    gaps = [n for n, line in enumerate(lines) if line.is_open]
    water = [n for n, line in enumerate(lines) if WATER.search(f"{line.name} {line.inci}")]
    wet = [n for n in water if n in said or n in gaps]
    largest = max(range(len(lines)), key=lambda n: lines[n].level or 0.0)
    fill = next(iter([*wet, *said, *(gaps if len(gaps) == 1 else []), *water, largest]))
    for number in sorted({*said, *gaps} - {fill}):
        got = f"no level for {lines[number].name}, and {lines[fill].name} takes up the rest"
        rows.stop(lines[number].row, None, got, "a level for all but one", "fill in its level")
    return fill


def _check_room(rows: FormulaRows, lines: Sequence[Line], fill: int) -> None:
    """The others must leave something for what takes up the rest, within the rounding of a table."""
    others = sorted((line for n, line in enumerate(lines) if n != fill), key=lambda line: -line.shown_level)
    total = math.fsum(line.shown_level for line in others)
    if total <= 100.0:
        return
    most = ", ".join(f"{line.name} {line.shown_level:g} % (row {rows.grid.numbers[line.row]})" for line in others[:3])
    got = f"the other lines come to {total:.6g} % and leave {100 - total:.6g} % for {lines[fill].name}; most: {most}"
    rows.stop(lines[fill].row, None, got, "100 % in all", "look for a wrong level among them")


def _told(formula: Formula, rows: FormulaRows) -> list[Problem]:
    """What the lines add up to and how each was understood; then where the table contradicts itself."""
    fill = next(line for line in formula.lines if line.is_fill)
    total = math.fsum(line.shown_level for line in formula.lines if not line.is_fill) + (fill.was or 0.0)
    got = f"{len(formula.lines)} ingredients, adding up to {total:.6g} %"
    if fill.was is None:
        got = f"{len(formula.lines)} ingredients; {total:.6g} % beside {fill.name}, which takes up the rest"
    out = [Problem("understood", "inform", rows.grid.where(), got, "", "")]
    out += [Problem("understood", "inform", rows.grid.where(line.row), line.told, "", "") for line in formula.lines]
    said = rows.totals.get("share")
    if fill.was is not None and abs(total - 100.0) > _OFF:
        do = f"look for a line that was added later; {fill.name} takes up the difference for now"
        rows.say(rows.header, f"the lines add up to {total:.6g} %, not 100 %", "warn", do)
    elif said is not None and fill.was is not None and min(abs(said - total), abs(100 * said - total)) > _OFF:
        text = f"the sum in the table is {said:g}, the lines add up to {total:.6g} %"
        rows.say(rows.header, text, "warn", "one of them is wrong")
    _compare(formula, rows)
    return out


def _compare(formula: Formula, rows: FormulaRows) -> None:
    """Grams that do not go with the percentages beside them."""
    both = [line for line in formula.lines if line.grams is not None and (line.level or line.was) is not None]
    weight = formula.batch_g or 0.0
    for line in both:
        level = line.level if line.level is not None else line.was or 0.0
        wanted = 100.0 * (line.grams or 0.0) / weight if weight else level
        if abs(wanted - level) > max(_OFF, _OFF_SHARE * level):
            text = f"{line.name}: {line.grams:g} g would be {wanted:.4g} %, and the table says {level:g} %"
            rows.say(line.row, text, "warn", "the % was taken")


def _to_decide(formula: Formula) -> list[Problem]:
    """What no table says: what to vary, what to measure, the pH adjuster's level, the size of a batch."""
    fixed = [line.name for line in formula.lines if not (line.is_fill or line.is_varied or line.adjusts)]
    varied = any(line.is_varied for line in formula.lines)
    todo = []
    if not varied:
        todo.append(("every level is fixed as in the table", "turn level into low and high for what is to be varied"))
    elif fixed:
        todo.append(("fixed as in the table: " + ", ".join(fixed), "give low and high to what is to be varied"))
    for line in formula.lines:
        if line.adjusts:
            todo.append((f"{line.name} adjusts the pH to what is needed", "write the level that is expected of it"))
    if formula.batch_g is None:
        todo.append(("the size of a bench batch", "set batch_g"))
    todo.append(("no response is defined", "fill in the [[response]] sections: what is measured, how, its limits"))
    todo.append(("limits between ingredients", "add [[limit]] rules, such as Humectant >= 4 * Gum"))
    return [Problem("to-decide", "warn", "study.toml", got, "", do) for got, do in todo]
