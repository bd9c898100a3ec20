"""One cell read as a reading of a response: a number, a bound, a grade, pass or fail, nothing seen."""

from __future__ import annotations

import datetime
import math
from collections.abc import Sequence

from doe.definition.cells import BLANK, NOT_MEASURED, Bound, Entry, Mark, Refusal, Uncalculated, read_number
from doe.definition.celltext import tidy
from doe.definition.impossible import impossible
from doe.definition.parts import Response

_NONE_SEEN = {"none seen", "none", "nothing seen", "not seen", "no settling seen", "not detected", "n.d.", "nd", "<lod"}
_OVER = {"over range", "over-range", "overrange", "over", "off scale", "ol", "eeee", "too high"}
_UNDER = {"under range", "under-range", "underrange", "too low"}
_PASS = {"pass", "passed", "passes", "yes", "y", "ok", "true", "1", "p"}
_FAIL = {"fail", "failed", "fails", "no", "n", "not ok", "false", "0", "f"}
_FAR = 2.0  # times beyond what the method reads, from which on a number may be a slip; our choice


def grade_values(grades: Sequence[str]) -> dict[str, float]:
    """The number each grade stands for: its own where every grade is a number, else its place, from 1."""
    try:
        numbers = [float(grade) for grade in grades]
    except ValueError:
        numbers = [float(place) for place in range(1, len(grades) + 1)]
    return dict(zip(grades, numbers, strict=True))


def _grade(raw: object, response: Response) -> Entry | Refusal:
    text = tidy(f"{raw:g}" if isinstance(raw, float) and not isinstance(raw, bool) else str(raw))
    known = {grade.casefold(): value for grade, value in grade_values(response.grades).items()}
    if text.casefold() in known:
        return Entry(known[text.casefold()])
    return Refusal(f"{text!r}", "one of " + ", ".join(response.grades), "write the grade as it stands in study.toml")


def _passed(raw: object) -> Entry | Refusal:
    word = tidy(f"{raw:g}" if isinstance(raw, float) else str(raw)).casefold()
    if word in _PASS:
        return Entry(1.0)
    if word in _FAIL:
        return Entry(0.0)
    return Refusal(f"{word!r}", "pass or fail", "write pass or fail")


def read_reading(raw: object, response: Response, mark: Mark = "unknown") -> Entry | Refusal:
    """A cell read as a reading of `response`: a number in its unit, a bound, one of its grades, or pass or fail.

    "none seen" means below the lowest value the method can read; where the study declares none, it is 0, and
    says so. A number outside what the method reads is censored there. Words for over and under range need
    `reads` too.
    """
    if isinstance(raw, str) and tidy(raw).casefold() in BLANK | NOT_MEASURED:
        return read_number(raw)
    if response.kind in ("grade", "pass") and not isinstance(raw, Uncalculated | datetime.date | datetime.time):
        if raw is None or (isinstance(raw, float) and math.isnan(raw)):
            return Entry(missing="blank")
        return _grade(raw, response) if response.kind == "grade" else _passed(raw)
    low, high = response.reads
    word = tidy(raw).casefold() if isinstance(raw, str) else ""
    if word in _NONE_SEEN:
        return _none_seen(str(raw), response)
    if word in _OVER | _UNDER:
        bound: Bound = "above" if word in _OVER else "below"
        limit = high if bound == "above" else low
        if limit is None:
            return Refusal(
                f"{raw!r}",
                "a number with < or >, or `reads` in study.toml",
                f"write {'>' if bound == 'above' else '<'} and the limit",
            )
        return Entry(limit, bound)
    entry = read_number(raw, response.unit, mark)
    if isinstance(entry, Refusal):
        return entry
    if wrong := impossible(*entry.measured, response):
        return Refusal(*wrong)
    return within_reads(entry, response)


def within_reads(entry: Entry, response: Response) -> Entry:
    """The entry, censored at what the method can read if it is a number beyond that."""
    low, high = response.reads
    if entry.value is None or entry.bound != "none":
        return entry
    if low is not None and entry.value < low:
        slip = _slip(0 < entry.value * _FAR < low, 1000.0 * entry.value, "1000 times as much", response)
        return Entry(low, "below", said=f"{entry.value:g} is below what the method reads; kept as <{low:g}{slip}")
    if high is not None and entry.value > high:
        slip = _slip(entry.value > _FAR * high > 0, entry.value / 1000.0, "a thousandth of it", response)
        return Entry(high, "above", said=f"{entry.value:g} is above what the method reads; kept as >{high:g}{slip}")
    return entry


def _slip(far: bool, other: float, words: str, response: Response) -> str:
    """What a number `far` beyond what the method reads may be: in another unit, where `other` is within; or a slip."""
    low, high = response.reads
    if far and (low or 0.0) <= other <= (math.inf if high is None else high):
        return f"; {words} would be within: another unit, or a slip?"
    return f"; more than {_FAR:g} times beyond: a slip?" if far else ""


def takes_none_seen(response: Response) -> bool:
    """Whether "none seen" may be written for it: below what the method reads, or 0 where there may be a 0."""
    low = response.reads[0]
    return response.kind == "number" and ((low is not None and low > 0) or response.scale not in ("log", "logit"))


def _none_seen(raw: str, response: Response) -> Entry | Refusal:
    low = response.reads[0]
    if low is not None and low > 0:
        return Entry(low, "below")
    if not takes_none_seen(response):
        return Refusal(
            f"{raw!r}, and {response.name} is judged on a {response.scale} scale",
            "a bound, such as <5",
            "write < and the smallest amount the method would have shown, or give `reads` in study.toml",
        )
    return Entry(0.0, said=f"{raw} taken as 0; give `reads` in study.toml if the method has a smallest amount it shows")
