"""Reading [[response]]: what is measured or computed, on which scale, and what is wanted of it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import pairwise
from types import MappingProxyType
from typing import Any

from doe.definition.checks import Notes, Row, folded, fraction, is_number, is_numeral, shown
from doe.definition.keys import WORDS, nearest
from doe.definition.parts import CURVE_QUANTITIES, Response
from doe.definition.readingcells import grade_values
from doe.definition.rules import parse_sum, pointed
from doe.definition.ruletokens import RuleError, normalised
from doe.trade.quantities import QUANTITIES

NAMES = (*QUANTITIES, *CURVE_QUANTITIES)
_MARKS = ("low", "target", "high")
_NEEDS = {"above": ("low",), "below": ("high",), "within": ("low", "high"), "target": _MARKS, "watch": ()}
_AT_A_RATE = ("low_shear_viscosity",)
_FULL_AT = (("above", "high"), ("below", "low"))
_PASS_TAKES = {"above": ("low", ("pass", 1)), "below": ("high", ("fail", 0))}
_TAKES = {"above": ("low", "target"), "below": ("target", "high"), "within": ("low", "high")}
_MEASURING = ("method", "reads", "scale", "sd", "sample_g", "grades", "after_h", "model")


def hint(name: str, known: Sequence[str]) -> str:
    """What to do about an unknown name."""
    near = nearest(str(name), tuple(known))
    if near:
        return f"did you mean {near}?"
    return "known names: " + ", ".join(known) if known else "there is none to name yet"


def read_response(t: Row, where: str, numeric: Sequence[str], notes: Notes) -> Response:
    """One response; `numeric` are the names an exact sum may have. Problems go to `notes`."""
    source = _source(t.get("from"), f"{where}, from", numeric, notes)
    grades = _grades(t, where, notes)
    if t.get("kind") == "pass":
        marks = _pass_marks(t, where, notes)
    else:
        marks = _marks(t, grades, where, notes)
        _check_aim(t, marks, where, notes)
    _check_scale(t, marks, where, notes)
    _check_kind(t, where, notes)
    if isinstance(source, str) and source in CURVE_QUANTITIES:
        _check_derived(t, source, where, notes)
    elif source is not None:
        _check_exact(t, where, notes)
        _check_of(t, source, where, notes)
    elif not t.gives("method"):
        do = "say how it is measured: instrument, setting, temperature"
        notes.add("no-method", "warn", where, "has no method", "a number is worth what its method is", do)
    model = t.get("model")
    return Response(
        name=t["name"],
        unit=t.get("unit", ""),
        kind=t.get("kind", "number"),
        method=t.get("method", ""),
        reads=_reads(t.get("reads"), f"{where}, reads", notes),
        after_h=number_or_none(t.get("after_h")),
        scale=t.get("scale", "linear"),
        aim=t.get("aim", "watch"),
        low=marks.get("low"),
        target=marks.get("target"),
        high=marks.get("high"),
        must=t.get("must", True),
        weight=float(t.get("weight", 1.0)),
        sd=_amount(t.get("sd")),
        matters=_amount(t.get("matters")),
        sample_g=number_or_none(t.get("sample_g")),
        exponent_low=float(t.get("exponent_low", 1.0)),
        exponent_high=float(t.get("exponent_high", 1.0)),
        grades=grades,
        against=t.get("against"),
        source=source,
        of=normalised(t["of"]) if "of" in t else None,
        rates=_rates(t.get("at")),
        store=t.get("store", ""),
        model=MappingProxyType(dict(model)) if isinstance(model, Mapping) else model,
    )


def grade_numbers(grades: Sequence[str]) -> dict[str, float]:
    """The number each grade stands for, by its name without case."""
    return {folded(grade): value for grade, value in grade_values(grades).items()}


def number_or_none(value: Any) -> float | None:
    """A checked number as float; None stays None."""
    return None if value is None else float(value)


def _amount(value: Any) -> tuple[float, bool] | None:
    amount = fraction(value)
    return None if amount is None else (amount, isinstance(value, str))


def _source(value: Any, where: str, numeric: Sequence[str], notes: Notes) -> str | Mapping[str, float] | None:
    if isinstance(value, Mapping):
        return _weights(value, where, numeric, notes)
    if value is None or value in NAMES:
        return None if value is None else str(value)
    text = normalised(value)
    near = nearest(text, NAMES)
    if near is not None:
        notes.stop("unknown-quantity", where, f"came {shown(text)}", near, f"did you mean {near}?")
        return text
    try:
        total = parse_sum(text, numeric)
    except RuleError as error:
        got = f"{error.reason}: {pointed(text, error)}"
        do = error.do
        if text.isidentifier() and text == text.casefold():
            do = f"a quantity is one of {', '.join(QUANTITIES)}; of a curve {', '.join(CURVE_QUANTITIES)}"
        notes.stop("bad-sum", where, got, "a quantity, or a linear sum such as Wax + 0.5 * Oil", do)
        return text
    if total.constant:
        allowed = "weights times levels, and nothing else"
        notes.stop("bad-sum", where, f"{total.constant:g} stands alone", allowed, "leave it out, and move the limits")
    return MappingProxyType(dict(total.weights))


def _weights(table: Mapping[str, Any], where: str, numeric: Sequence[str], notes: Notes) -> Mapping[str, float]:
    weights = {}
    for raw, weight in table.items():
        name = normalised(str(raw))
        if name not in numeric:
            allowed = "names of ingredients and numeric factors"
            notes.stop("unknown-name", where, f"{name} is not known", allowed, hint(name, numeric))
        elif not is_number(weight):
            notes.stop("wrong-type", where, f"{name} = {shown(weight)}", WORDS["number"], "write its weight in the sum")
        else:
            weights[name] = float(weight)
    if not table:
        notes.stop("bad-sum", where, "is empty", "weights of ingredients", "name what it is the sum of")
    return MappingProxyType(weights)


def _grades(t: Row, where: str, notes: Notes) -> tuple[str, ...]:
    grades = tuple(normalised(grade) for grade in t.get("grades", ()))
    graded = t.get("kind") == "grade"
    if graded and len(grades) < 2 and "grades" not in t.wrong:
        notes.stop("no-grades", where, "is graded but has no grades", "grades = [...], worst first", "add two or more")
    if grades and not graded:
        do = 'write kind = "grade", or leave the grades out'
        notes.stop("no-grades", where, "has grades but is not graded", 'kind = "grade"', do)
    if len({folded(grade) for grade in grades}) < len(grades):
        got = f"came {shown(list(grades))}"
        notes.stop("levels-alike", f"{where}, grades", got, "names that differ in more than capitals", "name each once")
    if grades and all(is_numeral(g) for g in grades) and any(float(a) >= float(b) for a, b in pairwise(grades)):
        got = f"came {shown(list(grades))}"
        notes.stop("grades-out-of-order", f"{where}, grades", got, "numbers that rise", "worst first")
    return grades


def _marks(t: Mapping[str, Any], grades: Sequence[str], where: str, notes: Notes) -> dict[str, float]:
    """Limits and target as numbers; a grade's name stands for its number."""
    marks = {}
    places = grade_numbers(grades)
    for key in _MARKS:
        value = t.get(key)
        if isinstance(value, str) and folded(value) in places:
            marks[key] = places[folded(value)]
        elif isinstance(value, str):
            allowed = "a grade: " + ", ".join(grades) if grades else WORDS["number"]
            # A percentage is written as its number: limits stand in the unit of the response.
            plain = value.replace(",", ".").strip().removesuffix("%").strip()
            do = (
                f"write it without quotes{' and %' if '%' in value else ''}: {key} = {plain}"
                if is_numeral(plain)
                else ""
            )
            do = do or (hint(value, grades) if grades else f"write it as a number: {key} = 10")
            notes.stop("wrong-type", f"{where}, {key}", f"came {shown(value)}", allowed, do)
        elif value is not None:
            marks[key] = float(value)
    return marks


