"""Jars for a chance, the strip of a spec, the reach bar of an ingredient, and the shapes that say a state."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

from markupsafe import Markup

from reports.facts import Ends, State, Strip, TriedRange
from reports.numbers import batches_in_words, chance_between, exactly, figure, in_ten, likely
from reports.pictures.svg import Axis, Point, element, line, mark, path, picture, round_sign, words
from reports.wording.formula import asked, predicted
from reports.wording.grades import written

_HALF_SIGN = 4.2  # half the width of a sign below a strip, as large as the page writes it
_JAR_WIDTH, _JAR_GAP, _JAR_BODY = 25.0, 9.0, 32.0


def jars(chance: float, interval: Ends | None = None) -> Markup:
    """Ten jars, filled from the left as far as the chance goes; the bracket below spans its interval."""
    filled = in_ten(chance)
    step = _JAR_WIDTH + _JAR_GAP
    parts: list[Markup] = []
    for i in range(10):
        parts += _jar(2 + i * step, min(max(filled - i, 0.0), 1.0))
    width = 10 * step
    says = f"{batches_in_words(chance)} pass everything ({likely(chance)})"
    if interval is not None:
        scale = Axis(0, 1, 2, 2 + 9 * step + _JAR_WIDTH)
        left, right = scale(interval[0]), scale(interval[1])
        parts += [
            path([(left, 49), (left, 55), (right, 55), (right, 49)], "axis"),
            line(scale(chance), 50, scale(chance), 60, "limit"),
        ]
        says += f", 90 % interval {chance_between(*interval)}"
    return picture(width, 62 if interval is not None else 46, says, parts)


def _jar(x: float, fill: float) -> list[Markup]:
    w, h, y = _JAR_WIDTH, _JAR_BODY, 4.0
    top = y + 7
    body = (
        f"M{x + 4:.1f} {top:.1f}h{w - 8:.1f}v2.5q4 1.5 4 5v{h - 11:.1f}q0 3.5 -3.5 3.5h-{w - 7:.1f}q-3.5 0 -3.5 -3.5"
        f"v-{h - 11:.1f}q0 -3.5 4 -5z"
    )
    lid = element("path", d=f"M{x + 2.5:.1f} {y:.1f}h{w - 5:.1f}v5h-{w - 5:.1f}z", cls="glass")
    parts = [lid]
    if fill > 0:
        floor, inner = top + h - 2.5, h - 9
        level = floor - inner * fill
        parts.append(
            element(
                "path",
                d=f"M{x + 2.4:.1f} {level:.1f}H{x + w - 2.4:.1f}V{floor - 2:.1f}q0 2 -2 2H{x + 4.4:.1f}q-2 0 -2 -2z",
                cls="filled",
            )
        )
    return [*parts, element("path", d=body, cls="glass")]


def strip(facts: Strip) -> Markup:
    """A spec as a strip: end brackets, the target as a tick, one batch's density, the predicted value below."""
    spec = facts.spec
    width = 360.0
    axis = Axis(*facts.axis, 10, width - 10, spec.log and facts.axis[0] > 0)
    base = 38.0
    if facts.shares:
        return picture(width, 62, strip_words(facts), _graded(facts, axis, base), wide=True)
    parts: list[Markup] = []
    parts += _density(facts, axis, base)
    parts.append(line(axis.start, base, axis.end, base, "axis"))
    for name, value in facts.marks:
        title = element("title", f"{name}: {exactly(value)} {spec.unit}")
        parts.append(element("path", title, d=_lozenge(value, axis, base), cls="ring"))
    for value in facts.measured:
        parts.append(element("circle", cx=axis(value), cy=base - 3.5, r="2.2", cls="dot"))
    if spec.low is not None:
        parts += _bracket(axis(spec.low), base, 5)
    if spec.high is not None:
        parts += _bracket(axis(spec.high), base, -5)
    if spec.target is not None:
        parts.append(line(axis(spec.target), base - 7, axis(spec.target), base + 7, "limit"))
    if isinstance(facts.predicted, float):
        parts.append(mark(axis(facts.predicted), base - 1.5 if spec.exact else base + 1, 0.9))
    parts += _numbers_below(facts, axis, base)
    return picture(width, 62, strip_words(facts), parts, wide=True)


