"""When what is to be made and read: day by day for a plan, and the moments due for batches that were made."""

from __future__ import annotations

import datetime
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from doe.bench.moments import Moment, read_moment

if TYPE_CHECKING:
    from doe.definition.parts import Response
    from doe.design.design import Design
    from doe.results.resultset import Results
    from doe.study import Study


_WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday")


@dataclass(frozen=True, slots=True)
class DueReading:
    """What is to be read on a day: of which batches, which response, at what age [h]."""

    response: str
    after_h: float
    store: str
    trials: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Day:
    """A bench day, counted from 1: the trials to make, in order, and what is to be read."""

    number: int
    make: tuple[str, ...]
    read: tuple[DueReading, ...]


@dataclass(frozen=True, slots=True)
class Weekends:
    """What falls due on a Saturday or Sunday where making begins on the weekday `start` and rests on both."""

    start: str
    readings: tuple[DueReading, ...]


@dataclass(frozen=True, slots=True)
class Jar:
    """A jar of each batch: the condition it stands in, what is read from it, and what that takes [g]."""

    store: str
    responses: tuple[Response, ...]
    grams: float
    kept: bool = False


def making_day(study: Study, order: int) -> int:
    """The bench day on which the batch of that place in the order is made."""
    return math.ceil(order / max(1.0, study.batches_per_day))


def days(study: Study, design: Design) -> tuple[Day, ...]:
    """Every day on which something is made or read; a reading falls due as many whole days after making as its age has.

    Days are counted as if each were a bench day: days off move those after them.
    """
    made: dict[int, list[str]] = {}
    due: dict[tuple[int, int], list[str]] = {}
    timed = [(place, r) for place, r in enumerate(study.measured_responses) if r.after_h is not None]
    for trial, run in design.runs.sort_values("order", kind="stable").iterrows():
        day = making_day(study, int(run["order"]))
        made.setdefault(day, []).append(str(trial))
        for place, response in timed:
            later = math.floor((response.after_h or 0.0) / 24.0 + 1e-9)
            due.setdefault((day + later, place), []).append(str(trial))
    responses = study.measured_responses
    out = []
    for number in sorted({*made, *(day for day, _ in due)}):
        read = tuple(
            DueReading(
                responses[place].name, responses[place].after_h or 0.0, responses[place].store, tuple(due[day, place])
            )
            for day, place in sorted(due)
            if day == number
        )
        out.append(Day(number, tuple(made.get(number, ())), read))
    return tuple(out)


def weekends(study: Study, design: Design) -> tuple[Weekends, ...]:
    """For each weekday that making may begin on, the readings that fall due on a Saturday or Sunday.

    Batches are made from Monday to Friday; a reading falls due as many whole days later as its age has.
    """
    made: dict[int, list[str]] = {}
    for trial, run in design.runs.sort_values("order", kind="stable").iterrows():
        made.setdefault(making_day(study, int(run["order"])), []).append(str(trial))
    out = []
    for start, name in enumerate(_WEEKDAYS):
        late = []
        for response in study.measured_responses:
            later = math.floor((response.after_h or 0.0) / 24.0 + 1e-9)
            # The weekday of bench day n: five of them make a week.
            trials = [trial for day, mine in made.items() for trial in mine if ((start + day - 1) % 5 + later) % 7 >= 5]
            if trials:
                late.append(DueReading(response.name, response.after_h or 0.0, response.store, tuple(trials)))
        out.append(Weekends(name, tuple(late)))
    return tuple(out)


def untimed(study: Study) -> tuple[str, ...]:
    """Responses that do not say at what age they are read."""
    return tuple(r.name for r in study.measured_responses if r.after_h is None)


def jars(study: Study) -> tuple[Jar, ...]:
    """The jars to fill of every batch: one a storage condition, and the kept sample."""
    out = []
    for store in dict.fromkeys(r.store for r in study.measured_responses):
        mine = tuple(r for r in study.measured_responses if r.store == store)
        out.append(Jar(store, mine, math.fsum(r.sample_g or 0.0 for r in mine)))
    if study.make.retain_g > 0:
        out.append(Jar("", (), study.make.retain_g, kept=True))
    return tuple(out)


def due(study: Study, results: Results) -> dict[tuple[str, str], str]:
    """When each reading not yet taken falls due, by (batch, response), for batches whose making has a day.

    A moment with a time of day where the making has one, else a day, as ISO 8601. Batches not in use are left out.
    """
    batches, taken = results.batches, set(zip(results.counted["batch"], results.counted["response"], strict=True))
    out: dict[tuple[str, str], str] = {}
    for batch in map(str, results.usable):
        made = read_moment(batches["made_at"][batch])
        if not isinstance(made, Moment):
            continue
        for response in study.measured_responses:
            if response.after_h is not None and (batch, response.name) not in taken:
                at = made.at + datetime.timedelta(hours=response.after_h)
                out[batch, response.name] = str(Moment(at, made.has_time))
    return out
