"""Charts: predicted against observed, residuals, design-space curve, front, time line."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from markupsafe import Markup

from reports.facts import Event, FitFacts, FitPoint, FrontAim
from reports.numbers import exactly, figure, headed, likely
from reports.pictures.svg import Axis, axis_below, axis_left, element, line, mark, padded, path, picture, words
from reports.wording.formula import first_upper


def observed_predicted(facts: FitFacts) -> Markup:
    """Measured against fitted with the line where both agree; a bound points to where its value may lie."""
    spec, side = facts.spec, 250.0
    values = [v for p in facts.points for v in (p.seen, p.fitted, p.seen if p.to is None else p.to)]
    low, high = padded(values)
    log = spec.log and min(values) > 0
    if log:
        low, high = min(values) / 1.15, max(values) * 1.15
    x = Axis(low, high, 54, side - 10, log)
    y = Axis(low, high, side - 40, 30, log)
    measured = headed(f"measured {spec.name}", "" if spec.unit == spec.name else spec.unit)
    parts = [*axis_below(x, side - 40, headed("fitted", spec.unit), 4), *axis_left(y, 54, measured, 4)]
    parts.append(line(x(low), y(low), x(high), y(high), "dash"))
    for p in facts.points:
        title = element("title", f"{p.trial}: measured {seen_words(p)}, fitted {figure(p.fitted)}")
        parts += _bound(x(p.fitted), y(p.seen), None if p.to is None else y(p.to), p.bound)
        if p.bound != "between":
            parts.append(element("circle", title, cx=x(p.fitted), cy=y(p.seen), r="3.2", cls="ring"))
    bounds = sum(p.bound != "none" for p in facts.points)
    says = f"{spec.name}: measured against fitted, {len(facts.points)} batches"
    return picture(side, side, says + (f", {bounds} of them known only as a bound" if bounds else ""), parts)


def seen_words(point: FitPoint) -> str:
    """What was measured of a batch, a bound as one."""
    if point.bound == "between" and point.to is not None:
        return f"{figure(point.seen)} to {figure(point.to)}"
    return {"above": "> ", "below": "< "}.get(point.bound, "") + figure(point.seen)


def _bound(x: float, y: float, to: float | None, bound: str) -> list[Markup]:
    """An arrow from a bound towards where the value lies; between two ends, a bar with both."""
    if bound == "between" and to is not None:
        return [line(x, y, x, to, "clayline"), line(x - 4, y, x + 4, y, "clayline"),
                line(x - 4, to, x + 4, to, "clayline")]  # fmt: skip
    if bound not in ("above", "below"):
        return []
    way = -1 if bound == "above" else 1
    tip = y + way * 17
    return [
        line(x, y, x, tip, "clayline"),
        path([(x - 3.5, tip - way * 5), (x, tip), (x + 3.5, tip - way * 5)], "clayline"),
    ]


def residuals_by_order(facts: FitFacts) -> Markup:
    """Deleted residuals in the order the batches were made: a drift or a bad day would show. Nothing without any."""
    shown = [(p.trial, p.place, p.off) for p in facts.points if p.off is not None]
    if not shown:
        return Markup("")
    width, height = 330.0, 250.0
    reach = max(3.2, *(abs(off) * 1.08 for _, _, off in shown))
    x = Axis(min(place for _, place, _ in shown) - 0.7, max(place for _, place, _ in shown) + 0.7, 44, width - 10)
    y = Axis(-reach, reach, height - 40, 30)
    parts = [*axis_below(x, height - 40, "order of making", 6),
             *axis_left(y, 44, "off the fit of all others [sd]", 5)]  # fmt: skip
    parts += [line(44, y(0), width - 10, y(0), "axis"), line(44, y(3), width - 10, y(3), "dash"),
              line(44, y(-3), width - 10, y(-3), "dash")]  # fmt: skip
    for trial, order, value in shown:
        cls = "clay" if abs(value) > 3 else "ring"
        parts += [line(x(order), y(0), x(order), y(value), "hair"),
                  element("circle", element("title", f"{trial}: {figure(value)}"), cx=x(order), cy=y(value), r="3.2",
                          cls=cls)]  # fmt: skip
        if abs(value) > 3:
            # Beside its ring: above and below stand the title and the numbers of the axis.
            turn = 1 if x(order) < width - 50 else -1
            parts.append(
                words(x(order) + 6 * turn, y(value) + 4, trial, anchor="start" if turn > 0 else "end", most=12)
            )
    return picture(width, height, f"{facts.spec.name}: residuals in order of making", parts)


def fraction_of_space(curve: Sequence[tuple[float, float]]) -> Markup:
    """How much of the region is predicted at least so well: standard deviation of a predicted mean against share."""
    width, height = 330.0, 230.0
    top = max(sd for _, sd in curve) * 1.08
    x, y = Axis(0, 1, 44, width - 14), Axis(0, top, height - 40, 30)
    parts = [*axis_left(y, 44, "sd of a predicted mean [batch sd]", 5, width - 58),
             *axis_below(x, height - 40, "share of the region", 5),
             path([(x(share), y(sd)) for share, sd in curve], "line")]  # fmt: skip
    half = min(curve, key=lambda p: abs(p[0] - 0.5))
    parts += [line(x(half[0]), y.start, x(half[0]), y(half[1]), "dash"),
              words(x(half[0]) + 6, y(half[1]) + 16, f"half: {figure(half[1], digits=2)}", "halo")]  # fmt: skip
    return picture(width, height, f"half of the region is predicted within {figure(half[1])} batch sd", parts)


def front(
    points: Sequence[tuple[float, float, bool]], up: FrontAim, across: FrontAim, ceiling: float | None,
    beside: tuple[float, float] | None = None, width: float = 360.0,
) -> Markup:  # fmt: skip
    """The best of one aim for each value of another: (value across, value up, the formula), the formula as our mark.

    A formula that is none of them stands `beside` their line.
    """
    height, apart = 240.0, [] if beside is None else [beside]
    ends = [*(p[0] for p in points), *(p[0] for p in apart), *([ceiling] if ceiling is not None else [])]
    low, high = padded(ends, 0.08)
    x = Axis(low, high, 46, width - 14)
    y = Axis(
        *((0.0, 1.0) if up.share else padded([*(p[1] for p in points), *(p[1] for p in apart)], 0.08)), height - 40, 38
    )
    parts = axis_below(x, height - 40, across.label, 5)
    if up.share:
        parts.append(line(46, y.start, 46, y.end, "axis"))
        for share in (0, 0.25, 0.5, 0.75, 1):
            parts += [line(46, y(share), width - 14, y(share), "hair"),
                      words(40, y(share) + 4, f"{share:.0%}".replace("%", " %"), anchor="end")]  # fmt: skip
        parts.append(words(2, 18, first_upper(up.label), "say"))
    else:
        parts += axis_left(y, 46, up.label, 5, width - 60)
    ordered = sorted(points)
    parts.append(path([(x(a), y(b)) for a, b, _ in ordered], "thin"))
    if ceiling is not None:
        parts += [line(x(ceiling), y.start, x(ceiling), y.end, "limit"),
                  words(x(ceiling) - 4, y.end + 10, f"ceiling {exactly(ceiling)}", anchor="end")]  # fmt: skip
    for a, b, chosen in ordered:
        at = f"{likely(b) if up.share else figure(b)} at {figure(a)} {across.unit}"
        if chosen:
            parts.append(mark(x(a), y(b), 1.3))
        else:
            parts.append(element("circle", element("title", at), cx=x(a), cy=y(b), r="3", cls="ring"))
    parts += [mark(x(a), y(b), 1.3) for a, b in apart]
    return picture(width, height, f"{up.name} against {across.name}", parts)


def time_line(events: Sequence[Event]) -> Markup:
    """What was done: on a line of days, things of one day on each other; within one day, in order along it."""
    width = 760.0
    when = [datetime.fromisoformat(e.when) for e in events]
    first, last = min(when).date(), max(when).date()
    one_day = first == last
    piles: dict[int, list[Event]] = {}
    for place, (moment, event) in enumerate(zip(when, events, strict=True)):
        piles.setdefault(place if one_day else (moment.date() - first).days, []).append(event)
    axis = Axis(0, max(max(piles), 1), 46, width - 70)
    gap = min(14.0, 150.0 / max(len(pile) for pile in piles.values()))
    base = 22 + gap * max(len(pile) for pile in piles.values())
    parts = [line(30, base, width - 30, base, "axis")]
    shown = -1e9
    for since, pile in sorted(piles.items()):
        x = axis(since)
        for i, event in enumerate(pile):
            title = element("title", f"{event.when} {event.command}: {event.says}")
            parts.append(element("circle", title, cx=x, cy=base - 8 - gap * i, r="3.4", cls="ring"))
            if gap >= 12 and (not one_day or x - shown > 64 or since == 0):
                parts.append(words(x + 8, base - 4 - gap * i, event.command, most=14))
        if x - shown > 64:
            if not one_day:
                day = datetime.fromisoformat(pile[0].when).date()
                parts.append(words(x, base + 18, str(day), anchor="middle"))
            shown = x
    if one_day:
        parts.append(words(axis.start, base + 18, f"all on {first}, in this order", anchor="start"))
    says = f"what was done on {first}" if one_day else f"what was done from {first} to {last}"
    return picture(width, base + 26, says, parts, wide=True)
