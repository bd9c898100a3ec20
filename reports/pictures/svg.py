"""Drawing in SVG: escaped elements, axes with round ticks, and the few shapes that all our pictures share.

Colours come by class from the page's style sheet, so one picture serves light, dark and print. `alone` wraps a
picture with its own style, for use outside a page.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path

from markupsafe import Markup

from reports.numbers import figure
from reports.tokens import LIGHT, css_variables

Point = tuple[float, float]

TEMPLATES = Path(__file__).parents[1] / "templates"


def at(value: float) -> str:
    """A coordinate to a tenth of a pixel, without a trailing zero."""
    text = f"{value:.1f}"
    return text[:-2] if text.endswith(".0") else text


def element(name: str, *children: str, **attributes: object) -> Markup:
    """An SVG element. Text children and attribute values are escaped; `Markup` children pass; `cls` means class."""
    given = "".join(
        f' {("class" if key == "cls" else key.replace("_", "-"))}="{_value(value)}"'
        for key, value in attributes.items()
        if value is not None
    )
    inner = "".join(child if isinstance(child, Markup) else escape(child, quote=False) for child in children)
    return Markup(f"<{name}{given}>{inner}</{name}>" if inner else f"<{name}{given}/>")


def _value(value: object) -> str:
    return at(value) if isinstance(value, float) else escape(str(value))


def picture(width: float, height: float, title: str, children: Iterable[str], *, wide: bool = False) -> Markup:
    """A whole picture of `width` x `height` units, with `title` read out to those who cannot see it."""
    return element(
        "svg",
        *children,
        cls="pic wide-pic" if wide else "pic",
        viewBox=f"0 0 {at(width)} {at(height)}",
        width=at(width),
        height=at(height),
        role="img",
        aria_label=title,
        xmlns="http://www.w3.org/2000/svg",
    )


def alone(svg: Markup) -> str:
    """A picture with its own light style, for a file outside the page."""
    rules = (TEMPLATES / "pictures.css").read_text(encoding="utf-8")
    style = f"<style>:root {{ {css_variables(LIGHT)} }} svg {{ background: {LIGHT.paper}; }} {rules}</style>"
    head, _, rest = str(svg).partition(">")
    return f"{head}>{style}{rest}"


def line(x1: float, y1: float, x2: float, y2: float, cls: str) -> Markup:
    """A straight line."""
    return element("path", d=f"M{at(x1)} {at(y1)}L{at(x2)} {at(y2)}", cls=cls)


def path(points: Sequence[Point], cls: str, *, closed: bool = False) -> Markup:
    """A line through `points`, or the area inside them."""
    return element("path", d=trace(points, closed=closed), cls=cls)


def trace(points: Sequence[Point], *, closed: bool = False) -> str:
    """The path data through `points`."""
    return "M" + "L".join(f"{at(x)} {at(y)}" for x, y in points) + ("Z" if closed else "")


def words(x: float, y: float, text: str, cls: str | None = None, anchor: str = "start", most: int = 0) -> Markup:
    """Text at a place; longer than `most` characters it is cut with an ellipsis and kept whole as its title."""
    shown = shortened(text, most) if most else text
    title = [element("title", text)] if shown != text else []
    return element(
        "text", shown, *title, x=float(x), y=float(y), cls=cls, text_anchor=None if anchor == "start" else anchor
    )


def shortened(text: str, most: int) -> str:
    """`text` in at most `most` characters; full-width ones (CJK) count double."""
    room = float(most)
    for i, letter in enumerate(text):
        room -= 2 if _is_wide(letter) else 1
        if room < 0:
            return text[: max(i - 1, 1)].rstrip() + "…"
    return text


def _is_wide(letter: str) -> bool:
    # CJK, Hangul, full-width forms: the blocks that fonts draw in a square (Unicode block chart, from memory).
    code = ord(letter)
    return 0x1100 <= code <= 0x115F or 0x2E80 <= code <= 0xA4CF or 0xAC00 <= code <= 0xD7A3 or 0xF900 <= code <= 0xFAFF


def hatching(key: str) -> Markup:
    """The hatch of what was not tried, as a pattern `url(#hatch-KEY)`."""
    stroke = line(0, 0, 0, 6, "hatch")
    pattern = element(
        "pattern",
        stroke,
        id=f"hatch-{key}",
        width="6",
        height="6",
        patternUnits="userSpaceOnUse",
        patternTransform="rotate(45)",
    )
    return element("defs", pattern)


def mark(x: float, y: float, size: float = 1.0) -> Markup:
    """Our mark of the chosen formula: a small stoppered jar, its body centred on (x, y)."""
    s = 5 * size
    lid = f"M{at(x - 0.55 * s)} {at(y - 1.5 * s)}h{at(1.1 * s)}v{at(0.4 * s)}h{at(-1.1 * s)}z"
    body = (
        f"M{at(x - 0.45 * s)} {at(y - 0.95 * s)}h{at(0.9 * s)}l{at(0.45 * s)} {at(0.5 * s)}v{at(1.45 * s)}"
        f"h{at(-1.8 * s)}v{at(-1.45 * s)}z"
    )
    return element("path", d=lid + body, cls="mark")


def sign(place: int, x: float, y: float, title: str = "", size: float = 4.2) -> Markup:
    """One of twelve signs: ring, square, triangle, lozenge, triangle down, cross; then the same filled."""
    s = size
    shapes = (
        f"M{x - s:.1f} {y:.1f}a{s} {s} 0 1 0 {2 * s} 0a{s} {s} 0 1 0 {-2 * s} 0z",
        f"M{x - s + 0.4:.1f} {y - s + 0.4:.1f}h{2 * s - 0.8:.1f}v{2 * s - 0.8:.1f}h{0.8 - 2 * s:.1f}z",
        f"M{x:.1f} {y - s - 0.6:.1f}l{s + 0.6:.1f} {2 * s:.1f}h{-2 * s - 1.2:.1f}z",
        f"M{x:.1f} {y - s - 1:.1f}l{s + 1:.1f} {s + 1:.1f}l{-s - 1:.1f} {s + 1:.1f}l{-s - 1:.1f} {-s - 1:.1f}z",
        f"M{x:.1f} {y + s + 0.6:.1f}l{s + 0.6:.1f} {-2 * s:.1f}h{-2 * s - 1.2:.1f}z",
        f"M{x - 4:.1f} {y:.1f}h8M{x:.1f} {y - 4:.1f}v8",
    )
    told = [element("title", title)] if title else []
    filled = place // len(shapes) % 2
    return element("path", *told, d=shapes[place % len(shapes)], cls="mark" if filled else "ring")


def signs(place: int) -> Markup:
    """The sign alone, for a key in a line of text."""
    return element("svg", sign(place, 7, 7), cls="pic sign", viewBox="0 0 14 14", width="14", height="14",
                   aria_hidden="true")  # fmt: skip


def round_sign(number: int, x: float, y: float, title: str, size: float = 4.2) -> Markup:
    """The sign of a round: a ring for the first; the cross, the last open sign, for trials from before any plan."""
    return sign(number - 1 if number else 5, x, y, title, size)


@dataclass(frozen=True, slots=True)
class Axis:
    """Maps values `low`..`high` to pixels `start`..`end`; `log` spaces them by ratio."""

    low: float
    high: float
    start: float
    end: float
    log: bool = False

    def __call__(self, value: float) -> float:
        """The pixel of `value`; what lies far outside is held just beyond the ends."""
        low, high, here = self.low, self.high, value
        if self.log:
            low, high, here = math.log(low), math.log(high), math.log(max(value, self.low * 1e-6))
        share = 0.5 if high == low else (here - low) / (high - low)
        return self.start + min(max(share, -0.5), 1.5) * (self.end - self.start)

    def ticks(self, most: int) -> list[float]:
        """Round values within the axis, at most about `most`."""
        return round_steps(self.low, self.high, most, log=self.log)


def round_steps(low: float, high: float, most: int, *, log: bool = False) -> list[float]:
    """Round numbers (1, 2, 5 and their tens) from `low` to `high`, at most about `most`; by ratio where `log`."""
    if not high > low:
        return [low]
    if log and low > 0 and high / low >= 4:
        decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
        for mantissas in ((1, 2, 5), (1, 3), (1,)):
            found = [m * 10.0**e for e in decades for m in mantissas if low <= m * 10.0**e <= high]
            if len(found) <= most or mantissas == (1,):
                return found
    rough = (high - low) / max(most, 1)
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= rough * (1 - 1e-9))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [round(i * step, 12) for i in range(first, last + 1)]


def padded(values: Sequence[float], share: float = 0.06) -> tuple[float, float]:
    """Lowest and highest of `values` with some room; never an empty span."""
    low, high = min(values), max(values)
    room = (high - low) * share or abs(high) * 0.05 or 1.0
    return low - room, high + room


def axis_below(axis: Axis, y: float, label: str, most: int) -> list[Markup]:
    """A horizontal axis at height `y` with round ticks and its label."""
    out = [line(axis.start, y, axis.end, y, "axis")]
    for tick in axis.ticks(most):
        x = axis(tick)
        out += [line(x, y, x, y + 4, "axis"), words(x, y + 15, figure(tick, digits=6), anchor="middle")]
    if label:
        out.append(words((axis.start + axis.end) / 2, y + 30, label, anchor="middle", most=46))
    return out


def axis_left(axis: Axis, x: float, label: str, most: int, width: float = 0) -> list[Markup]:
    """A vertical axis at `x`; its label stands above it. `width` > 0 draws hairlines across the picture."""
    out = [line(x, axis.start, x, axis.end, "axis")]
    for tick in axis.ticks(most):
        y = axis(tick)
        if width:
            out.append(line(x, y, x + width, y, "hair"))
        out += [line(x - 4, y, x, y, "axis"), words(x - 7, y + 4, figure(tick, digits=6), anchor="end")]
    if label:
        out.append(words(2, axis.end - 10, label, "say", most=36))
    return out
