"""From the raw tables of study.toml to checked parts. Every problem is gathered, none stops the reading."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any

from doe.definition.checks import Notes, Row, check_names, folded, fraction, is_number, named, sections, shown
from doe.definition.conditions import BARS, read_condition
from doe.definition.ingredients import check_step, low_high, material_factor, read_ingredient, share_of
from doe.definition.parts import (
    Accept,
    Balance,
    Done,
    Factor,
    Ingredient,
    Law,
    Limit,
    Make,
    PlanWish,
    Reference,
    Response,
    Step,
)
from doe.definition.responses import grade_numbers, number_or_none, read_response
from doe.definition.rules import Linear, Rule, parse_rule, pointed
from doe.definition.ruletokens import RuleError, normalised
from doe.trade.legal import read_law


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
    laws: tuple[Law, ...] = ()

    @property
    def total(self) -> float:
        """What all levels add up to."""
        return float(self.study.get("total", 100.0))

    @property
    def unit(self) -> str:
        """Unit of all levels."""
        return str(self.study.get("unit", "% w/w" if self.total == 100 else ""))


def read_parts(source: Mapping[str, Any], notes: Notes) -> Parts:
    """Read every section of `source`; problems go to `notes`."""
    tables = sections(source, notes)
    head = tables["study"][0] if tables["study"] else {}
    if not tables["study"] and "study" not in source:
        notes.stop("missing-section", "[study]", "is absent", "a study has a name", 'add [study] with name = "..."')
    ingredients = tuple(read_ingredient(t, w, notes) for t, w in named(tables["ingredient"], "ingredient"))
    materials = tuple(material_factor(i) for i in ingredients if i.choice)
    factors = (*materials, *(_factor(t, w, notes) for t, w in named(tables["factor"], "factor")))
    check_names(tables, notes)
    numeric = [i.name for i in ingredients] + [f.name for f in factors if not f.is_category]
    responses = tuple(read_response(t, w, numeric, notes) for t, w in named(tables["response"], "response"))
    limits = _Limits(ingredients, factors, float(head.get("total", 100.0)), notes)
    return Parts(
        study=head,
        balances=tuple(_balance(t) for t, _ in named(tables["balance"], "balance")),
        ingredients=ingredients,
        factors=factors,
        limits=tuple(limit for t in tables["limit"] for limit in limits.read(t)),
        responses=responses,
        references=tuple(_reference(t, responses) for t, _ in named(tables["reference"], "reference")),
        steps=tuple(_step(t) for t in tables["step"]),
        make=_make(tables["make"][0] if tables["make"] else {}),
        plan=_plan(tables["plan"][0] if tables["plan"] else {}, notes),
        done=_done(tables["done"][0] if tables["done"] else {}),
        accepts=tuple(
            Accept(t["finding"], t["why"], t["by"]) for t in tables["accept"] if {"finding", "why", "by"} <= set(t)
        ),
        laws=tuple(read_law(t, notes) for t in tables["law"] if {"substance", "max", "source", "edition"} <= set(t)),
    )


def _factor(t: Row, where: str, notes: Notes) -> Factor:
    """The factor of one table: numeric between low and high, or one of named levels; problems go to `notes`."""
    low, high = low_high(t, where, notes)
    levels = tuple(normalised(level) for level in t.get("levels", ()))
    named_levels = t.gives("levels")
    if named_levels and any(t.gives(key) for key in ("low", "high", "step")):
        got = "has named levels and low, high or step"
        notes.stop("two-roles", where, got, "levels, or low and high", "drop one of them")
    if not named_levels and not (t.gives("low") and t.gives("high")):
        notes.stop("no-level", where, "has no low and high", "low and high, or levels = [...]", "add them")
    if not named_levels and low is not None and low == high:
        notes.stop("flat-factor", where, f"low and high are both {low:g}", "low below high", "leave the factor out")
    elif not named_levels:
        check_step(t, low, high, where, notes)
    if "levels" in t and len({folded(v) for v in levels}) < max(2, len(levels)):
        got = f"came {shown(list(levels))}"
        notes.stop("levels-alike", f"{where}, levels", got, "two or more different names", "name each level once")
    return Factor(
        name=t["name"],
        unit=t.get("unit", ""),
        low=low,
        high=high,
        levels=levels,
        step=number_or_none(t.get("step")),
        hard_to_change=t.get("hard_to_change", False),
        was=tuple(normalised(name) for name in t.get("was", ())),
    )


class _Limits:
    """Reads the limits of one study: what their names mean, and how far each level may go."""

    def __init__(
        self, ingredients: Sequence[Ingredient], factors: Sequence[Factor], total: float, notes: Notes
    ) -> None:
        self.notes = notes
        self.ingredients, self.factors = ingredients, factors
        self.categories = [f.name for f in factors if f.is_category]
        self.assays = {i.name: i.assay for i in ingredients}
        self.bounds = {i.name: _reach(i, total) for i in ingredients}
        for factor in factors:
            if not factor.is_category:
                self.bounds[factor.name] = (factor.low or 0.0, factor.high or 0.0)
        self.held = {i.name: f"fixed at {i.level:g}" for i in ingredients if i.role == "fixed" and i.level is not None}
        self.held |= {i.name: f"expected at {i.level or 0:g}" for i in ingredients if i.role == "adjuster"}
        self.held |= {i.name: "withdrawn" for i in ingredients if i.withdrawn}

    def read(self, t: Mapping[str, Any]) -> list[Limit]:
        """The limit of one table: two of them for a ratio with two ends, none where it cannot be read."""
        if "rule" not in t:
            return []
        text = normalised(t["rule"])
        where = f"limit {shown(text)}"
        if f" {BARS} " in text and not set("<>=≤≥") & set(text):
            return self._barring(text, where, t)
        try:
            rules = parse_rule(text, list(self.bounds))
        except RuleError as error:
            self._refuse(text, where, error)
            return []
        if all(name in self.held for name in rules[0].weights):
            self._say_constant(rules, where, t)
            return []
        self._check_divisor(rules[0].divisor, where)
        condition = self._condition(t, where)
        return [replace(self._limit(rule, text, t), condition=condition) for rule in rules]

    def _condition(self, t: Mapping[str, Any], where: str) -> tuple[str, tuple[str, ...]] | None:
        if not t.get("when"):
            return None
        return read_condition(t["when"], self.ingredients, self.factors, f"{where}, when", self.notes)

    def _barring(self, text: str, where: str, t: Mapping[str, Any]) -> list[Limit]:
        """A limit on a choice: levels of a category that may not stand where it holds."""
        barred = read_condition(text, self.ingredients, self.factors, where, self.notes, BARS)
        condition = self._condition(t, where)
        if barred is None or (t.get("when") and condition is None):
            return []
        return [Limit(text, MappingProxyType({}), None, None, t.get("why", ""), t.get("when"), None, condition, barred)]

    def _say_constant(self, rules: Sequence[Rule], where: str, t: Mapping[str, Any]) -> None:
        """A limit on nothing that varies is always met, which is told, or never, which stops."""
        limits = [self._limit(rule, "", t) for rule in rules]
        names = " and ".join([f"{n} is {self.held[n]}" for n in rules[0].weights])
        for one in limits:
            side = math.fsum(w * self.bounds[n][0] for n, w in one.weights.items())
            slack = 1e-9 * max(1.0, *(abs(w * self.bounds[n][0]) for n, w in one.weights.items()))
            if (one.low is not None and side < one.low - slack) or (one.high is not None and side > one.high + slack):
                got, do = f"can never be met: {names}", "change the limit or the level, or take the limit out"
                self.notes.stop("limit-without-variable", where, got, "something that varies", do)
                return
        got = f"is always met, as {names}"
        self.notes.add("limit-without-variable", "inform", where, got, "", "take it out, or name something that varies")

    def _limit(self, rule: Rule, text: str, t: Mapping[str, Any]) -> Limit:
        active = t.get("on") == "active"
        weights = {n: w * (self.assays.get(n, 1.0) if active else 1.0) for n, w in rule.weights.items()}
        frozen = MappingProxyType(weights)
        return Limit(text, frozen, rule.low, rule.high, t.get("why", ""), t.get("when"), t.get("on"))

    def _refuse(self, text: str, where: str, error: RuleError) -> None:
        at = text[error.start : error.end].strip().strip("'")
        reason, do = error.reason, error.do
        for name in self.categories:
            if text.startswith(name, error.start) or (at and name.startswith(at)):
                reason, do = f"{name} has named levels", "a limit is about ingredients and numeric factors"
        got = f"{reason}: {pointed(text, error)}" if at and at != text.strip("'") else reason
        self.notes.stop("bad-rule", where, got, "linear in levels, e.g. Wax + Oil <= 9", do)

    def _check_divisor(self, divisor: Linear | None, where: str) -> None:
        if divisor is None:
            return
        least = divisor.least(self.bounds)
        names = " and ".join(divisor.weights)
        if least < 0:
            do = "multiply the limit out, with its sign the way it is meant"
            got = f"the lower part of the ratio ({names}) may be below 0"
            self.notes.stop("ratio-sign", where, got, "a ratio over an amount", do)
        elif least <= 1e-12:
            got = f"the lower part of the ratio ({names}) may be 0, where there is no ratio"
            do = "nothing, if it is meant so; else raise its low"
            self.notes.add("ratio-of-nothing", "inform", where, got, "there the limit reads multiplied out", do)


def _reach(ingredient: Ingredient, total: float) -> tuple[float, float]:
    if ingredient.role in ("fixed", "adjuster"):
        return ingredient.level or 0.0, ingredient.level or 0.0
    return ingredient.low or 0.0, total if ingredient.high is None else ingredient.high


def _recipe(table: Mapping[str, Any]) -> Mapping[str, Any]:
    return MappingProxyType({normalised(str(k)): float(v) if is_number(v) else v for k, v in table.items()})


def _reference(t: Mapping[str, Any], responses: Sequence[Response]) -> Reference:
    grades = {r.name: grade_numbers(r.grades) for r in responses if r.grades}
    measured = dict(_recipe(t.get("measured", {})))
    for name, value in measured.items():
        if isinstance(value, str):
            measured[name] = grades.get(name, {}).get(folded(value), value)
    return Reference(t["name"], _recipe(t.get("levels", {})), MappingProxyType(measured))


def _balance(t: Mapping[str, Any]) -> Balance:
    step = float(t.get("step_g", 0.01))
    return Balance(t["name"], step, float(t.get("repeat_g", step)), float(t.get("max_g", math.inf)))


def _step(t: Mapping[str, Any]) -> Step:
    temp = t.get("temp_c")
    pair = None if temp is None else (float(temp[0]), float(temp[1])) if isinstance(temp, list) else (float(temp),) * 2
    return Step(
        does=t.get("does", ""),
        takes=tuple(normalised(name) for name in t.get("takes", ())),
        temp_c=pair,
        minutes=number_or_none(t.get("minutes")),
        rpm=number_or_none(t.get("rpm")),
        hold_min=number_or_none(t.get("hold_min")),
        gate=t.get("gate", ""),
    )


def _make(t: Mapping[str, Any]) -> Make:
    return Make(
        loss=share_of(t.get("loss"), 0.0),
        make_up=t.get("make_up", False),
        retain_g=float(t.get("retain_g", 0.0)),
        weigh_tolerance=share_of(t.get("weigh_tolerance"), 0.01),
    )


def _done(t: Mapping[str, Any]) -> Done:
    return Done(fraction(t.get("chance")), t.get("max_batches"), number_or_none(t.get("budget")))


def _plan(t: Mapping[str, Any], notes: Notes) -> PlanWish:
    values = dict(t)
    blocks = values.get("blocks")
    if isinstance(blocks, list) and len({folded(name) for name in blocks}) < len(blocks):
        notes.stop("duplicate-name", "[plan], blocks", f"came {shown(blocks)}", "different names", "rename one")
    for key in ("terms", "maybe", "blocks"):
        if isinstance(values.get(key), list):
            values[key] = tuple(values[key])
    if "standard" in values:
        values["standard"] = _recipe(values["standard"])
    if isinstance(values.get("model"), Mapping):
        values["model"] = MappingProxyType(dict(values["model"]))
    values["must_make"] = tuple(_recipe(r) for r in t.get("must_make", ()))
    return PlanWish(**values)
