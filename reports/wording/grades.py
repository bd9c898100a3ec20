"""Grades by the names they have in the study, where these are words: never "at least 2" for "at least fair"."""

from __future__ import annotations

from collections.abc import Sequence

from doe.definition.cells import grade_values
from doe.definition.parts import Response
from reports.numbers import between, exactly, figure, limits
from reports.tables import clean


def asked_for(response: Response) -> str:
    """What is asked of a response, its grades by name; of a pass or fail, which of the two; a target, and a wish."""
    if response.aim == "watch":
        return limits(None, None)
    parts = [_within_limits(response)]
    if response.target is not None and response.kind != "pass":
        target = f"target {one(response, response.target) if response.grades else exactly(response.target)}"
        parts = [target] if response.low is None and response.high is None else [*parts, target]
    return ", ".join([*parts, *([] if response.is_must else ["a wish"])])


def _within_limits(response: Response) -> str:
    if response.kind == "pass":
        return "fail" if response.aim == "below" else "pass"
    names = _names(response)
    if not names or (response.low is None and response.high is None):
        return limits(response.low, response.high)
    low, high = (None if end is None else _nearest(names, end) for end in (response.low, response.high))
    if low is None or high is None:
        return f"at most {high}" if low is None else f"at least {low}"
    return f"{low} to {high}" if low != high else low


def one(response: Response, value: float | None, uncertainty: float | None = None) -> str:
    """A value of a response, or the grade that a score falls in: a threshold lies half way between two grades."""
    names = _names(response)
    return _nearest(names, value) if names and value is not None else figure(value, uncertainty)


def span(response: Response, low: float, high: float) -> str:
    """From a value to another, or from a grade to another."""
    names = _names(response)
    if not names:
        return between(low, high)
    ends = dict.fromkeys(_nearest(names, end) for end in (low, high))
    return " to ".join(ends)


def as_read(response: Response, low: float, high: float) -> str:
    """Between what a reading may lie: a value, a grade, or which of pass and fail."""
    if response.kind == "pass":
        return {(1.0, 1.0): "pass", (0.0, 0.0): "fail"}.get((low, high), "pass or fail")
    return span(response, low, high)


def read_from_to(response: Response, values: Sequence[float]) -> str:
    """From the least to the most that was read, or how many passed."""
    if response.kind == "pass":
        return f"{sum(value == 1 for value in values)} of {len(values)} passed"
    return f"{one(response, min(values))} to {one(response, max(values))}"


def _names(response: Response) -> dict[str, float]:
    """Grades in words with the number each is kept as; none where grades are numbers, or nothing is graded."""
    if response.kind != "grade":
        return {}
    known = grade_values(response.grades)
    worded = any(not grade.strip().replace(".", "", 1).isdigit() for grade in known)
    return {clean(grade): value for grade, value in known.items()} if worded else {}


def _nearest(names: dict[str, float], value: float) -> str:
    return min(names, key=lambda name: abs(names[name] - value))