def _pass_marks(t: Row, where: str, notes: Notes) -> dict[str, float]:
    """What is wanted of a pass or fail, 1 or 0: aim "above" wants a pass, "below" a fail; limits say no more."""
    given = [key for key in _MARKS if t.gives(key)]
    aim = t.get("aim", "watch")
    allowed = 'aim = "above" for a pass, "below" for a fail, or "watch"; no limits'
    if aim not in (*_PASS_TAKES, "watch"):
        do = 'write aim = "above": the batch has to pass'
        notes.stop("pass-aim", where, f"aims {aim}, but a batch can only pass or fail", allowed, do)
        return {}
    if aim == "watch":
        if given and "aim" not in t.wrong:
            do = f'write aim = "above" and leave {" and ".join(given)} out'
            notes.stop("pass-aim", where, f"has {' and '.join(given)}, but passes or fails", allowed, do)
        return {}
    key, means = _PASS_TAKES[aim]
    for name in given:
        value = t.get(name)
        meant = folded(value) == means[0] if isinstance(value, str) else value == means[1]
        if name != key or not meant:
            do = f'leave {name} out: aim = "{aim}" already asks for a {means[0]}'
            notes.stop("pass-limit", f"{where}, {name}", f"came {shown(value)} for a pass or fail", allowed, do)
    return {key: float(means[1])}


