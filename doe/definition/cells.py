"""One cell as people write it: numbers in several spellings, bounds, words for missing, units behind the number.

Nothing is guessed silently. What can be read in two ways is refused in words; what was read with help
(a decimal comma, another unit) says so.
"""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from doe.definition.celltext import tidy
from doe.definition.slips import DATE_MADE, slip_of
from doe.definition.units import UNITS, unit_factor, unit_key

Bound = Literal["none", "below", "above", "between"]
# Where nothing in a table tells: "open" if a point may group thousands in it, "unknown" if a point is decimal.
Mark = Literal["point", "comma", "both", "unknown", "open"]
NOTED = ", remarks in column note"  # what a table has room for, and a command line has not


@dataclass(frozen=True, slots=True)
class Uncalculated:
    """A spreadsheet formula whose result was never stored in the file."""

    formula: str


@dataclass(frozen=True, slots=True)
class Entry:
    """A cell that was understood.

    `value` is None where nothing was measured; then `missing` says how that was written. With `bound`
    "below" the truth is under `value`, with "above" over it, with "between" from `value` to `value_to`.
    `said` tells what was read with help, for a finding.
    """

    value: float | None = None
    bound: Bound = "none"
    value_to: float | None = None
    missing: str = ""
    said: str = ""

    @property
    def measured(self) -> tuple[float | None, Bound, float | None]:
        """What was measured, without how it was written."""
        return self.value, self.bound, self.value_to

    @property
    def unsure(self) -> bool:
        """Whether it was read as it was only because other cells of the table write their decimals so."""
        return self.said.endswith(_BY_OTHERS)

    @property
    def shown(self) -> str:
        """The entry as it would be typed."""
        return typed_form(self.value, self.bound, self.value_to)


@dataclass(frozen=True, slots=True)
class Refusal:
    """A cell that was not understood: what came, what is allowed, what to do."""

    got: str
    allowed: str
    do: str


def typed_form(value: float | None, bound: str, value_to: float | None) -> str:
    """A reading as it would be typed into a cell: 5, <5, >5, 5 to 6, not measured."""
    if value is None or value != value:
        return "not measured"
    if bound == "between" and value_to is not None:
        return f"{value:g} to {value_to:g}"
    return {"below": "<", "above": ">"}.get(bound, "") + f"{value:g}"


