"""Plans side by side for people: one page, and the same in short for the terminal."""

from __future__ import annotations

from doe.design.compare import Comparison, Option
from doe.design.quality import Quality
from doe.problems import Unavailable
from doe.study import Study
from reports.numbers import counted, figure, likely, money, percent
from reports.page import rows as page_rows
from reports.page.page import FILTERS, styled
from reports.pictures.compare import Chart, Row, runs_beyond, side_by_side
from reports.pictures.svg import signs
from reports.rendered import rendered
from reports.tables import aligned, clean, fitted, width, wrapped
from reports.wording import compare as wording_compare
from reports.wording.prompt import typed

_WIDTH, _STRIP, _NARROWEST, _NAME = 80, 40, 20, 32
_LETTERS = "abcdefghijklmnopqrstuvwxyz"


def chart_of(study: Study, weighed: Comparison) -> Chart:
    """What the picture shows: every plan that can be made, its responses against what matters."""
    names = [name for option in weighed.options[:1] for name, _ in option.of_matters.items()]
    drawn = tuple(n for n in names if any(isinstance(o.of_matters[n], float) for o in weighed.options))
    terms = next((o.terms for o in weighed.options if o.own and o.runs == weighed.reaches), None) or _usual(weighed)
    own = tuple(_row(study, o, drawn, o.terms == terms) for o in weighed.options if o.own)
    other = tuple(_row(study, o, drawn, False) for o in weighed.options if not o.own and isinstance(o.quality, Quality))
    title = next((o.plan for o in weighed.options if o.own), "")
    groups = ((f"As planned: {title}", own), *((("Other plans", other),) if other else ()))
    axis = weighed.measure
    if not drawn:
        return Chart(groups, ("sd of a prediction",), axis, None)
    return Chart(groups, drawn, axis, 1.0)


def _usual(weighed: Comparison) -> tuple[str, ...]:
    return max((o.terms for o in weighed.options if o.own), key=len, default=())


def _row(study: Study, option: Option, drawn: tuple[str, ...], joined: bool) -> Row:
    quality = option.quality
    marks: tuple[tuple[int, float], ...] = ()
    if isinstance(quality, Quality):
        shares = [(i, option.of_matters[name]) for i, name in enumerate(drawn)]
        marks = tuple((i, share) for i, share in shares if isinstance(share, float))
        mean = quality.prediction_sd["mean"]
        if not drawn and isinstance(mean, float):
            marks = ((0, mean),)
    name = counted(option.runs, "batch", "batches") if option.own else f"{option.plan}, {option.runs}"
    return Row(
        name=name,
        days=str(quality.days) if isinstance(quality, Quality) else "",
        cost=money(quality.cost, study.currency)
        if isinstance(quality, Quality) and isinstance(quality.cost, float)
        else "",
        marks=marks,
        comes_to=wording_compare.comes_to(option),
        joined=joined,
        now=option.own and option.runs == study.plan.runs,
    )


def compare_page(study: Study, weighed: Comparison) -> str:
    """The page as text. Same plans, same text."""
    chart = chart_of(study, weighed)
    measured = dict(wording_compare.matters(study))
    values = {
        **styled(),
        "study": study,
        "headline": wording_compare.headline(weighed),
        "because": wording_compare.because(study, weighed),
        "wide": side_by_side(chart),
        "narrow": side_by_side(chart, narrow=True),
        "key": [(signs(i), name, measured.get(name, "")) for i, name in enumerate(chart.responses)]
        if chart.limit
        else [],
        "not_drawn": [(n, why.reason) for n, why in _first(weighed) if isinstance(why, Unavailable)]
        if chart.limit
        else [],
        "reading": wording_compare.HOW_TO_READ if chart.limit else "",
        "beyond": runs_beyond(chart),
        "stops": wording_compare.stops(weighed),
        "rule": wording_compare.RULE,
        "kinds": wording_compare.kinds(study, weighed),
        "told": wording_compare.told(weighed),
        "refused": wording_compare.refused(weighed),
        "heads": [f"{spec.name}: seen" for spec in study.fitted_responses],
        "rows": [_figures(study, option) for option in weighed.options if isinstance(option.quality, Quality)],
    }
    return rendered("compare.html", values, FILTERS)


def _first(weighed: Comparison) -> list[tuple[str, object]]:
    made = [o for o in weighed.options if isinstance(o.quality, Quality)]
    return list(made[-1].of_matters.items()) if made else []


def _figures(study: Study, option: Option) -> list[str]:
    """One plan's row of the analyst's table."""
    quality = option.quality
    if not isinstance(quality, Quality):
        return []
    cells = [option.plan, str(option.runs), str(option.repeats), str(quality.days), money(quality.cost, study.currency)]
    cells += [
        page_rows.cell(v) if isinstance(v, Unavailable) else percent(v)
        for v in (quality.d_efficiency, quality.i_efficiency)
    ]
    cells += [figure(quality.prediction_sd[key]) for key in ("mean", "max")]
    cells += [str(quality.df[key]) for key in ("lack_of_fit", "pure_error")]
    for response in study.fitted_responses:
        seen = quality.can_see[response.name]
        if isinstance(seen, Unavailable):
            cells.append("")
            continue
        size = percent(seen["difference"]) if seen["relative"] else figure(seen["difference"])
        chance = seen["chance"]
        cells.append(f"{size} ({likely(chance)})" if isinstance(chance, float) else size)
    return cells


def compare_text(study: Study, weighed: Comparison, folder: str, written: str) -> str:
    """The same in short: a row a plan with a letter for each response, then the sentences."""
    chart = chart_of(study, weighed)
    parts = [clean(study.name), _table(chart)]
    if chart.limit is not None:
        key = ", ".join(f"{_LETTERS[i % 26]} {name} ({what})" for i, (name, what) in enumerate(_key(study, chart)))
        parts.append(wrapped(f"Smallest difference that will most likely be seen, of what matters: {key}. "
                             "* several at one place. Left of the bar what matters will be seen."))  # fmt: skip
    says = [wording_compare.headline(weighed) + ".", wording_compare.because(study, weighed),
            wording_compare.stops(weighed), wording_compare.kinds(study, weighed)]  # fmt: skip
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
    cells = [[_called(row), row.days, row.cost, "", row.comes_to.removeprefix("shows ")]
             for _, rows in chart.groups for row in rows]  # fmt: skip
    head = ["batches", "days", "cost", "", "shows"]
    taken = sum(max(width(row[i]) for row in [head, *cells]) for i in (0, 1, 2, 4)) + 8
    wide = min(max(_WIDTH - taken, _NARROWEST), _STRIP)
    rows = [row for _, group in chart.groups for row in group]
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


def _called(row: Row) -> str:
    name = clean(row.name).removeprefix("as planned, ")
    return f"  {fitted(name, _NAME)}{' (planned)' if row.now else ''}"


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
        if tick <= top and at + len(text) <= wide:
            cells[at : at + len(text)] = list(text)
    return "".join(cells).rstrip()


def _place(value: float, top: float, wide: int) -> int:
    return min(wide - 1, round(value / top * (wide - 1)))