def _check_aim(t: Row, marks: Mapping[str, float], where: str, notes: Notes) -> None:
    """Whether the limits given are those that the aim needs and looks at; what is not goes to `notes`."""
    given = [key for key in _MARKS if t.gives(key)]
    if "aim" not in t:
        if given and not t.gives("aim"):
            fits = {("low",): "above", ("high",): "below", ("low", "high"): "within", tuple(_MARKS): "target"}
            do = f'add aim = "{fits.get(tuple(given), "within")}"'
            allowed = "aim: target, above, below, within or watch"
            notes.stop("no-aim", where, f"has {' and '.join(given)} but no aim", allowed, do)
        return
    aim = t["aim"]
    asked = ["must = true"] if t.gives("must") and t.get("must") else []
    if aim == "watch" and (asked or given):
        said = [*asked, *given]
        got = f"is only watched, so {' and '.join(said)} {'ask' if len(said) > 1 else 'asks'} for nothing"
        do = 'write aim = "above", "below", "within" or "target" to have it met, or take it out'
        notes.add("watched-only", "warn" if asked else "inform", where, got, "limits of what has to be met", do)
    for key in _NEEDS[aim]:
        if not t.gives(key):
            notes.stop("no-limit", where, f"aims {aim} but has no {key}", f"aim {aim} needs {key}", f"add {key} = ...")
    for key in given:
        if key not in _TAKES.get(aim, _MARKS):
            meant = "target" if key == "target" else "within"
            do = f'take {key} out, or write aim = "{meant}"'
            if (aim, key) in _FULL_AT:
                got = f"aim {aim} takes {key} only as the value beyond which nothing is gained, not as a limit"
                notes.add("limit-not-looked-at", "warn", where, got, "limits of its aim", do)
            else:
                notes.stop("limit-not-looked-at", where, f"aim {aim} does not look at {key}", "limits of its aim", do)
    _check_order(marks, where, notes)


def _check_order(marks: Mapping[str, float], where: str, notes: Notes) -> None:
    ordered = [(key, marks[key]) for key in _MARKS if key in marks]
    for (first, a), (second, b) in pairwise(ordered):
        if a > b:
            got = f"{first} {a:g} is above {second} {b:g}"
            notes.stop("low-above-high", where, got, "low < target < high", "mend the order")
        elif a == b:
            got = f"{first} and {second} are both {a:g}"
            notes.stop("no-room", where, got, "low < target < high", "leave room: no two batches are quite the same")


