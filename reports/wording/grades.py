"""Grades by the names they have in the study, where these are words: never "at least 2" for "at least fair".

A pass or fail reads as the share that passes.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from doe.definition.parts import Response
from doe.definition.readingcells import grade_values
from reports.facts import Spec
from reports.numbers import THIN, Amount, beside, between, exactly, figure, limits, listed, plain, with_unit
from reports.tables import clean


def asked_for(one: Response | Spec, unit: str = "") -> str:
    """What is asked of a response, with its unit, grades by name; of a pass or fail, which of the two; target, wish."""
    if one.aim == "watch":
        return limits(None, None)
    parts = [_within_limits(one, unit)]
    if one.target is not None and one.kind != "pass":
        target = f"target {written(one, one.target)}"
        parts = [target] if one.low is None and one.high is None else [*parts, target]
    must = one.must if isinstance(one, Spec) else one.is_must
    return ", ".join([*parts, *([] if must else ["a wish"])])


def _within_limits(one: Response | Spec, unit: str) -> str:
    if one.kind == "pass":
        return "fail" if one.aim == "below" else "pass"
    names = named(one)
    if not names or (one.low is None and one.high is None):
        return limits(one.low, one.high, unit)
    low, high = (None if end is None else _nearest(names, end) for end in (one.low, one.high))
    if low is None or high is None:
        return f"at most {high}" if low is None else f"at least {low}"
    return f"{low} to {high}" if low != high else low


def written(one: Response | Spec, value: float) -> str:
    """A limit or target as it was written, a grade by its name."""
    names = named(one)
    return _nearest(names, value) if names else exactly(value)


def one(response: Response | Spec, value: float | None, uncertainty: Amount = None, unit: str = "") -> str:
    """A value of a response with its unit, or the grade that a score falls in: a threshold lies half way between two.

    Of a pass or fail the value is the share that passes. What is computed has four digits, or as many as tell it from a
    limit.
    """
    names = named(response)
    if names and value is not None:
        return _nearest(names, value)
    if response.kind == "pass" and value is not None:
        return f"{_share(value)} pass"
    exact = response.exact if isinstance(response, Spec) else response.is_exact
    if exact and uncertainty is None:
        return with_unit(beside(value, (response.low, response.high)), unit)
    return with_unit(figure(value, uncertainty), unit)


def span(response: Response | Spec, low: float, high: float, error: Amount = None) -> str:
    """From a value to another, or from a grade to another; of a pass or fail, shares that pass.

    Both ends are rounded by `error`, as the value beside them is, unless that would make them one; else by their width.
    """
    names = named(response)
    if response.kind == "pass":
        return f"{_share(low)} to {_share(high)}"
    if not names:
        told = between(low, high, error=error)
        return told if figure(low, error) != figure(high, error) else between(low, high)
    ends = list(dict.fromkeys(_nearest(names, end) for end in (low, high)))
    told = " to ".join(ends)
    all_of_them = len(names) > 2 and {names[end] for end in ends} == {min(names.values()), max(names.values())}
    return f"any grade, {told}" if all_of_them else told


def legend(responses: Sequence[Response]) -> str:
    """What is predicted on a log scale, of a pass or fail and of named grades, and how that differs from the chance."""
    skewed = [clean(r.name) for r in responses if r.kind == "number" and r.scale in ("log", "logit") and not r.is_exact]
    passes = [clean(r.name) for r in responses if r.kind == "pass"]
    graded = [clean(r.name) for r in responses if named(r)]
    said = []
    if skewed:
        said.append(f"Predicted of {listed(skewed)} is the median: half of all batches come out above it.")
    if passes:
        said.append(f"Predicted of {listed(passes)} is the likeliest share of passes, the interval where that share "
                    "may lie; the chance is that one new batch passes, with all of that interval in it.")  # fmt: skip
    if graded:
        said.append(f"Predicted of {listed(graded)} is the likeliest grade, the interval the grades one new batch may "
                    "get; the chance says how likely those asked for are among them.")  # fmt: skip
    return " ".join(said)


def width(low: float, high: float) -> float | None:
    """What a mean along a line is rounded by: half its 95 % confidence, as its band is drawn; None without any."""
    return (high - low) / 2 or None


def from_to(spec: Spec, low: float, high: float, errors: tuple[Amount, Amount] = (None, None)) -> str:
    """From one predicted value to another: `4400 to 41 000 mPa.s`, `fair to good`, `10 % to 90 % pass`."""
    if named(spec) or spec.kind == "pass":
        first = _share(low) if spec.kind == "pass" else one(spec, low)
        return f"{first} to {one(spec, high)}"
    return f"{figure(low, errors[0])} to {with_unit(figure(high, errors[1]), spec.unit)}"


def edges(spec: Spec) -> tuple[float | None, float | None]:
    """Between what a prediction meets a spec: its limits, of named grades half way to the next grade outside.

    A share that passes has none.
    """
    values = sorted(named(spec).values())
    if len(values) < 2:
        return spec.low, spec.high
    below = [v for v in values if spec.low is not None and v < spec.low]
    above = [v for v in values if spec.high is not None and v > spec.high]
    return (
        None if spec.low is None or not below else (max(below) + spec.low) / 2,
        None if spec.high is None or not above else (min(above) + spec.high) / 2,
    )


def steps(spec: Spec) -> tuple[float, ...]:
    """Thresholds between named grades, each half way; nothing for other responses."""
    values = sorted(named(spec).values())
    return tuple((a + b) / 2 for a, b in pairwise(values))


def step_words(spec: Spec, value: float) -> str:
    """A value that a contour stands for: a threshold by the grades on its two sides, a share that passes, a number."""
    values = sorted(named(spec).items(), key=lambda pair: pair[1])
    for (low, a), (high, b) in pairwise(values):
        if abs(value - (a + b) / 2) < 1e-9:
            return f"{low} | {high}"
    return _share(value) if spec.kind == "pass" else one(spec, value)


def as_read(response: Response, low: float, high: float) -> str:
    """Between what a reading may lie: a value, a grade, or which of pass and fail."""
    if response.kind == "pass":
        return {(1.0, 1.0): "pass", (0.0, 0.0): "fail"}.get((low, high), "pass or fail")
    return span(response, low, high)


def read_from_to(response: Response, values: Sequence[float], bounds: int = 0) -> str:
    """From the least to the most that was read, or how many passed; beside them how many `bounds` there are."""
    more = f"; {bounds} bound{'s' if bounds > 1 else ''}" if bounds else ""
    if not len(values):
        return f"no number{more}"
    if response.kind == "pass":
        return f"{sum(value == 1 for value in values)} of {len(values)} passed{more}"
    if len(values) == 1 and not named(response):
        return f"one number, {one(response, values[0])}{more}"
    ends = list(dict.fromkeys(one(response, end) for end in (min(values), max(values))))
    return (" to ".join(ends) if len(ends) > 1 else f"all {ends[0]}") + more


def named(one: Response | Spec) -> dict[str, float]:
    """Grades in words with the number each is kept as; none where grades are numbers, or nothing is graded."""
    if isinstance(one, Spec):
        return dict(one.grades)
    if one.kind != "grade":
        return {}
    known = grade_values(one.grades)
    worded = any(not grade.strip().replace(".", "", 1).isdigit() for grade in known)
    return {clean(grade): value for grade, value in known.items()} if worded else {}


def _share(value: float) -> str:
    return f"{plain(100 * value, 0)}{THIN}%"


def _nearest(names: dict[str, float], value: float) -> str:
    return min(names, key=lambda name: abs(names[name] - value))
