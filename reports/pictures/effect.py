"""Effects: one response along one direction from the formula, on the ground of what is wanted of it.

What is wanted is shown as in a strip, by brackets at its ends; the line is heavy where it is met and thin where it is
missed. Numbers stand at the ends of the line itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from markupsafe import Markup

from reports.facts import Effect, EffectRow
from reports.numbers import THIN, figure, likely
from reports.pictures.svg import Axis, Point, element, line, mark, path, picture, shortened, words
from reports.wording.grades import edges, from_to, width, written
from reports.wording.grades import one as grade

_WIDTH, _HEIGHT, _TOP, _FLOOR = 172.0, 158.0, 44.0, 36.0
_GUTTER, _SIDE = 42.0, 10.0
_LINE = 11.0  # between two lines of numbers


def effect(row: EffectRow, one: Effect, *, first: bool) -> Markup:
    """The predicted mean with its confidence band, and the formula's own place; the first of a row names the limits."""
    left = _SIDE + (_GUTTER if first else 0.0)
    right = left + _WIDTH - 2 * _SIDE
    y = Axis(*row.axis, _HEIGHT - _FLOOR, _TOP, row.spec.log and row.axis[0] > 0)
    parts = _wanted(row, y, (left, right), named=first)
    up, _, down = one.direction.partition(", ")
    parts += [
        _title(left, 13, up, "say"),
        _title(left, 27, down),
        line(left, y.start, right, y.start, "axis"),
    ]
    drawn, says = (_category if one.levels else _along)(row, one, (left, right), y)
    return picture(right + _SIDE, _HEIGHT, says, [*parts, *drawn])


def _title(x: float, y: float, says: str, cls: str | None = None) -> Markup:
    """What moves and which way; a long name is cut, the way stays."""
    name, space, way = says.rpartition(" ")
    shown = f"{shortened(name, 18)}{space}{way}" if len(says) > 23 and way in ("up", "down") else shortened(says, 23)
    return words(x, y, shown, cls) if shown == says else element("g", element("title", says), words(x, y, shown, cls))


def _wanted(row: EffectRow, y: Axis, across: tuple[float, float], *, named: bool) -> list[Markup]:
    """The ground between the limits, and beside it a bracket with a foot at each limit that lies within the picture."""
    spec, (left, right), (low, high) = row.spec, across, edges(row.spec)
    if low is None and high is None:
        return []
    ends = [_held(y, v) if v is not None else edge for v, edge in ((high, y.end), (low, y.start))]
    top, bottom = ends[0], max(ends)
    parts = [element("rect", x=left, y=top, width=right - left, height=bottom - top, cls="well")]
    if bottom > top:
        parts.append(line(left - 6, top, left - 6, bottom, "limit"))
    inside = [(limit, told) for limit, told in ((low, spec.low), (high, spec.high))
              if limit is not None and row.axis[0] <= limit <= row.axis[1]]  # fmt: skip
    # Two limits close together: their numbers give way to each other, the lower down and the upper up.
    close = max(_LINE - abs(y(inside[0][0]) - y(inside[1][0])), 0.0) / 2 if len(inside) == 2 else 0.0
    for (limit, told), way in zip(inside, (close, -close), strict=False):
        says = written(spec, told if told is not None else limit) + (f"{THIN}%" if row.is_chance else "")
        parts.append(line(left - 6.8, y(limit), left, y(limit), "limit"))
        parts += [words(left - 10, y(limit) + 4 + way, says, anchor="end", most=8)] if named else []
    return parts