def _graded(facts: Strip, axis: Axis, base: float) -> list[Markup]:
    """A bar for each grade, as high as its share of new batches; brackets stand between grades."""
    spec, apart = facts.spec, axis(facts.spec.grades[1][1]) - axis(facts.spec.grades[0][1])
    passes = {
        n for n, v in spec.grades if (spec.low is None or v >= spec.low) and (spec.high is None or v <= spec.high)
    }
    parts: list[Markup] = []
    for (name, value), share in zip(spec.grades, facts.shares, strict=True):
        bar = {"x": axis(value) - 0.3 * apart, "width": 0.6 * apart, "height": 30 * share, "y": base - 30 * share}
        title = element("title", f"{name}: {likely(share)}")
        parts += [element("rect", title, **bar, cls="pass" if name in passes else "fail"),
                  words(axis(value), base + 18, name, anchor="middle", most=max(3, int(apart / 6)))]  # fmt: skip
    parts.append(line(axis.start, base, axis.end, base, "axis"))
    for name, value in facts.marks:
        title = element("title", f"{name}: {exactly(value)}")
        parts.append(element("path", title, d=_lozenge(value, axis, base), cls="ring"))
    if spec.low is not None:
        parts += _bracket(axis(spec.low) - apart / 2, base, 5)
    if spec.high is not None:
        parts += _bracket(axis(spec.high) + apart / 2, base, -5)
    return parts


def _lozenge(value: float, axis: Axis, base: float) -> str:
    """A lozenge at a reference's reading; an arrow at the end of the strip for one beyond it."""
    if value > axis.high:
        return f"M{axis.end + 2:.1f} {base - 4:.1f}l6 4l-6 4z"
    if value < axis.low:
        return f"M{axis.start - 2:.1f} {base - 4:.1f}l-6 4l6 4z"
    return f"M{axis(value):.1f} {base - 5:.1f}l4 5l-4 5l-4 -5z"


def _bracket(x: float, base: float, turn: float) -> list[Markup]:
    return [path([(x + turn, base - 15), (x, base - 15), (x, base + 9), (x + turn, base + 9)], "limit")]


def _density(facts: Strip, axis: Axis, base: float) -> list[Markup]:
    points = [(axis(v), base - 27 * h) for v, h in facts.shape]
    if len(points) < 2:
        return []
    left = axis(facts.spec.low) if facts.spec.low is not None else -1e9
    right = axis(facts.spec.high) if facts.spec.high is not None else 1e9
    pieces = [(_between(points, left, right), "pass")]
    pieces += [(_between(points, -1e9, left), "fail"), (_between(points, right, 1e9), "fail")]
    return [
        path([(piece[0][0], base), *piece, (piece[-1][0], base)], cls, closed=True)
        for piece, cls in pieces
        if len(piece) > 1
    ]


def _between(points: Sequence[Point], left: float, right: float) -> list[Point]:
    """The part of a curve between two pixels, cut exactly at both."""
    out: list[Point] = []
    for (x0, y0), (x1, y1) in pairwise(points):
        a, b = max(x0, left), min(x1, right)
        if b <= a:
            continue
        rise = (y1 - y0) / (x1 - x0) if x1 > x0 else 0.0
        if not out:
            out.append((a, y0 + rise * (a - x0)))
        out.append((b, y0 + rise * (b - x0)))
    return out


def _numbers_below(facts: Strip, axis: Axis, base: float) -> list[Markup]:
    spec = facts.spec
    if spec.kind == "pass":
        return [words(axis.start, base + 22, "none passes"), words(axis.end, base + 22, "all pass", anchor="end")]
    placed: list[tuple[float, str]] = []
    for value in (spec.low, spec.high, spec.target):
        if value is None:
            continue
        x = min(max(axis(value), 16.0), axis.end - 6)
        told = written(spec, value)
        if all(abs(x - other) > 4 + _HALF_SIGN * (len(told) + len(text)) for other, text in placed):
            placed.append((x, told))
    return [words(x, base + 22, text, anchor="middle") for x, text in placed]


def strip_words(facts: Strip) -> str:
    """The strip in words, for those who cannot see it."""
    wanted = "watched only" if facts.state == "watched" else asked(facts.spec)
    return f"{facts.spec.name}: {wanted}; predicted {predicted(facts)}; {facts.state}"


