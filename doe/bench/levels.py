"""Levels of a batch as they came: read, completed from the plan, checked that they add up."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from itertools import combinations
from typing import TYPE_CHECKING

from doe.bench.headings import Headings, nearest_name
from doe.definition.categories import NONE, material_of
from doe.definition.cells import Entry, Mark, Refusal, read_number
from doe.definition.celltext import tidy
from doe.definition.materials import settled
from doe.definition.parts import Factor, Ingredient
from doe.problems import Problem, listed
from doe.recipes.composition import fitted_levels
from doe.tables.rawtable import RawTable, is_blank

if TYPE_CHECKING:
    from doe.study import Study

Levels = dict[str, float | str]
TOLERANCE = 0.005  # of the total: weighing as a whole, common practice, no source
_SEVERAL = 3  # batches from which on two columns that each fit the other's range are no accident; our choice


def read_levels(
    study: Study, table: RawTable, row: int, headings: Headings, mark: Mark, problems: list[Problem],
    findings: list[Problem],
) -> Levels:  # fmt: skip
    """The levels that stand in one row, by name; blanks are left out.

    Adds to `problems` what cannot be read, to `findings` what was read with help.
    """
    out: Levels = {}
    for column in headings.of("level"):
        raw = table.rows[row][column.place]
        where = table.where(row, column.place)
        factor = next((f for f in study.factors if f.name == column.name), None)
        if is_blank(raw):
            continue
        if factor is not None and factor.is_category:
            text = tidy(f"{raw:g}" if isinstance(raw, float) else str(raw))
            meant = [level for level in factor.levels if level.casefold() == text.casefold()]
            if meant:
                out[column.name] = meant[0]
            else:
                do = nearest_name(text, factor.levels) or "write it as in study.toml"
                allowed = "one of " + ", ".join(factor.levels)
                problems.append(Problem("unknown-level", "stop", where, repr(text), allowed, do))
            continue
        read = read_number(raw, factor.unit if factor else study.unit, mark)
        fault = _fault(read, raw, factor is None)
        if fault is not None:
            problems.append(Problem("bad-number", "stop", where, fault.got, fault.allowed, fault.do))
        elif isinstance(read, Entry) and read.value is not None:
            out[column.name] = read.value
            if read.said:
                findings.append(Problem("read-with-help", "inform", where, read.said, "", ""))
    return out


def _fault(read: Entry | Refusal, raw: object, is_ingredient: bool) -> Refusal | None:
    if isinstance(read, Refusal):
        return read
    if read.missing and read.missing != "blank":
        do = "fill it in, or leave it blank where it is as planned"
        return Refusal(repr(tidy(str(raw))), "a level is a number", do)
    if read.bound != "none":
        return Refusal("a bound", "a level is one number", "write how much there was")
    if is_ingredient and read.value is not None and read.value < 0:
        return Refusal(f"{read.value:g}", "a level of 0 or more", "check the sign")
    return None


def printed_unit(study: Study, rows: list[Levels]) -> float:
    """The unit of the last printed place of ingredient levels in a table: 0.01 where two decimals are shown."""
    names = {item.name for item in study.ingredients}
    decimals = 0
    for levels in rows:
        for name, value in levels.items():
            if name in names and isinstance(value, float):
                shown = f"{value:.10f}".rstrip("0")
                decimals = max(decimals, len(shown.partition(".")[2]))
    return float(10.0**-decimals)


def completed(
    study: Study, given: Levels, planned: Mapping[str, float | str] | None, unit: float, where: str,
    problems: list[Problem], findings: list[Problem],
) -> Levels | None:  # fmt: skip
    """A whole recipe from what was given and what was planned; None with problems if it cannot be.

    Levels are as supplied. Without a plan every level is needed but that of the fill. A sum may be off by half a unit
    of the last printed place for each line (common practice, no source), and by no more than 0.5 % of the total; the
    fill takes the rest up, or without a fill all are scaled.
    """
    levels: Levels = dict(planned or {}) | given
    fill = study.fill.name if study.fill else None
    names = [item.name for item in study.ingredients]
    _settle(study, levels, where, problems)
    missing = [name for name in study.columns if name not in levels and name != fill]
    missing = [name for name in missing if not _is_withdrawn(study, name)]
    if missing:
        allowed = "every level as made" + (f", but that of {fill}" if fill else "")
        problems.append(
            Problem("missing-level", "stop", where, "no level of " + ", ".join(missing), allowed, "fill them in")
        )
        return None
    for name in study.columns:
        if name not in levels and name != fill:
            levels[name] = 0.0
    if names:
        sums = given if planned is None else {k: given[k] for k in given if k in names}
        whole = all(name in sums or _is_withdrawn(study, name) for name in names)
        if fill is not None and not whole:
            levels[fill] = study.total - sum(float(levels[name]) for name in names if name != fill)
        _add_up(study, levels, unit, where, problems, findings)
    _check_fill(study, levels, where, problems)
    ingredients = fitted_levels(study, {name: float(levels[name]) for name in names})
    return {name: ingredients[name] if name in ingredients else levels[name] for name in study.columns}


def _settle(study: Study, levels: Levels, where: str, problems: list[Problem]) -> None:
    """The material of each ingredient that has a choice: none where it was left out, else as written or planned."""
    for factor in study.category_factors:
        if factor.of is None or factor.of not in levels:
            continue
        found = settled(study.ingredient(factor.of), float(levels[factor.of]), levels.get(factor.name))
        if isinstance(found, str):
            levels[factor.name] = found
        elif factor.name in levels:
            problems.append(replace(found, where=f"{where}, {found.where}"))


def _is_withdrawn(study: Study, name: str) -> bool:
    return any(item.name == name and item.withdrawn for item in study.ingredients)


def _add_up(
    study: Study, levels: Levels, unit: float, where: str, problems: list[Problem], findings: list[Problem]
) -> None:
    names = [item.name for item in study.ingredients]
    total, found = study.total, sum(float(levels[name]) for name in names)
    slack = max(min(0.5 * unit * len(names), TOLERANCE * total), 1e-9 * total)
    if abs(found - total) > slack * (1 + 1e-9):
        problems.append(Problem("does-not-add-up", "stop", where, f"the levels add up to {found:.6g}",
                                f"{total:g} {study.unit}".strip(),
                                "check each level; one may be in the wrong column"))  # fmt: skip
        return
    if abs(found - total) <= 1e-9 * total:
        return
    if study.fill is not None:
        levels[study.fill.name] = float(levels[study.fill.name]) + total - found
        how = f"{study.fill.name} takes up the difference"
    else:
        levels.update({name: float(levels[name]) * total / found for name in names})
        how = "all were scaled to it"
    findings.append(Problem("rounded-levels", "inform", where, f"the levels add up to {found:.6g}",
                            f"{total:g}", f"within the rounding of what is printed; {how}"))  # fmt: skip


def _check_fill(study: Study, levels: Levels, where: str, problems: list[Problem]) -> None:
    fill = study.fill.name if study.fill else None
    if fill is not None and float(levels.get(fill, 0.0)) < -1e-9 * study.total:
        problems.append(Problem("does-not-add-up", "stop", where,
                                f"the other levels leave {float(levels[fill]):.6g} for {fill}",
                                "a fill of 0 or more", "check each level"))  # fmt: skip


def range_findings(study: Study, batches: Mapping[str, Mapping[str, float | str]]) -> list[Problem]:
    """What lies outside the declared low and high, and fixed ingredients that were off: one finding a name."""
    findings = []
    parts: list[Ingredient | Factor] = [i for i in study.ingredients if i.role in ("varied", "fill")]
    for part in parts + list(study.factors):
        low, high = part.low, part.high
        out = [batch for batch, levels in batches.items() if _is_outside(study, part, levels)]
        if out and isinstance(part, Ingredient) and part.withdrawn:
            got = f"withdrawn; {listed(out)} were made with it"
            do = "they count as made; how it goes without it is told from them, and by batches without it"
            findings.append(Problem("withdrawn", "inform", part.name, got, "", do))
        elif out:
            span = f"{'' if low is None else f'{low:g}'} to {'' if high is None else f'{high:g}'}"
            findings.append(Problem("outside-range", "warn", part.name, "outside its low and high in " + listed(out),
                                    span, "taken in as made; predictions out there rest on these batches"))  # fmt: skip
    return findings + _fixed_off(study, batches)


def swapped_levels(study: Study, batches: Mapping[str, Mapping[str, float | str]]) -> list[Problem]:
    """Levels that came under each other's names: every batch is outside both limits, and inside them once swapped."""
    parts: list[Ingredient | Factor] = [i for i in study.ingredients if i.role == "varied" and not i.withdrawn]
    parts += study.numeric_factors
    found = []
    for one, other in combinations(parts, 2) if len(batches) >= _SEVERAL else ():
        if all(_fits_swapped(study, one, other, levels) for levels in batches.values()):
            got = (
                f"{one.name} and {other.name}: in every batch each outside its own low and high, and inside the other's"
            )
            allowed = "each level under its own name"
            do = "swap the headings; where the recipes are really so, widen low and high in study.toml"
            found.append(Problem("swapped", "stop", f"columns {one.name} and {other.name}", got, allowed, do))
    return found


