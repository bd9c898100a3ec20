"""`plan --compare` at a terminal: a row a plan with a letter for each response, then the sentences."""

from __future__ import annotations

from doe.design.compare import Comparison
from doe.study import Study
from reports.gathering.compare import chart_of
from reports.pictures.compare import Chart, Row
from reports.tables import aligned, clean, fitted, width, wrapped
from reports.wording import compare as wording_compare
from reports.wording.prompt import typed

_WIDTH, _STRIP, _NARROWEST, _NAME = 80, 40, 20, 32
_LETTERS = "abcdefghijklmnopqrstuvwxyz"


def compare_text(study: Study, weighed: Comparison, folder: str, written: str) -> str:
    """Plans side by side; `written` is the page that has the same at length, `folder` the study as it was typed."""
    chart = chart_of(study, weighed)
    parts = [clean(study.name), _table(chart)]
    if chart.limit is not None:
        key = ", ".join(f"{_LETTERS[i % 26]} {name} ({what})" for i, (name, what) in enumerate(_key(study, chart)))
        parts.append(wrapped(f"Smallest difference that will most likely be seen, of what matters: {key}. "
                             "* several at one place. Left of the bar what matters will be seen."))  # fmt: skip
    says = [wording_compare.headline(weighed) + ".", wording_compare.because(study, weighed),
            wording_compare.in_part(weighed), wording_compare.stops(weighed),
            wording_compare.kinds(study, weighed)]  # fmt: skip
    parts.append("\n".join(wrapped(line) for line in says if line))
    notes = [*wording_compare.told(weighed), *wording_compare.refused(weighed)]
    parts.append("\n".join(wrapped(f"{clean(name)}: {clean(what)}", indent="    ") for name, what in notes))
    parts.append(f"The same as a page: {clean(written)}" if written else "")
    parts.append(f"Next: {clean(typed('plan', folder))} --runs N")
    return "\n\n".join(part for part in parts if part)


def _key(study: Study, chart: Chart) -> list[tuple[str, str]]:
    known = dict(wording_compare.matters(study))
    return [(name, known.get(name, "")) for name in chart.responses]


def _table(chart: Chart) -> str:
    """A row a plan, no wider than a terminal: the strip takes what names, days and money leave."""
    values = [value for _, rows in chart.groups for row in rows for _, value in row.marks]
    top = min(max([*values, 1.15 * (chart.limit or 0)], default=1.0) * 1.04, 2.6)
    rows = [row for _, group in chart.groups for row in group]
    cells = [["", row.days, row.cost, "", row.comes_to.replace("shows ", "")] for row in rows]
    head = ["batches", "days", "cost", "", "shows"]
    # A row takes one line: beside the narrowest strip a long name is cut.
    beside = sum(max(width(row[i]) for row in [head, *cells]) for i in (1, 2, 4)) + 8
    longest = max(_WIDTH - _NARROWEST - beside, len(head[0]))
    for line, row in zip(cells, rows, strict=True):
        line[0] = _called(row, longest)
    taken = beside + max(width(line[0]) for line in [head, *cells])
    wide = min(max(_WIDTH - taken, _NARROWEST), _STRIP)
    for line, row in zip(cells, rows, strict=True):
        line[3] = _strip(row, chart, top, wide)
    head[3] = _ruler(top, wide)
    lines = aligned(cells, head, right=(1, 2), most=max(wide, _STRIP)).split("\n")
    out, at = lines[:2], 2
    for title, group in chart.groups:
        out += [clean(title)] if group else []
        out += lines[at : at + len(group)]
        at += len(group)
    return "\n".join(out)


def _called(row: Row, most: int) -> str:
    name, now = clean(row.name).removeprefix("as planned, "), " (planned)" if row.now else ""
    return f"  {fitted(name, min(_NAME, most - 2 - len(now)))}{now}"


def _strip(row: Row, chart: Chart, top: float, wide: int) -> str:
    """A row of the terminal's chart: a dot line, a bar at what matters, a letter for each response."""
    cells = ["·"] * wide
    if chart.limit is not None:
        cells[_place(chart.limit, top, wide)] = "|"
    for place, value in row.marks:
        at = _place(value, top, wide)
        cells[at] = _LETTERS[place % 26] if cells[at] in "·|" else "*"
    return "".join(cells) if row.marks else ""


def _ruler(top: float, wide: int) -> str:
    cells = [" "] * wide
    for tick in (0.0, 0.5, 1.0, 1.5, 2.0, 2.5):
        text, at = f"{tick:g}", _place(tick, top, wide)
        if tick <= top and at + len(text) <= wide and (at == 0 or cells[at - 1] == " "):
            cells[at : at + len(text)] = list(text)
    return "".join(cells).rstrip()


def _place(value: float, top: float, wide: int) -> int:
    return min(wide - 1, round(value / top * (wide - 1)))