def _check_scale(t: Mapping[str, Any], marks: Mapping[str, float], where: str, notes: Notes) -> None:
    scale, kind = t.get("scale", "linear"), t.get("kind", "number")
    if scale == "log" and any(v <= 0 for v in marks.values()):
        got = "has a limit at or below 0 on a log scale"
        notes.stop("log-of-nothing", where, got, "limits above 0", 'use scale = "linear", or drop that limit')
    whole = 100.0 if t.get("unit", "").strip().startswith("%") else 1.0
    if scale == "logit" and any(not 0 < v < whole for v in marks.values()):
        got, allowed = "has a limit off the ends of a logit scale", f"limits between 0 and {whole:g}"
        notes.stop("logit-outside", where, got, allowed, "give shares of a whole, in % or as fractions")
    if kind in ("grade", "pass") and scale in ("log", "logit"):
        do = "leave scale out"
        notes.stop("scale-of-grades", where, f"a {scale} scale for a {kind}", "numbers have scales", do)


def _check_kind(t: Row, where: str, notes: Notes) -> None:
    kind = t.get("kind", "number")
    if kind == "curve":
        if not t.get("against"):
            do = 'add against = "shear rate", say'
            notes.stop("no-against", where, "is a curve against nothing", "what the curve is read against", do)
        if t.get("aim", "watch") != "watch":
            do = 'ask it of a response taken from it, e.g. from = "yield_value" of = "Flow curve"'
            notes.stop("curve-aim", where, "a curve has no single value to aim at", 'aim = "watch"', do)
    elif t.get("against"):
        notes.stop("no-against", where, "is read against something but is no curve", 'kind = "curve"', "drop against")
    if t.gives("of") and not t.gives("from"):
        notes.stop("no-quantity", where, f"is taken of {t['of']}, but not which quantity", "from", "add from = ...")


def _check_derived(t: Row, source: str, where: str, notes: Notes) -> None:
    if not t.gives("of"):
        notes.stop("no-curve", where, f"{source} is not said of which curve", "of", 'add of = "Flow curve", say')
    if source in _AT_A_RATE and not t.gives("at"):
        do = "add at = 0.1, say: the shear rate in 1/s, near the lowest that is read"
        notes.stop("no-rate", where, f"{source} is not said at which shear rate", "at", do)
    if t.get("kind", "number") != "number" or "method" in t or "reads" in t or "sample_g" in t:
        got = "is taken from a curve, so kind, method, reads and sample_g are those of the curve"
        notes.add(
            "exact-not-measured", "warn", where, got, "name, unit, from, of, at and what is wanted", "leave it out"
        )


def _rates(value: Any) -> tuple[float, ...]:
    given = value if isinstance(value, list) else [] if value is None else [value]
    return tuple(float(one) for one in given)


def _check_exact(t: Mapping[str, Any], where: str, notes: Notes) -> None:
    extra = [key for key in _MEASURING if key in t]
    if extra or t.get("kind", "number") != "number":
        got = f"is computed, so {', '.join(extra) or 'kind'} says nothing"
        notes.add("exact-not-measured", "warn", where, got, "name, unit, from and what is wanted", "leave it out")


def _check_of(t: Row, source: str | Mapping[str, float], where: str, notes: Notes) -> None:
    """Whether a quantity is said of something where it has to be, and only there."""
    named = QUANTITIES.get(source) if isinstance(source, str) else None
    wanted = named.of if named is not None else ""
    if wanted and not t.gives("of"):
        what = "of which ingredient" if wanted == "ingredient" else "of which name"
        notes.stop("no-of", where, f"{source} is not said {what}", "of", 'add of = "..."')
    if not wanted and t.gives("of"):
        notes.stop(
            "no-of", where, f"is computed of the whole recipe, and has of = {shown(t.get('of'))}", "", "leave it out"
        )


def _reads(value: Any, where: str, notes: Notes) -> tuple[float | None, float | None]:
    if value is None:
        return None, None
    low, high = (None if end is None or math.isinf(end) else float(end) for end in value)
    turned = value[0] is not None and value[1] is not None and value[0] >= value[1]
    if turned or value[0] == math.inf or value[1] == -math.inf:
        notes.stop("low-above-high", where, f"came {shown(value)}", "lowest, then highest", "swap them")
    return low, high
