"""From the raw tables of study.toml to checked parts. Every problem is gathered, none stops the reading."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from types import MappingProxyType
from typing import Any

from doe.checks import Notes, check_names, folded, has_type, named, percent, sections, shown
from doe.keys import WORDS, nearest
from doe.parts import (
    Accept,
    Balance,
    Done,
    Factor,
    Ingredient,
    Limit,
    Make,
    PlanWish,
    Reference,
    Response,
    Step,
)
from doe.rules import RuleError, parse_rule


@dataclass(frozen=True, slots=True)
class Parts:
    """The parts of a study as read; where a part could not be read, it is left out and a problem says so."""

    study: Mapping[str, Any]
    balances: tuple[Balance, ...]
    ingredients: tuple[Ingredient, ...]
    factors: tuple[Factor, ...]
    limits: tuple[Limit, ...]
    responses: tuple[Response, ...]
    references: tuple[Reference, ...]
    steps: tuple[Step, ...]
    make: Make
    plan: PlanWish
    done: Done
    accepts: tuple[Accept, ...]


def read_parts(source: Mapping[str, Any], notes: Notes) -> Parts:
    """Read every section of `source`; problems go to `notes`."""
    tables = sections(source, notes)
    head = tables["study"][0] if tables["study"] else {}
    if not tables["study"] and "study" not in source:
        notes.stop("missing-section", "[study]", "is absent", "a study has a name", 'add [study] with name = "..."')
    ingredients = tuple(_ingredient(t, w, notes) for t, w in named(tables["ingredient"], "ingredient", notes))
    factors = tuple(_factor(t, w, notes) for t, w in named(tables["factor"], "factor", notes))
    check_names(tables, notes)
    numeric = [i.name for i in ingredients] + [f.name for f in factors if not f.is_category]
    categories = [f.name for f in factors if f.is_category]
    responses = tuple(_response(t, w, numeric, notes) for t, w in named(tables["response"], "response", notes))
    limits = [_limit(t, n, numeric, categories, notes) for n, t in enumerate(tables["limit"], 1)]
    names = [*numeric, *categories]
    return Parts(
        study=head,
        balances=tuple(_balance(t) for t, _ in named(tables["balance"], "balance", notes)),
        ingredients=ingredients,
        factors=factors,
        limits=tuple(limit for limit in limits if limit is not None),
        responses=responses,
        references=_references(tables["reference"], names, [r.name for r in responses], notes),
        steps=tuple(_step(t) for t in tables["step"]),
        make=_make(tables["make"][0] if tables["make"] else {}),
        plan=_plan(tables["plan"][0] if tables["plan"] else {}, names, notes),
        done=Done(**(tables["done"][0] if tables["done"] else {})),
        accepts=tuple(Accept(**t) for t in tables["accept"] if {"finding", "why", "by"} <= set(t)),
    )


def _low_high(table: Mapping[str, Any], where: str, notes: Notes) -> tuple[float | None, float | None]:
    low, high = table.get("low"), table.get("high")
    if low is not None and high is not None and low > high:
        notes.stop(
            "low-above-high", where, f"low {low:g} is above high {high:g}", "low <= high", "swap them, or mend one"
        )
        return high, low
    return low, high


def _ingredient(t: dict[str, Any], where: str, notes: Notes) -> Ingredient:
    low, high = _low_high(t, where, notes)
    level, fill, withdrawn = t.get("level"), t.get("qs", False), t.get("withdrawn", False)
    bounded = low is not None or high is not None
    role: Any = "varied"
    if withdrawn:
        low, high = 0.0, 0.0
    elif fill:
        role = "fill"
        if level is not None or "adjusts" in t:
            notes.stop("two-roles", where, "is the fill and has a level", "qs, or level, or low and high", "drop level")
    elif level is not None:
        role = "adjuster" if "adjusts" in t else "fixed"
        if bounded:
            notes.stop("two-roles", where, "has a fixed level and limits", "level, or low and high", "drop one of them")
    elif "adjusts" in t:
        notes.stop("no-level", where, "adjusts something but has no level", "the level expected", "add level = ...")
        role = "adjuster"
    elif low is None or high is None:
        missing = "low and high" if not bounded else "low" if low is None else "high"
        notes.stop("no-level", where, f"has no {missing}", "low and high, or level, or qs = true", f"add {missing}")
    _check_step(t, low, high, role, where, notes)
    facts = {k: v for k, v in t.items() if k not in _INGREDIENT_FIELDS}
    return Ingredient(
        name=t["name"],
        role=role,
        low=None if low is None else float(low),
        high=None if high is None else float(high),
        level=None if level is None else float(level),
        step=t.get("step"),
        phase=t.get("phase", ""),
        inci=_inci(t.get("inci", ()), where, notes),
        assay=float(t.get("assay", 1.0)),
        price_per_kg=t.get("price_per_kg"),
        made_of=_shares(t.get("made_of", {}), f"{where}, made_of", notes),
        adjusts=t.get("adjusts"),
        choice=tuple(MappingProxyType(dict(c)) for c in t.get("choice", ())),
        or_none=t.get("or_none", False),
        withdrawn=withdrawn,
        was=tuple(t.get("was", ())),
        facts=MappingProxyType(facts),
    )


_INGREDIENT_FIELDS = (
    "name", "qs", "low", "high", "level", "step", "phase", "inci", "assay", "price_per_kg", "made_of", "adjusts",
    "choice", "or_none", "withdrawn", "was",
)  # fmt: skip


def _check_step(t: Mapping[str, Any], low: Any, high: Any, role: str, where: str, notes: Notes) -> None:
    step = t.get("step")
    if step is None or role != "varied" or low is None or high is None or t.get("withdrawn"):
        return
    first = math.ceil(low / step - 1e-9) * step
    if first > high + 1e-9 * max(1.0, abs(high)):
        allowed = "a multiple of step lies between low and high"
        notes.stop("step-too-wide", f"{where}, step", f"no multiple of {step:g} in {low:g} to {high:g}", allowed, "")


def _inci(value: Any, where: str, notes: Notes) -> tuple[tuple[str, float], ...]:
    if isinstance(value, str):
        return ((value, 1.0),) if value else ()
    rows = []
    for row in value:
        name, share = row.get("name"), row.get("share", 1.0)
        if (
            not isinstance(name, str)
            or not has_type("number", share)
            or not 0 < share <= 1
            or set(row) - {"name", "share"}
        ):
            notes.stop("wrong-type", f"{where}, inci", f"came {shown(row)}", '{name = "...", share = 0 to 1}', "")
            continue
        rows.append((name, float(share)))
    if sum(share for _, share in rows) > 1 + 1e-9:
        notes.stop("shares-above-one", f"{where}, inci", "shares add up to more than 1", "at most 1", "")
    return tuple(rows)


def _shares(table: Mapping[str, Any], where: str, notes: Notes) -> Mapping[str, float]:
    shares = {}
    for name, share in table.items():
        if not has_type("number", share) or not 0 <= share <= 1:
            notes.stop("wrong-type", where, f"{name} = {shown(share)}", "a fraction from 0 to 1", "")
        else:
            shares[str(name)] = float(share)
    if shares and abs(sum(shares.values()) - 1) > 1e-6:
        notes.stop(
            "shares-not-one", where, f"fractions add up to {sum(shares.values()):g}", "1", "name all it is made of"
        )
    return MappingProxyType(shares)


def _factor(t: dict[str, Any], where: str, notes: Notes) -> Factor:
    low, high = _low_high(t, where, notes)
    levels = tuple(t.get("levels", ()))
    if levels and (low is not None or high is not None):
        notes.stop("two-roles", where, "has named levels and limits", "levels, or low and high", "drop one of them")
    if not levels and (low is None or high is None):
        notes.stop("no-level", where, "has no low and high", "low and high, or levels = [...]", "add them")
    if not levels and low is not None and low == high:
        notes.stop("flat-factor", where, f"low and high are both {low:g}", "low below high", "leave the factor out")
    if "levels" in t and len({folded(v) for v in levels}) < max(2, len(levels)):
        notes.stop("levels-alike", f"{where}, levels", f"came {shown(list(levels))}", "two or more different names", "")
    return Factor(
        name=t["name"],
        unit=t.get("unit", ""),
        low=None if low is None else float(low),
        high=None if high is None else float(high),
        levels=levels,
        step=t.get("step"),
        hard_to_change=t.get("hard_to_change", False),
        was=tuple(t.get("was", ())),
    )


def _limit(t: dict[str, Any], n: int, numeric: Sequence[str], categories: Sequence[str], notes: Notes) -> Limit | None:
    text = t.get("rule")
    if text is None:
        return None
    where = f"limit {text!r}"
    try:
        rule = parse_rule(text, numeric)
    except RuleError as error:
        at = text[error.start : error.end].strip()
        reason, do = error.reason, error.do
        if at in categories:
            reason, do = f"{at} has named levels", "a limit is about ingredients and numeric factors"
        got = f"{reason} (at {at!r})" if at and at not in reason else reason
        notes.stop("bad-rule", where, got, "linear in levels, e.g. Wax + Oil <= 9", do)
        return None
    return Limit(
        text,
        MappingProxyType(dict(rule.weights)),
        rule.low,
        rule.high,
        why=t.get("why", ""),
        when=t.get("when"),
        on=t.get("on"),
    )


def _amount(value: Any) -> tuple[float, bool] | None:
    if value is None:
        return None
    if isinstance(value, str):
        share = percent(value)
        return None if share is None else (share, True)
    return float(value), False


def _share_of(value: Any, default: float) -> float:
    amount = _amount(value)
    return default if amount is None else amount[0]


def _response(t: dict[str, Any], where: str, numeric: Sequence[str], notes: Notes) -> Response:
    source = t.get("from")
    if isinstance(source, Mapping):
        for name, weight in source.items():
            if name not in numeric:
                notes.stop("unknown-name", f"{where}, from", f"{name} is not known", "", _hint(name, numeric))
            elif not has_type("number", weight):
                notes.stop("wrong-type", f"{where}, from", f"{name} = {shown(weight)}", WORDS["number"], "")
        source = MappingProxyType({str(k): float(v) for k, v in source.items() if has_type("number", v)})
    elif source is not None and source != "cost_per_kg":
        do = "use cost_per_kg or weights of ingredients"
        notes.add("not-used-yet", "inform", f"{where}, from", f"{source} is kept, but not computed yet", "", do)
    _check_aims(t, where, notes)
    reads = t.get("reads")
    if reads and reads[0] >= reads[1]:
        notes.stop("low-above-high", f"{where}, reads", f"came {shown(reads)}", "lowest, then highest", "swap them")
    if t.get("kind") == "grade" and len(t.get("grades", ())) < 2:
        notes.stop("no-grades", where, "is graded but has no grades", "grades = [...], worst first", "add them")
    if t.get("kind") == "curve":
        notes.add("not-used-yet", "inform", f"{where}, kind", "curves are kept, but not fitted yet", "", "")
    if source is None and not t.get("method"):
        do = "say how it is measured: instrument, setting, temperature"
        notes.add("no-method", "warn", where, "has no method", "a number is worth what its method is", do)
    return Response(
        name=t["name"],
        unit=t.get("unit", ""),
        kind=t.get("kind", "number"),
        method=t.get("method", ""),
        reads=(float(reads[0]), float(reads[1])) if reads else (None, None),
        after_h=t.get("after_h"),
        scale=t.get("scale", "linear"),
        aim=t.get("aim", "watch"),
        low=t.get("low"),
        target=t.get("target"),
        high=t.get("high"),
        must=t.get("must", True),
        weight=float(t.get("weight", 1.0)),
        sd=_amount(t.get("sd")),
        matters=_amount(t.get("matters")),
        sample_g=t.get("sample_g"),
        exponent_low=float(t.get("exponent_low", 1.0)),
        exponent_high=float(t.get("exponent_high", 1.0)),
        grades=tuple(t.get("grades", ())),
        against=t.get("against"),
        source=source,
        of=t.get("of"),
        model=t.get("model"),
    )


_NEEDS = {"above": ("low",), "below": ("high",), "within": ("low", "high"), "target": ("target",), "watch": ()}


def _check_aims(t: Mapping[str, Any], where: str, notes: Notes) -> None:
    aim = t.get("aim", "watch")
    for key in _NEEDS[aim]:
        if key not in t:
            notes.stop("no-limit", where, f"aims {aim} but has no {key}", f"aim {aim} needs {key}", f"add {key} = ...")
    ordered = [(k, t[k]) for k in ("low", "target", "high") if k in t]
    for (first, a), (second, b) in pairwise(ordered):
        if a > b:
            got = f"{first} {a:g} is above {second} {b:g}"
            notes.stop("low-above-high", where, got, "low <= target <= high", "mend the order")
    if t.get("scale") == "log" and any(v <= 0 for _, v in ordered):
        notes.stop(
            "log-of-nothing", where, "has a limit at or below 0 on a log scale", "limits above 0", "use scale linear"
        )
    if t.get("scale") == "logit" and any(not 0 < v < 1 for _, v in ordered):
        notes.stop("logit-outside", where, "has a limit outside 0 to 1 on a logit scale", "fractions in between", "")


def _hint(name: str, known: Sequence[str]) -> str:
    near = nearest(str(name), tuple(known))
    return f"did you mean {near}?" if near else "known names: " + ", ".join(known)


def _references(
    tables: list[dict[str, Any]], names: Sequence[str], responses: Sequence[str], notes: Notes
) -> tuple[Reference, ...]:
    out = []
    for t, where in named(tables, "reference", notes):
        for key, known in (("levels", names), ("measured", responses)):
            for name, value in t.get(key, {}).items():
                if name not in known:
                    notes.stop("unknown-name", f"{where}, {key}", f"{name} is not known", "", _hint(name, known))
                elif key == "measured" and not has_type("number", value):
                    notes.stop("wrong-type", f"{where}, {key}", f"{name} = {shown(value)}", WORDS["number"], "")
        out.append(
            Reference(
                t["name"], MappingProxyType(dict(t.get("levels", {}))), MappingProxyType(dict(t.get("measured", {})))
            )
        )
    return tuple(out)


def _balance(t: Mapping[str, Any]) -> Balance:
    step = float(t.get("step_g", 0.01))
    return Balance(t["name"], step, float(t.get("repeat_g", step)), float(t.get("max_g", math.inf)))


def _step(t: Mapping[str, Any]) -> Step:
    temp = t.get("temp_c")
    pair = None if temp is None else (float(temp[0]), float(temp[1])) if isinstance(temp, list) else (float(temp),) * 2
    return Step(
        does=t.get("does", ""),
        takes=tuple(t.get("takes", ())),
        temp_c=pair,
        minutes=t.get("minutes"),
        rpm=t.get("rpm"),
        hold_min=t.get("hold_min"),
        gate=t.get("gate", ""),
    )


def _make(t: Mapping[str, Any]) -> Make:
    return Make(
        loss=_share_of(t.get("loss"), 0.0),
        make_up=t.get("make_up", False),
        retain_g=float(t.get("retain_g", 0.0)),
        weigh_tolerance=_share_of(t.get("weigh_tolerance"), 0.01),
    )


def _plan(t: Mapping[str, Any], names: Sequence[str], notes: Notes) -> PlanWish:
    values = dict(t)
    recipes = list(values.pop("must_make", ())) + ([values["standard"]] if "standard" in values else [])
    for recipe in recipes:
        for name in recipe:
            if name not in names:
                notes.stop(
                    "unknown-name", "[plan], must_make or standard", f"{name} is not known", "", _hint(name, names)
                )
    _check_model(values.get("model"), notes)
    for key in ("terms", "maybe", "blocks"):
        if isinstance(values.get(key), list):
            values[key] = tuple(values[key])
    if "standard" in values:
        values["standard"] = MappingProxyType(dict(values["standard"]))
    if isinstance(values.get("model"), Mapping):
        values["model"] = MappingProxyType(dict(values["model"]))
    values["must_make"] = tuple(MappingProxyType(dict(r)) for r in t.get("must_make", ()))
    return PlanWish(**values)


_MODEL_WORDS = {
    "blend": ("linear", "quadratic", "special-cubic", "full-cubic"),
    "process": ("linear", "quadratic", "factorial"),
    "cross": ("none", "linear", "full"),
}


def _check_model(model: Any, notes: Notes) -> None:
    where = "[plan], model"
    if isinstance(model, str) and model not in _MODEL_WORDS["blend"]:
        near = nearest(model, _MODEL_WORDS["blend"])
        do = f"did you mean {near}?" if near else ""
        notes.stop("unknown-word", where, f"came {model!r}", "one of " + ", ".join(_MODEL_WORDS["blend"]), do)
    if isinstance(model, Mapping):
        for key, value in model.items():
            words = _MODEL_WORDS.get(key)
            if words is None:
                notes.stop("unknown-key", where, f"{key} is not known", "blend, process, cross", "")
            elif value not in words:
                notes.stop("unknown-word", f"{where}, {key}", f"came {shown(value)}", "one of " + ", ".join(words), "")
