"""Checks of the trade as a live page asks them again: coefficients over the levels, and readings that are predicted.

What depends only on which materials are there is told beforehand, for each set of those that may be left out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from doe.definition.categories import material_of
from doe.problems import Level, Problem
from doe.trade.check import Given, Live
from doe.trade.engine import TradeChecks
from doe.trade.recipes import extreme_recipes
from doe.trade.suspension import readings_of

if TYPE_CHECKING:
    from doe.study import Study

Array = npt.NDArray[np.float64]

_BY_PRESENCE = ("K15",)
_MOST_LEFT_OUT = 6  # 64 sets of materials that may be left out; beyond that the page says that it does not ask


@dataclass(frozen=True, slots=True, eq=False)
class LiveCheck:
    """A check for a live page: what it asks (`live`), and what to say of one that is missed."""

    code: str
    level: Level
    where: str
    live: Live
    allowed: str
    do: str

    def missed(self, columns: Mapping[str, npt.NDArray[Any]], readings: Mapping[str, Array]) -> npt.NDArray[np.bool_]:
        """Where recipes miss it, (n,): `columns` are levels by name, `readings` what is predicted, in SI units."""
        live = self.live
        value = readings[live.reading] if live.reading else sum(f * form.values(columns) for f, form in live.forms)
        value = value / readings[live.under] if live.under else value
        there = np.all([columns[name].astype(float) > 0 for name in live.present], axis=0) if live.present else True
        out = np.zeros(len(np.atleast_1d(value)), dtype=bool)
        slack = 1e-9 * np.abs(np.nan_to_num(value))
        if live.low is not None:
            out |= value < live.low - slack
        if live.high is not None:
            out |= value > live.high + slack
        if live.least is not None:
            out |= value < live.least[0] * live.least[1].values(columns) - slack
        return out & there & ~np.isnan(value)


def live_checks(study: Study) -> dict[tuple[str, ...], list[LiveCheck]]:
    """The checks of a study by the levels of its categories of materials; those that never apply are left out.

    Checks that depend only on which materials are there are not among them: see `told_by_presence`.
    """
    checks = TradeChecks(study)
    if not checks.applies:
        return {}
    rows = extreme_recipes(study)
    # At so high a pH a check of acids words its miss.
    known = {key: np.full(len(rows), 14.0 if key == "ph" else 1.0) for key in readings_of(study)}
    categories = [f.name for f in study.category_factors if f.of is not None]
    out: dict[tuple[str, ...], list[LiveCheck]] = {}
    for places, found in checks.by_choice(rows, Given(**known, how="predicted")):
        key = tuple(str(rows[name].iloc[places[0]]) for name in categories)
        out[key] = [
            LiveCheck(check.code, check.live.level or check.grade, check.where, check.live,
                      check.live.allowed or (check.allowed if isinstance(check.allowed, str) else ""),
                      checks.accepted(check.finding(0)).do)
            for check in found
            if check.live is not None and not np.isnan(check.value).all()
        ]  # fmt: skip
    return out


@dataclass(frozen=True, slots=True, eq=False)
class Told:
    """Findings by which of `names` are there: keys are a 1 for each that is, a 0 for each that is not, as text."""

    names: tuple[str, ...]
    findings: Mapping[str, tuple[Problem, ...]]


def _not_asked(free: list[str]) -> Problem:
    """What a live page says where it does not ask which pH windows meet."""
    got = f"whether they meet is not asked on this page: {len(free)} materials with one may each be left out"
    return Problem("K15", "inform", "pH windows", got, "", "ask it of a formula that is kept: card or optimise says it")


def told_by_presence(study: Study) -> dict[tuple[str, ...], Told]:
    """What depends only on which materials are there, by the levels of their categories, for each set of them.

    Where too many may be left out, that it is not asked.
    """
    checks = TradeChecks(study)
    if not checks.applies:
        return {}
    rows = extreme_recipes(study)
    categories = [f.name for f in study.category_factors if f.of is not None]
    out: dict[tuple[str, ...], Told] = {}
    for key, group in rows.groupby(categories, sort=False) if categories else [((), rows)]:
        choice = tuple(map(str, key))
        picks = dict(zip(categories, choice, strict=True))
        free = [
            item.name
            for item in study.ingredients
            if {"ph_low", "ph_high"} & set(item.of(picks.get(material_of(item.name))).facts)
            and (group[item.name] <= 0).any() and (group[item.name] > 0).any()
        ]  # fmt: skip
        if len(free) > _MOST_LEFT_OUT:
            out[choice] = Told((), {"": (_not_asked(free),)})
            continue
        one = group.loc[[(group[free] > 0).sum(axis=1).idxmax()]]
        found = {}
        for there in product((1.0, 0.0), repeat=len(free)):
            (told,) = checks.each(one.assign(**dict(zip(free, there, strict=True))))
            own = tuple(problem for problem in told if problem.code in _BY_PRESENCE)
            if own:
                found["".join(f"{flag:.0f}" for flag in there)] = own
        out[choice] = Told(tuple(free), found)
    return out
