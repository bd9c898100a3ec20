"""How old each sample was when it was read, against the age it was due at."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from doe.bench.drafts import Intake, Reading
from doe.bench.moments import Moment, age_hours, age_slack, read_moment
from doe.problems import listed

if TYPE_CHECKING:
    from doe.results.resultset import Results

AGE_FLAG = "out of age"


def check_ages(intake: Intake, readings: Sequence[Reading], earlier: Results | None) -> None:
    """Give each reading its age where making and reading are known, and flag those taken too early or too late.

    They are kept and used; one finding a response names them. A reading from before the batch was made is a problem.
    """
    off: dict[str, list[str]] = {}
    for reading in readings:
        age, slack = _age(intake, reading, earlier)
        if age is None:
            continue
        if age < -slack:
            got = f"{reading.response.name} of {reading.batch} read at {reading.read_at}, before it was made"
            intake.stop("read-before-made", reading.where, got, "made first, read later", "mend one of the two")
            continue
        if "age_h" not in reading.words and slack == 0:
            reading.words["age_h"] = round(age, 2)
        due = reading.response.after_h
        if due is not None and abs(age - due) > age_slack(due) + slack:
            reading.words["flag"] = reading.words.get("flag") or AGE_FLAG
            off.setdefault(reading.response.name, []).append(f"{reading.batch} at {age:.3g} h")
    for name, which in off.items():
        due = intake.study.response(name).after_h or 0.0
        intake.find("age", "warn", name, "read out of age: " + listed(which), f"{due:g} h, within {age_slack(due):g} h",
                    "kept and used; read at the same age throughout, or look whether age matters")  # fmt: skip


def _age(intake: Intake, reading: Reading, earlier: Results | None) -> tuple[float | None, float]:
    """Age [h] and how far it may be off: typed, or from the times of making and reading."""
    typed = reading.words.get("age_h")
    if isinstance(typed, float):
        return typed, 0.0
    made = intake.batches[reading.batch].made_at or _made_before(reading.batch, earlier)
    if made is None or reading.read_at is None:
        return None, 0.0
    return age_hours(made, reading.read_at)


def _made_before(batch: str, earlier: Results | None) -> Moment | None:
    if earlier is None or batch not in earlier.batches.index:
        return None
    known = read_moment(earlier.batches["made_at"][batch])
    return known if isinstance(known, Moment) else None
