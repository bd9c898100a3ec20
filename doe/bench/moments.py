"""Days and times as people write them, and how old a sample was when it was read."""

from __future__ import annotations

import datetime
import re
from dataclasses import dataclass

from doe.definition.cells import Refusal, Uncalculated
from doe.definition.celltext import tidy

AGE_SLACK_H, AGE_SLACK_SHARE = 2.0, 1.0 / 12.0  # 24 +- 2 h for a reading due next day; common practice, no source
_ISO = re.compile(r"(?P<y>\d{4})-(?P<m>\d{1,2})-(?P<d>\d{1,2})(?:[T ]+(?P<clock>.+))?")
_DOTS = re.compile(r"(?P<d>\d{1,2})\.\s?(?P<m>\d{1,2})\.\s?(?P<y>\d{4})(?:[T ,]+(?P<clock>.+))?")
_SLASH = re.compile(r"(?P<a>\d{1,2})/(?P<b>\d{1,2})/(?P<y>\d{4})(?:[T ,]+(?P<clock>.+))?")
_CLOCK = re.compile(r"(\d{1,2})[:.h](\d{2})(?:[:.]\d{2}(?:\.\d+)?)?\s*(am|pm|uhr|h)?", re.IGNORECASE)
_ALLOWED, _DO = "a day and time such as 2031-05-14 10:30", "write year-month-day, then hours:minutes"


@dataclass(frozen=True, slots=True)
class Moment:
    """A day, with the time of day where it was given. `said` tells what was read with help."""

    at: datetime.datetime
    has_time: bool
    said: str = ""

    def __str__(self) -> str:
        return self.at.strftime("%Y-%m-%dT%H:%M" if self.has_time else "%Y-%m-%d")


def read_moment(raw: object) -> Moment | Refusal | None:
    """A cell as a day and time; None for a blank one. A day that could be two is refused."""
    if isinstance(raw, datetime.datetime):
        clean = raw.replace(tzinfo=None, second=0, microsecond=0)
        return Moment(clean, clean.time() != datetime.time(0, 0))
    if isinstance(raw, datetime.date):
        return Moment(datetime.datetime.combine(raw, datetime.time()), False)
    if isinstance(raw, Uncalculated):
        return Refusal("a formula without a stored result", _ALLOWED, "save the file in the spreadsheet program again")
    if raw is None or (isinstance(raw, float) and raw != raw):
        return None
    if not isinstance(raw, str):
        return Refusal(str(raw), _ALLOWED, _DO)
    text = tidy(raw)
    return _parsed(text) if text else None


def _parsed(text: str) -> Moment | Refusal:
    said = ""
    if match := _ISO.fullmatch(text):
        year, month, day, clock = (match[key] for key in ("y", "m", "d", "clock"))
    elif match := _DOTS.fullmatch(text):
        year, month, day, clock = (match[key] for key in ("y", "m", "d", "clock"))
        said = "day first"
    elif match := _SLASH.fullmatch(text):
        first, second, year, clock = (match[key] for key in ("a", "b", "y", "clock"))
        if int(first) <= 12 and int(second) <= 12 and first != second:
            return Refusal(f"{text!r}, which is two days depending on who reads it", _ALLOWED, _DO)
        day, month = (second, first) if int(second) > 12 else (first, second)
        said = "month first" if int(second) > 12 else "day first"
    else:
        return Refusal(f"{text!r}", _ALLOWED, _DO)
    hours = _clock(clock)
    if isinstance(hours, Refusal):
        return Refusal(f"{text!r}", _ALLOWED, _DO)
    try:
        at = datetime.datetime(int(year), int(month), int(day)) + datetime.timedelta(minutes=hours or 0)
    except (ValueError, OverflowError):
        return Refusal(f"{text!r}, which is no day of the calendar", _ALLOWED, _DO)
    moment = Moment(at, clock is not None)
    return Moment(at, clock is not None, f"{text} read as {moment} ({said})" if said else "")


def _clock(text: str | None) -> int | Refusal | None:
    """Minutes after midnight; None where no time was given."""
    if text is None:
        return None
    match = _CLOCK.fullmatch(text.strip())
    if match is None:
        return Refusal(text, _ALLOWED, _DO)
    hours, minutes, half = int(match[1]), int(match[2]), (match[3] or "").lower()
    if half in ("am", "pm"):
        if not 1 <= hours <= 12:
            return Refusal(text, _ALLOWED, _DO)
        hours = hours % 12 + (12 if half == "pm" else 0)
    return hours * 60 + minutes if hours < 24 and minutes < 60 else Refusal(text, _ALLOWED, _DO)


def age_hours(made: Moment, read: Moment) -> tuple[float, float]:
    """How old a sample was when it was read [h], and how far that may be off because a time was not given."""
    age = (read.at - made.at).total_seconds() / 3600.0
    return age, 0.0 if made.has_time and read.has_time else 24.0


def age_slack(due_h: float) -> float:
    """How far from its due age [h] a reading may be taken: 2 h, or a twelfth of the age if that is more."""
    return max(AGE_SLACK_H, AGE_SLACK_SHARE * due_h)
