"""The one definition of the bench workbook: sheets, headings, words. Writer and reader both take theirs from here."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from doe.definition.parts import Factor, Response
from doe.definition.units import unit_key

if TYPE_CHECKING:
    from doe.study import Study

HOW_SHEET, WEIGH_SHEET, MAKE_SHEET, READ_SHEET, PLAN_SHEET = "How to use", "Weigh", "Make", "Readings", "Plan"
HOW_MARK = "Blendwright bench workbook"
PLAN_MARK = "Blendwright plan"

NOT_MEASURED, DO_NOT_USE = "not measured", "do not use"
FLAGS = ("doubtful", DO_NOT_USE, NOT_MEASURED)
STATE_CHOICES = ("made", "remade", "failed", "unmakeable", "set aside")
_LEAST_SPARE = 24
_VISCOSITY_UNITS = {unit_key(unit) for unit in ("mPa.s", "Pa.s", "cP", "P")}

Write = Literal["number", "text", "when", "whole", "list", ""]


@dataclass(frozen=True, slots=True)
class Field:
    """A column of a sheet: the heading as printed, its width in characters, and what is written in it ("" if fixed).

    `choices` are offered in a list. `figures` stand to the right.
    """

    heading: str
    width: float
    write: Write = ""
    hint: str = ""
    choices: tuple[str, ...] = ()
    figures: bool = False


TRIAL, BATCH, ORDER, READING = "trial", "batch", "order", "reading"
INGREDIENT, TARGET, ACTUAL, LOT, MARK, SO_FAR = "ingredient", "target g", "actual g", "lot", "mark", "so far g"
EXTREME = "extreme"  # trials to make first: if one cannot be made, the limits are wrong
SET = "set: "  # before the name of a factor: what it was to be set to
WEIGHED, LINES, OFF, READ, LOST = "weighed in g", "lines", "off", "read", "lost %"
AFTER_HEAT, MAKE_UP, MADE_UP, PH_BEFORE, PH_AFTER = (
    "after heating g", "make up to g", "made up to g", "pH before", "pH after",
)  # fmt: skip
RESPONSE, VALUE, UNIT, METHOD, FLAG, NOTE = "response", "value", "unit", "method", "flag", "note"
TORQUE, SPEED = "torque %", "speed"
MADE_AT, READ_AT, OPERATOR, STATE, SET_ASIDE = "made at", "read at", "operator", "state", "set aside"

# Columns of the making sheet that the workbook works out or that say again what was planned: nothing is read from them.
SAID_AGAIN = (EXTREME, WEIGHED, LINES, OFF, READ, LOST, MAKE_UP)
# Headings of the making sheet that are called otherwise in a table.
MAKE_WORDS = {AFTER_HEAT: "after_heat_g", MADE_UP: "made_up_to_g", PH_BEFORE: "ph_before", PH_AFTER: "ph_after"}

_BATCH_HINT = "1 for the first making of this trial, 2 if it was made again"
_WHEN_HINT = "such as 2031-05-14 10:30"

WEIGH_FIELDS = (
    Field(TRIAL, 7),
    Field(BATCH, 7, "whole", _BATCH_HINT),
    Field("phase", 8.5),
    Field(INGREDIENT, 26),
    Field(TARGET, 11, figures=True),
    Field("from g", 11, figures=True),
    Field("to g", 11, figures=True),
    Field(ACTUAL, 12, "number", "What the balance showed, in grams"),
    Field(MARK, 11),
    Field(SO_FAR, 11, figures=True),
    Field(LOT, 18, "text", "Lot of the raw material, as on its label"),
)
_MAKE_START = (
    Field(TRIAL, 7),
    Field(BATCH, 7, "whole", _BATCH_HINT),
    Field(ORDER, 7, figures=True),
    Field("block", 7),
)
_MAKE_WEIGHTS = (
    Field(WEIGHED, 10, figures=True),
    Field(LINES, 9, figures=True),
    Field(OFF, 6, figures=True),
    Field(AFTER_HEAT, 11.5, "number", "Weight of the batch after heating and cooling, in grams, vessel taken off"),
    Field(LOST, 8, figures=True),
    Field(MAKE_UP, 10, figures=True),
    Field(MADE_UP, 10, "number", "Weight of the batch after water was made up, before pH, in grams"),
)
_MAKE_PH = (
    Field(PH_BEFORE, 8, "number", "pH before it was adjusted"),
    Field(PH_AFTER, 8, "number", "pH when it was left"),
)
_MAKE_END = (
    Field(MADE_AT, 17, "when", f"Day and time it was made, {_WHEN_HINT}"),
    Field(OPERATOR, 10, "text", "Initials"),
    Field(STATE, 12, "list", "Blank if it was made as it should be", STATE_CHOICES),
    Field(SET_ASIDE, 26, "text", "Only if the batch failed or must not count: the reason, in words"),
    Field(READ, 9, figures=True),
    Field(NOTE, 30, "text", "Anything worth knowing"),
)


def adjusts_ph(study: Study) -> bool:
    """Whether the pH of a batch is set while it is made: a blend with a pH to meet, or with an adjuster for it."""
    return any(i.role == "adjuster" for i in study.ingredients) or (
        bool(study.ingredients) and any("ph" in (r.name.casefold(), r.unit.casefold()) for r in study.responses)
    )


def is_make_sheet(header: Sequence[str]) -> bool:
    """Whether these headings are those of the making sheet, whatever it is called; columns it lacks were not needed."""
    return SET_ASIDE in header and (READ in header or PH_BEFORE in header)


def make_fields(study: Study, *, extremes: bool) -> tuple[Field, ...]:
    """The columns of the making sheet: each factor as set and as it was run, the weights of a blend, pH, state.

    `extremes` says whether some trials are marked to be made first.
    """
    factors: list[Field] = []
    for factor in study.factors:
        heading = factor_heading(factor)
        width = min(18.0, max(9.0, len(heading) + 1.0))
        factors.append(Field(SET + heading, width, figures=not factor.is_category))
        hint = "Only if it was run otherwise than set"
        if factor.is_category:
            factors.append(Field(heading, width, "list", hint, factor.levels))
        else:
            factors.append(Field(heading, width, "number", hint))
    weights = _MAKE_WEIGHTS if study.ingredients else ()
    first = (Field(EXTREME, 10.5),) if extremes else ()
    return (*_MAKE_START, *first, *factors, *weights, *(_MAKE_PH if adjusts_ph(study) else ()), *_MAKE_END)


def factor_heading(factor: Factor) -> str:
    """The heading over a factor's column: its name, and its unit in square brackets."""
    return f"{factor.name} [{factor.unit}]" if factor.unit else factor.name


