"""Residuals as small panels on one scale, one question each."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from reports.facts import Question
from reports.numbers import exactly, figure
from reports.pictures.svg import Axis, axis_left, element, line, padded, picture, words

_HEIGHT, _OUT = 150.0, 3.0


def panels(name: str, questions: Sequence[Question]) -> list[Markup]:
    """A panel a question; the first carries the axis of all."""
    reach = max(3.2, *(abs(y) * 1.08 for one in questions for _, _, y in one.points))
    return [_panel(name, one, reach, first=i == 0) for i, one in enumerate(questions)]


def _panel(name: str, one: Question, reach: float, *, first: bool) -> Markup:
    width, left = (204.0, 44.0) if first else (172.0, 12.0)
    xs = [x for _, x, _ in one.points]
    x = Axis(*padded(xs), left, width - 8)
    y = Axis(-reach, reach, _HEIGHT - 30, 26)
    parts: list[Markup] = axis_left(y, left, "", 4) if first else []
    parts += [line(left, y(level), width - 8, y(level), "dash") for level in (-_OUT, _OUT)]
    parts.append(line(left, y(0), width - 8, y(0), "axis"))
    if one.straight:
        low, high = min(xs), max(xs)
        parts.append(line(x(low), y(low), x(high), y(high), "thin"))
    for trial, place, off in one.points:
        told = element("title", f"{trial}: {exactly(float(f'{off:.3g}'))} sd at {figure(place)}")
        cls = "clay" if abs(off) > _OUT else "ring"
        parts.append(element("circle", told, cx=x(place), cy=y(off), r="2.8", cls=cls))
    parts += [
        words(left, 12, one.axis, "say", most=24),
        words(left, _HEIGHT - 14, figure(min(xs))),
        words(width - 8, _HEIGHT - 14, figure(max(xs)), anchor="end"),
        words((left + width - 8) / 2, _HEIGHT - 14, one.unit, anchor="middle", most=12),
    ]
    return picture(width, _HEIGHT, f"{name}, residuals by {one.axis}. {one.asks} {one.answer}", parts)
