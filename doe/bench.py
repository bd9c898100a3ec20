"""The one definition of the bench workbook: sheets, headings, ids. Writer and reader both take theirs from here."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from doe.parts import Response

if TYPE_CHECKING:
    from doe.study import Study

HOW_SHEET, WEIGH_SHEET, MAKE_SHEET, READ_SHEET, PLAN_SHEET = "How to use", "Weigh", "Make", "Readings", "Plan"
HOW_MARK = "Blendwright bench workbook"
PLAN_MARK = "Blendwright plan"
SPARE_ROWS = 24  # empty rows under the readings, for second readings and new makings

Write = Literal["number", "text", "when", ""]


@dataclass(frozen=True, slots=True)
class Field:
    """A column of a sheet: the heading as printed, its width in characters, and what is written in it ("" if fixed)."""

    heading: str
    width: float
    write: Write = ""
    hint: str = ""


TRIAL, BATCH, ORDER, READING = "trial", "batch", "order", "reading"
INGREDIENT, ACTUAL, LOT = "ingredient", "actual g", "lot"
SET = "set: "  # before the name of a factor: what it was to be set to
AFTER_HEAT, MADE_UP, PH_BEFORE, PH_AFTER = "after heating g", "made up to g", "pH before", "pH after"

WEIGH_FIELDS = (
    Field(TRIAL, 8),
    Field(BATCH, 8, "text", "1 for the first making of this trial, 2 if it was made again"),
    Field("phase", 8),
    Field(INGREDIENT, 26),
    Field("target g", 11),
    Field("from g", 11),
    Field("to g", 11),
    Field(ACTUAL, 12, "number", "What the balance showed, in grams"),
    Field(LOT, 16, "text", "Lot of the raw material, as on its label"),
    Field("mark", 12),
)
MAKE_FIELDS = (
    Field(TRIAL, 8),
    Field(BATCH, 8, "text", "1 for the first making of this trial, 2 if it was made again"),
    Field(ORDER, 8),
    Field("block", 10),
    Field("weighed in g", 13),
    Field(AFTER_HEAT, 16, "number", "Weight of the batch after heating and cooling, in grams, vessel taken off"),
    Field("make up to g", 13),
    Field(MADE_UP, 15, "number", "Weight of the batch after water was made up, before pH, in grams"),
    Field(PH_BEFORE, 11, "number", "pH before it was adjusted"),
    Field(PH_AFTER, 11, "number", "pH when it was left"),
    Field("made_at", 17, "when", "Day and time it was made, such as 2031-05-14 10:30"),
    Field("operator", 12, "text", "Initials"),
    Field("set_aside", 28, "text", "Only if the batch failed or must not count: the reason, in words"),
    Field("note", 36, "text", "Anything worth knowing"),
)


def reading_heading(response: Response) -> str:
    """The heading over a response's column: its name, and its unit in square brackets."""
    return f"{response.name} [{response.unit}]" if response.unit else response.name


def reading_fields(study: Study) -> tuple[Field, ...]:
    """The columns of the readings sheet: one for each response that is measured."""
    fields = [
        Field(TRIAL, 8, "", "Trial id, as planned"),
        Field(BATCH, 8, "text", "1 for the first making of this trial, 2 if it was made again"),
        Field(READING, 9, "text", "1, 2, 3 for repeated readings of one jar"),
    ]
    for response in study.fitted_responses:
        fields.append(
            Field(
                reading_heading(response), max(14, len(reading_heading(response)) + 2), "number", how_to_write(response)
            )
        )
    fields += [
        Field("read_at", 17, "when", "Day and time it was read"),
        Field("operator", 12, "text", "Initials"),
        Field("note", 36, "text", "Anything worth knowing"),
    ]
    return tuple(fields)


def how_to_write(response: Response) -> str:
    """What may stand in a response's cells, in words."""
    if response.kind == "grade":
        return "One of: " + ", ".join(response.grades)
    if response.kind == "pass":
        return "pass or fail"
    low, high = response.reads
    ends = [f"<{low:g}" if low is not None else "<5", f">{high:g}" if high is not None else ">100000"]
    what = f"The number in {response.unit}" if response.unit else "The number"
    return f"{what}; {ends[0]} or {ends[1]} if beyond what is read; blank if not measured"
