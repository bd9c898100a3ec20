"""Plans side by side as one picture: a row a plan, a sign a response, what matters as a line, days and money beside."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from markupsafe import Markup

from reports.numbers import figure
from reports.pictures.svg import Axis, element, line, path, picture, sign, words

_MOST = 2.6
_ROW, _TALL = 30.0, 48.0


@dataclass(frozen=True, slots=True)
class Row:
    """One plan: its name, days and cost in words, (sign, value) of each response, and what it comes to.

    `joined` says that the lines of the responses run through it; `now` marks the plan as the study asks for it.
    """

    name: str
    days: str
    cost: str
    marks: tuple[tuple[int, float], ...]
    comes_to: str
    joined: bool = False
    now: bool = False


@dataclass(frozen=True, slots=True)
class Chart:
    """Groups of rows on one axis. `limit` is where the line of what matters stands, None where nothing says so."""

    groups: tuple[tuple[str, tuple[Row, ...]], ...]
    responses: tuple[str, ...]
    axis: str
    limit: float | None


def side_by_side(chart: Chart, *, narrow: bool = False) -> Markup:
    """The whole picture: wide with columns beside the rows, or narrow with each plan's words above its row.

    Lines join the rows only where no words stand between them.
    """
    width = 340.0 if narrow else 880.0
    left, right = (10.0, 330.0) if narrow else (282.0, 640.0)
    x = Axis(0, _top(chart), left, right)
    parts: list[Markup] = [words(left, 16, chart.axis, "say", most=52 if narrow else 70)]
    if not narrow:
        parts += [words(right + 62, 16, "days", anchor="end"), words(right + 136, 16, "cost", anchor="end")]
    places, titles, y = _layout(chart, narrow)
    drawn = [words(10, at, title, "say") for title, at in titles]
    for row, at in places:
        drawn += _told(row, x, at, narrow, width)
    bottom = y + 18
    spans = [(at - 9, at + 9) for _, at in places] if narrow else [(30.0, bottom)]
    parts += _ground(chart, x, spans, bottom)
    parts += drawn if narrow else [*drawn, *_joined(chart, places, x)]
    for row, at in places:
        parts += _marks(chart, row, x, at)
    says = "; ".join(f"{row.name}: {row.comes_to}" for row, _ in places)
    return picture(width, bottom + 30, f"{chart.axis}. {says}", parts)


def _values(chart: Chart) -> list[float]:
    return [value for _, rows in chart.groups for row in rows for _, value in row.marks]


def _top(chart: Chart) -> float:
    return min(max([*_values(chart), 1.15 * (chart.limit or 0)], default=1.0) * 1.06, _MOST)


def runs_beyond(chart: Chart) -> bool:
    """Whether a sign lies beyond the scale of the picture."""
    return any(value > _top(chart) for value in _values(chart))


def _layout(chart: Chart, narrow: bool) -> tuple[list[tuple[Row, float]], list[tuple[str, float]], float]:
    """Where rows and the titles of groups stand, and how far down they reach."""
    places: list[tuple[Row, float]] = []
    titles: list[tuple[str, float]] = []
    y = 20.0
    for title, rows in chart.groups:
        y += 32
        titles.append((title, y))
        y -= 10 if narrow else 6
        for row in rows:
            y += _TALL if narrow else _ROW
            places.append((row, y))
    return places, titles, y


def _ground(chart: Chart, x: Axis, spans: Sequence[tuple[float, float]], bottom: float) -> list[Markup]:
    """What lies below the signs, over each span down the picture: what will be seen tinted, the axis, what matters."""
    parts: list[Markup] = []
    ticks = x.ticks(5)
    for top, end in spans:
        if chart.limit is not None:
            wide = x(chart.limit) - x.start
            parts.append(element("rect", x=x.start, y=top, width=wide, height=end - top, cls="wide"))
        parts += [line(x(tick), top, x(tick), end, "hair") for tick in ticks]
        if chart.limit is not None:
            parts.append(line(x(chart.limit), top, x(chart.limit), end, "limit"))
    return parts + [words(x(tick), bottom + 16, figure(tick), anchor="middle") for tick in ticks]


def _told(row: Row, x: Axis, y: float, narrow: bool, width: float) -> list[Markup]:
    """What stands beside a row, or above it where there is no room."""
    strip = line(x.start, y, x.end, y, "dash")
    name = f"{row.name}, as planned" if row.now else row.name
    if narrow:
        beside = ", ".join(part for part in (row.days and f"{row.days} days", row.cost) if part)
        return [words(x.start, y - 15, name, "say", most=34), words(width - 10, y - 15, beside, anchor="end"), strip]
    return [
        words(x.start - 14, y + 4, name, "say", anchor="end", most=38),
        strip,
        words(x.end + 62, y + 4, row.days, "say", anchor="end"),
        words(x.end + 136, y + 4, row.cost, "say", anchor="end"),
        words(x.end + 152, y + 4, row.comes_to, most=18),
    ]


def _joined(chart: Chart, places: Sequence[tuple[Row, float]], x: Axis) -> list[Markup]:
    out = []
    for place in range(len(chart.responses)):
        runs = [(dict(row.marks)[place], y) for row, y in places if row.joined and place in dict(row.marks)]
        out += [path([(x(min(a, x.high)), ya), (x(min(b, x.high)), yb)], "thin") for (a, ya), (b, yb) in pairwise(runs)]
    return out


def _marks(chart: Chart, row: Row, x: Axis, y: float) -> list[Markup]:
    out = []
    for place, value in sorted(row.marks, key=lambda mark: -mark[1]):
        title = f"{chart.responses[place]}: {figure(value)}"
        if value > x.high:
            out.append(words(x.end + 8, y + 4, "›", "say"))
        out.append(sign(place, x(min(value, x.high)), y, title))
    return out
