"""The region at a terminal: what each ingredient can reach of what was asked, and what the limits leave."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from doe.definition.categories import material_of
from doe.problems import StudyError, Unavailable
from doe.region.redundant import redundant_limits
from doe.region.share import share_of_box
from reports.numbers import NOTHING, counted, exactly, figure, headed, listed, percent
from reports.tables import aligned, clean, fitted

if TYPE_CHECKING:
    from doe.definition.parts import Ingredient
    from doe.study import Study

_CELLS = 12
_NAME = 24
_MOST_NAMED = 6


def reach_table(study: Study) -> str:
    """A line for each ingredient and factor: what was asked, what can be reached, how far that fills what was asked."""
    rows = []
    for item in study.ingredients:
        asked = "takes up the rest" if item.role == "fill" else f"{exactly(item.low)} to {exactly(item.high)}"
        asked = f"0, or {asked}" if item.or_none else asked
        if item.role in ("fixed", "adjuster"):
            rows.append([fitted(clean(item.name), _NAME), f"fixed at {exactly(item.level)}", "", "", ""])
        elif item.withdrawn:
            rows.append([fitted(clean(item.name), _NAME), "withdrawn", "", "", ""])
        else:
            rows.append(_row(study, item.name, item.name, asked, 0.0 if item.or_none else item.low, item.high))
            rows += [_material_row(study, item, one.name) for one in item.choice]
    for factor in (f for f in study.factors if f.of is None):
        name = headed(factor.name, factor.unit)
        if factor.is_category:
            rows.append([fitted(clean(name), _NAME), f"one of {len(factor.levels)}", listed(factor.levels), "", ""])
        else:
            asked = f"{exactly(factor.low)} to {exactly(factor.high)}"
            rows.append(_row(study, factor.name, name, asked, factor.low, factor.high))
    in_unit = f"asked [{study.unit}]" if study.unit and study.ingredients else "asked"
    head = ("name", in_unit, "can reach", "reach in asked", "middle")
    return aligned([[row[0], *row[1:]] for row in rows], head, right=(4,), most=30)


def _material_row(study: Study, item: Ingredient, name: str) -> list[str]:
    """A line for one of several materials: its own limits, and what it can reach in any combination."""
    low, high = item.ends(name)
    open_now = [c for c in study.region.combinations if c[material_of(item.name)] == name]
    found = [study.region.at(combination).reach[item.name] for combination in open_now]
    ends = (min(a for a, _ in found), max(b for _, b in found)) if found else None
    reach = f"{figure(ends[0], digits=4)} to {figure(ends[1], digits=4)}" if ends else "not possible"
    asked = f"{exactly(low)} to {exactly(high)}"
    if low == high:
        return [fitted(f"  {clean(name)}", _NAME), f"fixed at {exactly(low)}", "" if ends else reach, "", ""]
    return [fitted(f"  {clean(name)}", _NAME), asked, reach, bar(low, high, ends), ""]


def _row(study: Study, column: str, name: str, asked: str, low: float | None, high: float | None) -> list[str]:
    region = study.region
    ends = region.reach.get(column)
    reach = f"{figure(ends[0], digits=4)} to {figure(ends[1], digits=4)}" if ends else NOTHING
    middle = figure(region.centroid.get(column), digits=4)
    if ends and ends[1] - ends[0] <= 1e-9 * max(abs(ends[1]), 1e-300):
        reach = f"{figure(ends[0], digits=4)} only"
    return [fitted(clean(name), _NAME), asked, reach, bar(low, high, ends), middle]


def bar(low: float | None, high: float | None, ends: tuple[float, float] | None) -> str:
    """What can be reached, =, of what was asked, between brackets: `[..=====.....]`. Blank where nothing was asked."""
    if low is None or high is None or ends is None or high <= low:
        return ""
    first, last = ((v - low) / (high - low) for v in ends)
    start = min(int(first * _CELLS + 1e-9), _CELLS - 1)
    stop = max(math.ceil(last * _CELLS - 1e-9), start + 1)
    return f"[{'.' * start}{'=' * (stop - start)}{'.' * (_CELLS - stop)}]"


def extent(study: Study) -> str:
    """How large the region is, in words."""
    region = study.region
    try:
        corners = counted(region.vertex_count, "corner")
    except StudyError as error:
        corners = error.problems[0].got
    share = share_of_box(region)
    left = f"{region.dimension} can be chosen freely"
    equalities = [label for label in region.equal_labels if label not in _given(study)]
    if equalities:
        left += f" (the rest follows from the total and {listed([clean(e) for e in equalities])})"
    if len(region.pieces) > 1:
        left += f"; {len(region.combinations)} combinations of categories are open, not all within the same limits"
    # Where levels are tied together, next to no combination of them keeps to that.
    if isinstance(share, Unavailable) or equalities:
        return f"{left}; {corners}."
    kept = "all" if share > 1 - 1e-9 else f"{percent(share) if share >= 0.01 else 'less than 1 %'} of all"
    return f"{left}; {corners}; {kept} combinations between low and high{_and_where(study)} keep every limit."


def _and_where(study: Study) -> str:
    """Which levels and categories the share of combinations is of, besides those between low and high."""
    region = study.region
    said = " or of none" if any(item.or_none and not item.withdrawn for item in study.ingredients) else ""
    shut = len(region.combinations) < math.prod(len(levels) for levels in region.categories.values())
    return f"{said} at the categories that are possible" if shut else said


def _given(study: Study) -> list[str]:
    """Equalities that need no telling: the total, and levels that were fixed."""
    return [label for label in study.region.equal_labels if " fixed at " in label or label.startswith("all that")]


def never_deciding(study: Study) -> str:
    """Limits that never decide anything, each with what does; bounds are seen in the bars."""
    found = [i for i in redundant_limits(study.region) if not i.is_bound]
    if not found:
        return ""
    told = [f"{clean(i.label)} ({clean(i.says)})" for i in found[:_MOST_NAMED]]
    more = f", and {len(found) - _MOST_NAMED} more" if len(found) > _MOST_NAMED else ""
    return (
        f"Never decide anything: {'; '.join(told)}{more}." if len(found) > 1 else f"Never decides anything: {told[0]}."
    )