_NUMBER = re.compile(r"[+-]?(?:[0-9][0-9 ',.]*|[.,][0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_PLAIN = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_RANGE = re.compile(r"(?P<low>.*?[0-9])\s*(?:\bto\b|…|–|—|-)\s*(?P<high>[0-9].*)")
_BELOW = ("<=", "=<", "≤", "<", "below ", "under ", "less than ", "lower than ", "up to ")
_ABOVE = (">=", "=>", "≥", ">", "above ", "over ", "more than ", "greater than ", "at least ")
_LIKE_NUMBER = re.compile(rf"(?:{'|'.join(map(re.escape, (*_BELOW, *_ABOVE)))}|[€£$])? *([+-]?[.,]?[0-9].*)", re.I)
_BY_OTHERS = ", with a decimal comma as in other cells"
BLANK = {"", "-", "--", "–", "—"}
NOT_MEASURED = {
    "not measured", "n.m.", "nm", "n/a", "na", "n.a.", "nan", "not read", "not tested", "n.t.", "not done",
    "missing", "lost", "no reading",
}  # fmt: skip


def decimal_mark(cells: Iterable[object]) -> Mark:
    """Which decimal mark a table uses, judged from those cells that can be read in one way only.

    Where both are found it is that of most cells, so that the others are the ones refused; "both" if neither leads.
    """
    found = {"point": 0, "comma": 0}
    for raw in cells:
        if isinstance(raw, str) and (match := _LIKE_NUMBER.match(tidy(raw))):
            for mark in {_sure_mark(number) for number in _NUMBER.findall(match[1])} & found.keys():
                found[mark] += 1
    if found["point"] == found["comma"]:
        return "both" if found["point"] else "unknown"
    return "point" if found["point"] > found["comma"] else "comma"


def _sure_mark(number: str) -> Mark:
    number = number.lstrip("+-").strip()
    body = re.split("[eE]", number)[0]  # nobody groups thousands before an exponent
    if "." in body and "," in body:
        return "point" if body.rfind(".") > body.rfind(",") else "comma"
    for sign, mark, other in ((",", "comma", "point"), (".", "point", "comma")):
        if body.count(sign) > 1:
            whole = re.fullmatch(rf"[0-9]{{1,3}}(?:\{sign}[0-9]{{3}})+", body)  # 1,234,567, but not the date 5.5.2031
            return other if whole else "unknown"  # type: ignore[return-value]
        if sign in body:
            before, after = body.split(sign)
            grouped = len(after) == 3 and 1 <= len(before) <= 3 and not before.startswith("0") and body == number
            if not grouped:
                return mark  # type: ignore[return-value]
    return "unknown"


def _plain_number(text: str, mark: Mark) -> tuple[float, str] | Refusal:
    """A number without sign of bound or unit; with what was understood, if it took understanding."""
    if not _NUMBER.fullmatch(text):
        return Refusal(f"{text!r}", "a number", f"write the number alone{NOTED}")
    sure = _sure_mark(text)
    body = text
    if " " in body or "'" in body:
        whole = re.split("[.,eE]", body.lstrip("+-"))[0]
        if not re.fullmatch(r"[0-9]{1,3}([ '][0-9]{3})+", whole) or re.search(r"[.,].*[ ']", body):
            return Refusal(f"{text!r}", "one number in a cell", "write it without spaces or ' inside")
        body = body.replace(" ", "").replace("'", "")
    commas, points = body.count(","), body.count(".")
    if sure == "unknown" and commas + points > 1:
        do = f"write it with one {'comma' if mark == 'comma' else 'point'}, and no other sign"
        return Refusal(f"{text!r}, with more than one decimal mark", "a number", do)
    if (mark == "both" and sure != "unknown") or {sure, mark} == {"point", "comma"}:
        return _other_mark(text, sure, mark)
    if commas == 0 and points <= 1:
        if sure == "unknown" and points == 1 and mark in ("comma", "both", "open"):
            return _two_ways(text, mark)
        return _finite(body, "", text)
    if sure == "unknown" and mark != "comma":
        return _two_ways(text, mark)
    if sure == "point":
        grouped = re.fullmatch(r"[+-]?[0-9]{1,3}(,[0-9]{3})+(\.[0-9]*)?([eE].*)?", body)
        read = body.replace(",", "")
    else:
        grouped = re.fullmatch(r"[+-]?([0-9]{1,3}(\.[0-9]{3})+|[0-9]*)(,[0-9]*)?([eE].*)?", body)
        read = body.replace(".", "").replace(",", ".")
    if not grouped:
        decimal = "comma" if mark == "comma" else "point"
        return Refusal(f"{text!r}", "a number", f"write it with a {decimal} for the decimals and no other sign")
    return _finite(read, f"{text} read as {read}{_BY_OTHERS if sure == 'unknown' else ''}", text)


def _other_mark(text: str, sure: Mark, mark: Mark) -> Refusal:
    """The refusal of a number with another decimal mark than the rest of its table."""
    rest = {"point": "with a point", "comma": "with a comma"}
    others = (
        f"most decimals in this table are written {rest[mark]}" if mark in rest else "as many are written the other way"
    )
    got = f"{text!r}, its decimals written {rest[sure]}, where {others}"
    do = f"write it {rest[mark]}, like the others" if mark in rest else "write every decimal with a point"
    return Refusal(got, "one decimal mark throughout a table", do)


def _two_ways(text: str, mark: Mark) -> Refusal:
    """The refusal of a number such as 14.500, which is thousands or decimals, with how to write either clearly."""
    thousands = text.replace(".", "").replace(",", "").replace(" ", "")
    plain = text.replace(",", ".").rstrip("0").rstrip(".")
    # Three decimals that all count would look like thousands again: a fourth makes them decimals.
    clear = plain + "0" if len(plain.partition(".")[2]) == 3 else plain
    return Refusal(
        f"{text!r}, which is {thousands} or {plain}",
        "a number that can be read in one way",
        f"write {thousands} or {clear.replace('.', ',') if mark == 'comma' else clear}",
    )


def _finite(body: str, said: str, text: str) -> tuple[float, str] | Refusal:
    if not _PLAIN.fullmatch(body):
        return Refusal(f"{text!r}", "a number", f"write the number alone{NOTED}")
    value = float(body)
    if not math.isfinite(value):
        return Refusal(f"{text!r}", "a number of ordinary size", "check the exponent")
    return value, said


def _split_unit(text: str) -> tuple[str, str]:
    match = _NUMBER.match(text)
    if match is None:
        return text, ""
    end = match.end()
    number, rest = text[:end].rstrip(" ,."), text[end:].strip()
    return (number, rest) if rest else (text, "")


def _measured(text: str, unit: str, mark: Mark) -> tuple[float, str] | Refusal:
    number, typed = _split_unit(text)
    if typed and re.match(r"[0-9±+/:(]", typed):
        return Refusal(f"{text!r}", "one number in a cell", f"write the number alone{NOTED}")
    found = _plain_number(number, mark)
    if isinstance(found, Refusal):
        if typed and not re.search("[0-9]", number):
            return Refusal(f"{text!r}", "a number", f"write the number alone{NOTED}")
        return found
    if not typed or (typed.lower() == "ph" and not unit):
        return found
    factor = unit_factor(typed, unit)
    if factor is None or (not unit_key(typed) and typed != tidy(unit)):
        return _other_unit(text, typed, unit)
    value, said = found
    if factor != 1.0:
        # Multiplying by a power of ten as text keeps 4.2 Pa.s at 4200 mPa.s, not 4200.000000000001.
        exponent = math.log10(factor)
        value = (
            float(f"{value!r}e{round(exponent)}") if _is_whole(exponent) and "e" not in repr(value) else value * factor
        )
        said = f"{text} read as {value:g} {unit}"
    return value, said


def _other_unit(text: str, typed: str, unit: str) -> Refusal:
    """The refusal of what stands behind a number: a unit of something else, or no unit at all."""
    allowed = f"a number in {unit}" if unit else "a number without a unit"
    if unit_key(typed) in UNITS or typed.casefold() == "ph":
        return Refusal(f"{text!r}, in {typed}", allowed, f"give it in {unit}" if unit else "write the number alone")
    do = f"write the number alone{NOTED}"
    got = f"{text!r}: {typed!r} is no unit known here"
    return Refusal(got, allowed, f"give it in {unit}, or {do}" if unit else do)


def _is_whole(number: float) -> bool:
    return abs(number - round(number)) < 1e-12


def read_number(raw: object, unit: str = "", mark: Mark = "unknown") -> Entry | Refusal:
    """A cell that should hold a number in `unit`, or a bound, or a word for nothing measured.

    `mark` is the decimal mark of the whole table, from `decimal_mark`. "none seen" and "over range" are
    left to `read_reading`, which knows what the method can read.
    """
    native = _native(raw)
    if native is not None:
        return native
    text = tidy(str(raw))
    word = text.casefold()
    if word in BLANK:
        return Entry(missing="blank")
    if word in NOT_MEASURED:
        return Entry(missing="not measured")
    if text.startswith("#"):
        return Refusal(f"{text!r}, an error of the spreadsheet", "a number", "mend the formula or type the number")
    if slip := slip_of(text):
        return Refusal(*slip)
    for signs, bound in ((_BELOW, "below"), (_ABOVE, "above")):
        for sign in signs:
            if word.startswith(sign):
                found = _measured(text[len(sign) :].strip(), unit, mark)
                if isinstance(found, Refusal):
                    return found
                return Entry(found[0], bound, said=found[1])  # type: ignore[arg-type]
    if (both := _RANGE.fullmatch(text)) and not _NUMBER.fullmatch(text):
        return _between(text, both["low"], both["high"], unit, mark)
    found = _measured(text, unit, mark)
    return found if isinstance(found, Refusal) else Entry(found[0], said=found[1])


def _native(raw: object) -> Entry | Refusal | None:
    """What a cell that is no text says; None for text."""
    if raw is None:
        return Entry(missing="blank")
    if isinstance(raw, Uncalculated):
        return Refusal(
            "a formula without a stored result",
            "a number",
            "open the file in the spreadsheet program and save it again",
        )
    if isinstance(raw, bool):
        return Refusal(str(raw).upper(), "a number", "type the number")
    if isinstance(raw, datetime.datetime | datetime.date | datetime.time | datetime.timedelta):
        got = f"the date or time {raw} ({DATE_MADE})"
        return Refusal(got, "a number", "format the cell as a number and type the value again")
    if isinstance(raw, int | float):
        if math.isnan(raw):
            return Entry(missing="blank")
        if math.isinf(raw):
            return Refusal("an infinite number", "a number of ordinary size", "type the value, or >LIMIT if over range")
        return Entry(float(raw))
    return None


def _between(text: str, low: str, high: str, unit: str, mark: Mark) -> Entry | Refusal:
    typed = _split_unit(high.strip())[1]
    first = _measured(low.strip() if not typed or _split_unit(low.strip())[1] else f"{low.strip()} {typed}", unit, mark)
    second = _measured(high.strip(), unit, mark)
    for part in (first, second):
        if isinstance(part, Refusal):
            return Refusal(f"{text!r}", "a number, or two with 'to' between them", part.do)
    if first[0] >= second[0]:  # type: ignore[index]
        return Refusal(f"{text!r}", "the lower number first", "write the lower bound, to, the upper bound")
    return Entry(first[0], "between", second[0], said=first[1] or second[1])  # type: ignore[index]
