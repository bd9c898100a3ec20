"""Contours of one response over two levels: steps of one hue, masked to what the limits allow, the untried hatched.

Each grid cell is cut into two triangles on which the surface is taken as flat; a step is the part of each triangle
between two levels. Whole cells of one step in a row are drawn as one bar, which keeps the file small.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise

from markupsafe import Markup

from reports.facts import Frame, Slice
from reports.numbers import figure, headed, percent
from reports.pictures import triangle as svg_triangle
from reports.pictures.svg import (
    Axis,
    Point,
    axis_below,
    axis_left,
    element,
    hatching,
    mark,
    path,
    picture,
    trace,
    words,
)
from reports.wording.grades import step_words

Place = Callable[[float, float], Point]  # from two levels to a place in the picture
Corner = tuple[float, float, float]  # x, y in pixels, and the height of the surface

_MOST_STEPS = 6
_RING, _NEAR = 8.5, 0.5  # pixels of a numbered ring; how near a trial must lie to have one


def contours(facts: Slice, key: str, width: float = 302.0, height: float = 306.0) -> Markup:
    """The whole picture, square or, for a blend of three, a triangle.

    `key` keeps its clip and hatch apart from those of other pictures on the page.
    """
    place, ground = _square(facts, width, height) if facts.frame is None else _triangle(facts, facts.frame)
    outline = [place(a, b) for a, b in facts.polygon]
    clip = element("clipPath", element("path", d=trace(outline, closed=True)), id=f"clip-{key}")
    inside = [*_steps(facts, place), *_untried(facts, place, key)]
    lines, labels = _lines(facts, place, outline)
    parts = [
        hatching(key),
        element("defs", clip),
        *ground,
        element("g", *inside, *lines, clip_path=f"url(#clip-{key})"),
        path(outline, "axis", closed=True),
        *labels,
        words(2, 14, facts.title, "say", most=52),
    ]
    parts += _rings(facts, place)
    parts.append(mark(*place(*facts.chosen), 1.5))
    if facts.frame is not None:
        width, height = svg_triangle.WIDTH, svg_triangle.HEIGHT
        says = f"{facts.title} in the triangle of {', '.join(facts.frame.names)}. {facts.reading}"
        return picture(width, height, says, parts)
    return picture(width, height, f"{facts.title} over {facts.x_name} and {facts.y_name}. {facts.reading}", parts)


def _square(facts: Slice, width: float, height: float) -> tuple[Place, list[Markup]]:
    """Where two levels stand, and the axes."""
    x = Axis(facts.xs[0], facts.xs[-1], 58, width - 14)
    y = Axis(facts.ys[0], facts.ys[-1], height - 50, 50)
    axes = [
        *axis_below(x, height - 40, headed(facts.x_name, facts.x_unit), 5),
        *axis_left(y, 48, "", 5),
        words(2, 30, f"up: {headed(facts.y_name, facts.y_unit)}", most=52),
    ]
    return (lambda a, b: (x(a), y(b))), axes


def _triangle(facts: Slice, frame: Frame) -> tuple[Place, list[Markup]]:
    """The same in the triangle of three ingredients, whichever two of them the slice is given by."""
    first, second = frame.names.index(facts.x_name), frame.names.index(facts.y_name)
    return svg_triangle.placed(frame, first, second), svg_triangle.ground(frame)


def _rings(facts: Slice, where: Place) -> list[Markup]:
    """Hollow numbered rings; trials far from this slice are small and without a number.

    Trials that would hide each other share one ring, that of the nearest, with a second ring around it.
    """
    places: list[tuple[Point, float, list[str]]] = []
    for trial, at_x, at_y, near in sorted(facts.trials, key=lambda t: -t[3]):
        x, y = where(at_x, at_y)
        for (a, b), nearest, here in places:
            if (x - a) ** 2 + (y - b) ** 2 < (_RING**2 if nearest >= _NEAR else 1.0):
                here.append(trial)
                break
        else:
            places.append(((x, y), near, [trial]))
    out: list[Markup] = []
    for (x, y), near, here in reversed(places):
        title = element("title", ", ".join(here))
        if near < _NEAR:
            out.append(element("circle", title, cx=x, cy=y, r="2.5", cls="ring"))
            continue
        label = here[0].lstrip("T").lstrip("0") or here[0]
        number = element("text", label[:3], x=x, y=y + 3.4, text_anchor="middle", cls="number")
        out += [element("circle", cx=x, cy=y, r=_RING + 2.5, cls="ring")] if len(here) > 1 else []
        out += [element("circle", title, cx=x, cy=y, r=_RING, cls="ring"), number]
    return out


def _cells(facts: Slice, place: Place) -> list[list[tuple[Corner, Corner, Corner, Corner]]]:
    at = [[(*place(x, y), v) for x, v in zip(facts.xs, row, strict=True)]
          for y, row in zip(facts.ys, facts.values, strict=True)]  # fmt: skip
    return [
        [(at[j][i], at[j][i + 1], at[j + 1][i + 1], at[j + 1][i]) for i in range(len(facts.xs) - 1)]
        for j in range(len(facts.ys) - 1)
    ]


def _bounds(levels: Sequence[float]) -> list[tuple[float, float]]:
    edges = [-float("inf"), *levels, float("inf")]
    return list(pairwise(edges))


def _steps(facts: Slice, place: Place) -> list[Markup]:
    rows = _cells(facts, place)
    bounds = _bounds(facts.levels)[:_MOST_STEPS]
    bounds[-1] = (bounds[-1][0], float("inf"))
    out = []
    for number, (low, high) in enumerate(bounds):
        data = "".join(_row(row, low, high) for row in rows)
        if data:
            # The darkest step stays below full accent, so that our mark stands out on it.
            shade = round(number * (_MOST_STEPS - 2) / max(len(bounds) - 1, 1))
            out.append(element("path", d=data, cls=f"s{shade}"))
    return out


def _row(row: Sequence[tuple[Corner, Corner, Corner, Corner]], low: float, high: float) -> str:
    data: list[str] = []
    start: tuple[Corner, Corner, Corner, Corner] | None = None
    last = start
    for cell in row:
        heights = [corner[2] for corner in cell]
        if min(heights) >= low and max(heights) < high:
            start, last = start or cell, cell
            continue
        if start is not None and last is not None:
            data.append(_bar(start, last))
            start = None
        if max(heights) >= low and min(heights) < high:
            a, b, c, d = cell
            for triangle in ((a, b, c), (a, c, d)):
                piece = _clipped(_clipped(list(triangle), low, 1.0), high, -1.0)
                if len(piece) > 2:
                    data.append(trace([(p[0], p[1]) for p in piece], closed=True))
    if start is not None and last is not None:
        data.append(_bar(start, last))
    return "".join(data)


def _bar(start: tuple[Corner, ...], last: tuple[Corner, ...]) -> str:
    return trace([start[0][:2], last[1][:2], last[2][:2], start[3][:2]], closed=True)


def _clipped(corners: list[Corner], level: float, side: float) -> list[Corner]:
    """The part of a convex polygon with side * (height - level) >= 0 (Sutherland and Hodgman 1974, from memory)."""
    if level in (float("inf"), -float("inf")):
        return corners
    out: list[Corner] = []
    for k, here in enumerate(corners):
        before = corners[k - 1]
        a, b = side * (before[2] - level), side * (here[2] - level)
        if (a < 0) != (b < 0):
            t = a / (a - b)
            out.append((before[0] + t * (here[0] - before[0]), before[1] + t * (here[1] - before[1]), level))
        if b >= 0:
            out.append(here)
    return out


def _untried(facts: Slice, place: Place, key: str) -> list[Markup]:
    data = []
    for j in range(len(facts.ys) - 1):
        run: float | None = None
        for i in range(len(facts.xs) - 1):
            four = (facts.inside[j][i], facts.inside[j][i + 1], facts.inside[j + 1][i], facts.inside[j + 1][i + 1])
            if not any(four):
                run = facts.xs[i] if run is None else run
            if (any(four) or i == len(facts.xs) - 2) and run is not None:
                end, low, high = facts.xs[i] if any(four) else facts.xs[i + 1], facts.ys[j], facts.ys[j + 1]
                around = [place(run, high), place(end, high), place(end, low), place(run, low)]
                data.append(trace(around, closed=True))
                run = None
    return [element("path", d="".join(data), fill=f"url(#hatch-{key})")] if data else []


def _lines(facts: Slice, place: Place, outline: Sequence[Point]) -> tuple[list[Markup], list[Markup]]:
    drawn: list[Markup] = []
    labels: list[Markup] = []
    placed: list[Point] = []
    rows = _cells(facts, place)
    for level in dict.fromkeys([*facts.levels, *facts.limits]):
        pieces = _level_segments(rows, level)
        if not pieces:
            continue
        is_limit = level in facts.limits
        drawn.append(element("path", d="".join(trace(piece) for piece in pieces), cls="limit" if is_limit else "iso"))
        spot = _label_spot(pieces, outline, [*placed, place(*facts.chosen)])
        if spot is not None:
            text = percent(level) if facts.is_chance else _told(facts, level)
            labels.append(words(spot[0], spot[1] + 3, text, "halo", anchor="middle"))
            placed.append(spot)
    return drawn, labels


def _told(facts: Slice, level: float) -> str:
    return figure(level) if facts.spec is None else step_words(facts.spec, level)


def _level_segments(
    rows: Sequence[Sequence[tuple[Corner, Corner, Corner, Corner]]], level: float
) -> list[tuple[Point, Point]]:
    pieces = []
    for row in rows:
        for a, b, c, d in row:
            if not min(a[2], b[2], c[2], d[2]) < level <= max(a[2], b[2], c[2], d[2]):
                continue
            for triangle in ((a, b, c), (a, c, d)):
                ends = [_crossing(p, q, level) for p, q in zip(triangle, (*triangle[1:], triangle[0]), strict=True)]
                found = [end for end in ends if end is not None]
                if len(found) == 2:
                    pieces.append((found[0], found[1]))
    return pieces


def _crossing(p: Corner, q: Corner, level: float) -> Point | None:
    if (p[2] < level) == (q[2] < level):
        return None
    t = (level - p[2]) / (q[2] - p[2])
    return p[0] + t * (q[0] - p[0]), p[1] + t * (q[1] - p[1])


def _label_spot(
    pieces: Sequence[tuple[Point, Point]], outline: Sequence[Point], taken: Sequence[Point]
) -> Point | None:
    """A place for a label on its line: well inside the outline, away from other labels and the mark."""
    best: tuple[float, Point] | None = None
    for (x0, y0), (x1, y1) in pieces:
        spot = ((x0 + x1) / 2, (y0 + y1) / 2)
        room = _room(spot, outline)
        apart = min((((spot[0] - a) / 2) ** 2 + (spot[1] - b) ** 2) ** 0.5 for a, b in taken) if taken else 99.0
        score = min(room, 28.0) + min(apart, 30.0)
        if room > 13 and apart > 9 and (best is None or score > best[0]):
            best = (score, spot)
    return best[1] if best else None


def _room(spot: Point, outline: Sequence[Point]) -> float:
    """Distance from a point to the edge of a convex outline; negative outside."""
    area = sum(a[0] * b[1] - b[0] * a[1] for a, b in zip(outline, [*outline[1:], outline[0]], strict=True))
    turn = 1.0 if area > 0 else -1.0
    room = float("inf")
    for (ax, ay), (bx, by) in zip(outline, [*outline[1:], outline[0]], strict=True):
        length = ((bx - ax) ** 2 + (by - ay) ** 2) ** 0.5
        if length > 1e-9:
            room = min(room, turn * ((bx - ax) * (spot[1] - ay) - (by - ay) * (spot[0] - ax)) / length)
    return room