def state_sign(state: State) -> Markup:
    """The shape of a state: full disc meets, half disc close, open ring with a bar misses, dot watched."""
    ring = element("circle", cx="7", cy="7", r="5", cls="glass")
    inner: dict[str, list[Any]] = {
        "meets": [element("circle", cx="7", cy="7", r="5", cls="filled")],
        "close": [element("path", d="M7 2a5 5 0 0 0 0 10z", cls="filled"), ring],
        "misses": [element("circle", cx="7", cy="7", r="5", cls="clayline"), line(3.5, 10.5, 10.5, 3.5, "clayline")],
        "watched": [element("circle", cx="7", cy="7", r="1.8", cls="dot")],
        "unknown": [element("circle", cx="7", cy="7", r="5", cls="dash")],
    }
    return element("svg", *inner[state], cls="pic sign", viewBox="0 0 14 14", width="14", height="14",
                   aria_hidden="true")  # fmt: skip


def reach_bar(allowed: Ends, tried: Ends | None, now: float, tolerance: Ends | None = None, says: str = "") -> Markup:
    """How far a level may go: a thin rule for what is allowed, a thick one for what was tried, our mark for now."""
    low, high = min(allowed[0], now), max(allowed[1], now)
    width, y = 220.0, 13.0
    axis = Axis(low, high, 8, width - 8)
    parts = [line(axis(allowed[0]), y, axis(allowed[1]), y, "axis")]
    parts += [line(axis(end), y - 4, axis(end), y + 4, "axis") for end in allowed]
    if tried is not None:
        a, b = axis(max(tried[0], low)), axis(min(tried[1], high))
        parts.append(element("rect", x=a, y=y - 2.5, width=max(b - a, 1.0), height="5", cls="s2"))
    if tolerance is not None:
        parts.append(path([(axis(tolerance[0]), y - 5), (axis(tolerance[0]), y + 5)], "thin"))
        parts.append(path([(axis(tolerance[1]), y - 5), (axis(tolerance[1]), y + 5)], "thin"))
    parts.append(mark(axis(now), y + 1))
    span = f", tried {figure(tried[0])} to {figure(tried[1])}" if tried is not None else ""
    told = f"now {figure(now)}, allowed {figure(allowed[0])} to {figure(allowed[1])}{span}"
    return picture(width, 24, f"{says}: {told}" if says else told, parts)


def tried_dots(tried: TriedRange) -> Markup:
    """One ingredient's reach with a sign for each trial's level; trials at one level stand on each other.

    The sign tells the round: a ring for the first, or for all where there is only one.
    """
    low = min([tried.allowed[0], *(v for _, v in tried.points)])
    high = max([tried.allowed[1], *(v for _, v in tried.points)])
    width = 420.0
    axis = Axis(low, high, 12, width - 12)
    rounds = tried.rounds or (0,) * len(tried.points)
    several = len(set(rounds)) > 1
    piles: dict[int, list[tuple[str, int]]] = {}
    for (trial, value), number in zip(tried.points, rounds, strict=True):
        piles.setdefault(round(axis(value) / 5), []).append((trial, number if several else 1))
    tall = max((len(pile) for pile in piles.values()), default=1)
    gap = min(6.0, 54.0 / tall)
    base = 10 + gap * tall
    parts = [line(axis.start, base, axis.end, base, "axis")]
    parts += [line(axis(end), base - 5, axis(end), base + 5, "axis") for end in tried.allowed]
    for slot, pile in piles.items():
        for i, (trial, number) in enumerate(pile):
            parts.append(round_sign(number, slot * 5.0, base - 5 - gap * i, trial, 2.6))
    if tried.now is not None:
        parts.append(mark(axis(tried.now), base + 9, 0.9))
    for end, anchor, turn in ((tried.allowed[0], "start", 1), (tried.allowed[1], "end", -1)):
        # The jar must not stand on the number of an end.
        aside = 10 * turn if tried.now is not None and abs(axis(tried.now) - axis(end)) < 14 else 0
        parts.append(words(axis(end) + aside, base + 18, exactly(_round(end)), anchor=anchor))
    says = f"{tried.name}: {len(tried.points)} batches between {figure(low)} and {figure(high)} {tried.unit}"
    return picture(width, base + 22, says, parts, wide=True)


def _round(value: float) -> float:
    return float(f"{value:.4g}")
