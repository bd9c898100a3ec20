"""Readings that cannot be: a pH far off its scale, nothing of what is never nothing, more than the whole of a share."""

from __future__ import annotations

from doe.definition.parts import Response

Impossible = tuple[str, str, str]  # what came, what is allowed, what to do

# Water at 25 C goes from 0 to 14; concentrated acids and alkalis read a little beyond. Common practice, no source.
PH_LOW, PH_HIGH = -1.0, 15.0
_SAY = "write the number that was read"


def is_ph(response: Response) -> bool:
    """Whether it is a pH, by its unit, or by its name where it has none; a drift of pH that may be negative is not."""
    marks = (response.low, response.target, response.high, *response.reads)
    return (
        response.kind == "number"
        and (response.unit or response.name).casefold() == "ph"
        and all(mark is None or PH_LOW <= mark <= PH_HIGH for mark in marks)
    )


def impossible(value: float | None, bound: str, value_to: float | None, response: Response) -> Impossible | None:
    """Why a reading of `response` cannot be, as what came, what is allowed, what to do; None where it can.

    `value`, `value_to` and `bound` are those of the cell, in the unit of the response.
    """
    ends = [number for number in (value, value_to) if number is not None]
    if not ends:
        return None
    if is_ph(response) and (wrong := impossible_ph(ends)):
        return wrong
    return _nothing(min(ends), bound, response) or _beyond_whole(ends, response)


def impossible_ph(values: list[float]) -> Impossible | None:
    """Why no pH can be so; None where it can."""
    off = [value for value in values if not PH_LOW <= value <= PH_HIGH]
    if not off:
        return None
    allowed = f"0 to 14, and a little beyond in concentrated solutions ({PH_LOW:g} to {PH_HIGH:g})"
    return f"{off[0]:g}, which is no pH", allowed, f"{_SAY}; is a decimal point missing?"


def _nothing(value: float, bound: str, response: Response) -> Impossible | None:
    """A number below 0, or a bare 0, of what is always above 0: a slip of the pen, and no small reading."""
    low = response.reads[0]
    never = response.scale == "log" or (low is not None and low > 0)
    if value > 0 or bound == "above" or not (never or (low is not None and low >= 0)) or (value == 0 and not never):
        return None
    why = f"the method reads from {low:g}" if low is not None and low >= 0 else "it is judged on a log scale"
    least = f"<{low:g}" if low else "< and the smallest amount the method would have shown"
    do = f"{_SAY}, or {least} if it was too low to read"
    if value < 0:
        return f"{value:g}, which is below 0", f"nothing below 0 of {response.name}: {why}", do
    return "0", f"{response.name} above 0: {why}", do


def _beyond_whole(values: list[float], response: Response) -> Impossible | None:
    """A share of less than nothing or of more than all, on a scale of shares."""
    whole = 100.0 if response.unit.strip().startswith("%") else 1.0
    off = [value for value in values if not 0 <= value <= whole]
    if response.scale != "logit" or not off:
        return None
    what = "in %" if whole > 1 else "as a fraction"
    return f"{off[0]:g}", f"0 to {whole:g}: {response.name} is a share, {what}", _SAY