def reading_fields(study: Study) -> tuple[Field, ...]:
    """The columns of the readings sheet, one reading a row. Torque is asked for where viscosity is measured."""
    responses = study.measured_responses
    torque = (
        Field(TORQUE, 8.5, "number", "% of full scale: 10 to 100 counts"),
        Field(SPEED, 8.5, "text", "Only where one jar is read at several speeds, rates or times"),
    )
    methods = tuple(dict.fromkeys(response.method for response in responses if response.method))
    return (
        Field(TRIAL, 7, "", "Trial id, as planned"),
        Field(RESPONSE, max([14.0, *(len(r.name) + 2.0 for r in responses)]), "", "What was read"),
        Field(BATCH, 7, "whole", _BATCH_HINT),
        Field(READING, 9.5, "whole", "1, 2, 3 for repeated readings of one jar"),
        Field(VALUE, 16, "number"),
        Field(UNIT, max([8.0, *(len(r.unit) + 2.0 for r in responses)])),
        *(torque if any(unit_key(r.unit) in _VISCOSITY_UNITS or r.kind == "curve" for r in responses) else ()),
        Field(READ_AT, 17, "when", f"Day and time it was read, {_WHEN_HINT}"),
        Field(OPERATOR, 10, "text", "Initials"),
        Field(FLAG, 13, "list", f"{DO_NOT_USE}: kept, but left out of the fit; say why in note", FLAGS),
        Field(NOTE, 30, "text", "Anything worth knowing"),
        Field(
            METHOD,
            min(56.0, max([40.0, *(len(method) for method in methods)])),
            "list",
            "As planned. Another method is another response: write it in note",
            methods,
        ),
    )


def reading_rows(study: Study) -> tuple[tuple[Response, float | None], ...]:
    """What is read of each trial, in order: every response, a curve once for each of its rates (else None)."""
    return tuple((r, rate) for r in study.measured_responses for rate in (r.rates or (None,)))


def spare_rows(trials: int) -> int:
    """Empty rows under the readings, for second readings and new makings."""
    return max(_LEAST_SPARE, 2 * trials)


def how_to_write(response: Response) -> str:
    """What may stand in a response's cells, in words."""
    if response.kind == "grade":
        return "One of: " + ", ".join(response.grades)
    if response.kind == "pass":
        return "pass or fail"
    low, high = response.reads
    ends = [f"<{low:g}" if low is not None else "<5", f">{high:g}" if high is not None else ">100"]
    such = "" if low is not None or high is not None else ", such as"
    what = f"The number in {response.unit}" if response.unit else "The number"
    return f"{what}; a bound if it cannot be read{such} {ends[0]} or {ends[1]}; blank if not measured"
