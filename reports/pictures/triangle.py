"""The triangle of three ingredients: its frame with levels along the sides, and trials in it."""

from __future__ import annotations

from collections.abc import Callable

from markupsafe import Markup

from reports.facts import Blends, Frame
from reports.numbers import figure
from reports.pictures.svg import Point, element, line, path, picture, round_sign, round_steps, words

WIDTH, HEIGHT = 360.0, 340.0
_LEFT, _TOP, _SIDE = 50.0, 62.0, 260.0
_TALL = _SIDE * 3**0.5 / 2
# Corner of the first, second and third ingredient: top, bottom left, bottom right.
_CORNERS = ((_LEFT + _SIDE / 2, _TOP), (_LEFT, _TOP + _TALL), (_LEFT + _SIDE, _TOP + _TALL))


def at(shares: tuple[float, float, float]) -> Point:
    """The place of three shares that add up to 1."""
    x = sum(share * corner[0] for share, corner in zip(shares, _CORNERS, strict=True))
    y = sum(share * corner[1] for share, corner in zip(shares, _CORNERS, strict=True))
    return x, y


def placed(frame: Frame, first: int = 0, second: int = 1) -> Callable[[float, float], Point]:
    """From the levels of two of the three ingredients, by their places in the frame, to a place in the picture."""

    def place(a: float, b: float) -> Point:
        shares = [0.0, 0.0, 0.0]
        shares[first] = (a - frame.low[first]) / frame.room
        shares[second] = (b - frame.low[second]) / frame.room
        shares[3 - first - second] = 1 - shares[first] - shares[second]
        return at((shares[0], shares[1], shares[2]))

    return place


def ground(frame: Frame) -> list[Markup]:
    """The sides, lines of equal level, levels along the sides, and the name of each ingredient at its corner."""
    parts: list[Markup] = []
    # Along which side an ingredient's levels are written: that from the next corner to its own, seen from outside.
    beside = (("end", -11.0, 4.0), ("middle", -5.0, 18.0), ("start", 11.0, 4.0))
    for k in range(3):
        rises, falls = (k, (k + 1) % 3), (k, (k + 2) % 3)
        anchor, dx, dy = beside[k]
        for tick in round_steps(frame.low[k], frame.low[k] + frame.room, 5):
            share = (tick - frame.low[k]) / frame.room
            if not 1e-6 < share < 1 - 1e-6:
                continue
            start, end = at(_on(rises, share)), at(_on(falls, share))
            parts += [line(*start, *end, "hair"),
                      words(start[0] + dx, start[1] + dy, figure(tick, digits=6), anchor=anchor)]  # fmt: skip
    parts.append(path(_CORNERS, "axis", closed=True))
    unit = f" [{frame.unit}]" if frame.unit else ""
    top, left, right = frame.names
    parts += [
        words(_CORNERS[0][0], _TOP - 12, f"{top}{unit}", "say", anchor="middle", most=34),
        words(4, HEIGHT - 8, f"{left}{unit}", "say", most=24),
        words(WIDTH - 4, HEIGHT - 8, f"{right}{unit}", "say", anchor="end", most=24),
    ]
    return parts


def _on(pair: tuple[int, int], share: float) -> tuple[float, float, float]:
    """The point between two corners with `share` of the first."""
    shares = [0.0, 0.0, 0.0]
    shares[pair[0]], shares[pair[1]] = share, 1 - share
    return shares[0], shares[1], shares[2]


def tried(blends: Blends) -> Markup:
    """Where the trials stand: a numbered ring each, what the limits allow shaded; later rounds by their own sign."""
    place = placed(blends.frame)
    outline = [place(a, b) for a, b in blends.polygon]
    parts = [path(outline, "wide", closed=True), *ground(blends.frame), path(outline, "limit", closed=True)]
    here: dict[tuple[int, int], list[tuple[str, int]]] = {}
    for trial, a, b, number in blends.trials:
        x, y = place(a, b)
        here.setdefault((round(x), round(y)), []).append((trial, number))
    for (x, y), found in here.items():
        first, number = found[0]
        title = element("title", ", ".join(trial for trial, _ in found))
        if number > 1:
            parts.append(round_sign(number, x, y, ", ".join(trial for trial, _ in found)))
            continue
        label = first.lstrip("T").lstrip("0") or first
        parts += [
            element("circle", title, cx=str(x), cy=str(y), r="8.5", cls="ring"),
            element("text", label[:3], x=str(x), y=f"{y + 3.4:.1f}", text_anchor="middle", cls="number"),
        ]
    says = f"{len(blends.trials)} batches of {len(here)} blends in the triangle of {', '.join(blends.frame.names)}"
    return picture(WIDTH, HEIGHT, says, parts)