def _fits_swapped(
    study: Study, one: Ingredient | Factor, other: Ingredient | Factor, levels: Mapping[str, float | str]
) -> bool:
    swapped = {**levels, one.name: levels[other.name], other.name: levels[one.name]}
    own = (_is_outside(study, part, levels) for part in (one, other))
    return all(own) and not any(_is_outside(study, part, swapped) for part in (one, other))


def _is_outside(study: Study, part: Ingredient | Factor, levels: Mapping[str, float | str]) -> bool:
    """Whether a level lies outside its low and high: those of the material there, and 0 is inside for what may be."""
    value, low, high = levels[part.name], part.low, part.high
    if not isinstance(value, float):
        return False
    if isinstance(part, Ingredient) and part.materials:
        if NONE in part.materials and value == 0:
            return False
        low, high = part.ends(str(levels.get(material_of(part.name))))
    # A planned end weighed within the tolerance printed for it is still that end.
    share = study.make.weigh_tolerance if isinstance(part, Ingredient) else 0.0
    slack = 1e-9 * max(abs(low or 0.0), abs(high or 0.0), study.total * 1e-3)
    return (low is not None and value < low * (1 - share) - slack) or (
        high is not None and value > high * (1 + share) + slack
    )


def _fixed_off(study: Study, batches: Mapping[str, Mapping[str, float | str]]) -> list[Problem]:
    """Fixed ingredients more than 5 % of their level off (weighing of traces: common practice, no source)."""
    wanted = fitted_levels(study, {item.name: item.level or 0.0 for item in study.ingredients})
    findings = []
    for item in study.fixed:
        level = wanted[item.name]
        off = [
            b
            for b, levels in batches.items()
            if abs(float(levels[item.name]) - level) > 0.05 * level + 1e-9 * study.total
        ]
        if off:
            what = "expected" if item.role == "adjuster" else "fixed"
            findings.append(Problem("fixed-off", "inform" if item.role == "adjuster" else "warn", item.name,
                                    f"not at its {what} level in " + listed(off), f"{level:g}",
                                    "the models do not know this ingredient; look at those batches"))  # fmt: skip
    return findings