def _along(row: EffectRow, one: Effect, across: tuple[float, float], y: Axis) -> tuple[list[Markup], str]:
    """The line of one level that moves."""
    left, right = across
    x = Axis(one.points[0][0], one.points[-1][0], left, right)
    upper = [(x(p[0]), _held(y, p[3])) for p in one.points]
    lower = [(x(p[0]), _held(y, p[2])) for p in one.points]
    parts = [path([*upper, *reversed(lower)], "band", closed=True)]
    low, high = edges(row.spec)
    for run, met in runs([(p[0], p[1]) for p in one.points], low, high):
        parts.append(path([(x(a), _held(y, b)) for a, b in run], "line" if met else "clayline"))
    ends = [(one.points[0], "start"), (one.points[-1], "end")]
    here = min(one.points, key=lambda p: abs(p[0] - one.now))
    for (at, mean, *band), anchor in ends:
        # A number keeps clear of the jar, of the title above and of the floor below.
        clear = 17.0 if abs(x(at) - x(one.now)) < 30 and abs(_held(y, mean) - _held(y, here[1])) < 14 else 7.0
        place = _held(y, mean) - clear
        place = place if place > _TOP + 2 else _held(y, mean) + clear + 8
        parts.append(words(x(at), min(place, y.start - 4), _said(row, mean, band), "halo", anchor))
    parts.append(mark(x(one.now), _held(y, here[1]), 0.9))
    floor = y.start + 15
    parts += [
        words(left, floor, figure(one.points[0][0])),
        words(right, floor, figure(one.points[-1][0]), anchor="end"),
        words((left + right) / 2, floor, one.unit, anchor="middle", most=14),
    ]
    first, last = one.points[0][1], one.points[-1][1]
    ends_told = from_to(row.spec, first, last)
    if row.is_chance:
        ends_told = f"{likely(first / 100)} to {likely(last / 100)}"
    return parts, f"{row.spec.name} along {one.direction}: from {ends_told}"


def _category(row: EffectRow, one: Effect, across: tuple[float, float], y: Axis) -> tuple[list[Markup], str]:
    """The predicted mean at each level of a category, with its confidence as a bar."""
    left, right = across
    spec, apart, (least, most) = row.spec, (right - left) / len(one.levels), edges(row.spec)
    parts: list[Markup] = []
    for i, (level, point) in enumerate(zip(one.levels, one.points, strict=True)):
        x = left + apart * (i + 0.5)
        low, mean, high = (_held(y, v) for v in (point[2], point[1], point[3]))
        met = (least is None or point[1] >= least) and (most is None or point[1] <= most)
        parts += [line(x, low, x, high, "whisker"), line(x - 10, mean, x + 10, mean, "line" if met else "clayline")]
        if i == one.now:
            parts.append(mark(x, mean, 0.9))
        above = min(low, high) - 5
        place = above if above > _TOP + 8 else min(max(low, high) + 12, y.start - 3)
        parts.append(words(x, place, _said(row, point[1], point[2:]), "halo", "middle"))
        parts.append(words(x, y.start + 15, level, anchor="middle", most=max(3, int(apart / 6))))
    told = [grade(spec, point[1], unit=spec.unit) for point in one.points]
    at = ", ".join(f"{says} at {level}" for level, says in zip(one.levels, told, strict=True))
    return parts, f"{spec.name} by {one.direction}: {at}"


def runs(points: Sequence[Point], low: float | None, high: float | None) -> list[tuple[list[Point], bool]]:
    """A line cut where it crosses a limit, straight between its points: each part, and whether it lies within both."""
    cut = [points[0]]
    for (x0, y0), (x1, y1) in pairwise(points):
        shares = [(limit - y0) / (y1 - y0) for limit in (low, high) if limit is not None and y1 != y0]
        cut += [(x0 + t * (x1 - x0), y0 + t * (y1 - y0)) for t in sorted(shares) if 0 < t < 1]
        cut.append((x1, y1))
    out: list[tuple[list[Point], bool]] = []
    for a, b in pairwise(cut):
        middle = (a[1] + b[1]) / 2
        met = (low is None or middle >= low) and (high is None or middle <= high)
        if out and out[-1][1] == met:
            out[-1][0].append(b)
        else:
            out.append(([a, b], met))
    return out


def _said(row: EffectRow, mean: float, band: Sequence[float]) -> str:
    """A mean to the digits that its band bears out; a chance as a chance."""
    if row.is_chance:
        return likely(mean / 100)
    return grade(row.spec, mean, width(band[0], band[1]))


def _held(axis: Axis, value: float) -> float:
    """A pixel kept within the plot."""
    low, high = sorted((axis.start, axis.end))
    return min(max(axis(value), low), high)
