"""All checks of the trade over many recipes at once: numbers as arrays, findings only where something is to be said."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.definition.categories import NONE
from doe.problems import Problem
from doe.trade.acidity import acid_checks, measured_checks, window_checks
from doe.trade.check import NOTHING, Check, Given
from doe.trade.composition import Stock, counts_mass
from doe.trade.emulsion import charge_checks, emulsion_checks, pair_checks, use_checks, wetting_checks
from doe.trade.legal import allergen_checks, legal_checks, polymer_checks
from doe.trade.rulebook import RULES
from doe.trade.statements import statements
from doe.trade.suspension import given_of, suspension_checks

if TYPE_CHECKING:
    from doe.study import Study

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

_BY_LEVELS: tuple[Callable[[Stock, Array], Iterator[Check]], ...] = (
    legal_checks, window_checks, polymer_checks, use_checks, charge_checks, pair_checks, allergen_checks,
    emulsion_checks, wetting_checks,
)  # fmt: skip
_WITH_READINGS: tuple[Callable[[Stock, Array, Given], Iterator[Check]], ...] = (
    acid_checks, measured_checks, suspension_checks,
)  # fmt: skip
_ORDER = ("stop", "warn", "inform")
_NAMED = 6


class TradeChecks:
    """The checks of one study. Recipes are frames with a row each and columns `study.columns`.

    What a study does not say is not asked; without ingredients, or where levels count no mass, everything is silent.
    """

    def __init__(self, study: Study) -> None:
        self.study = study
        self.applies = bool(study.ingredients) and counts_mass(study.unit)
        self._stocks: dict[tuple[Any, ...], Stock] = {}

    def by_choice(self, levels: pd.DataFrame, given: Given = NOTHING) -> list[tuple[npt.NDArray[np.intp], list[Check]]]:
        """All checks of recipes (n rows), by choice of materials: the rows with that choice, and their checks."""
        if not self.applies or not len(levels):
            return []
        names = [item.name for item in self.study.ingredients]
        percent = 100.0 / self.study.total * levels[names].to_numpy(dtype=float)
        out = []
        for key, rows in self._choices(levels):
            stock = self._stock(key)
            part, known = percent[rows], given.take(rows)
            found = [check for checks in _BY_LEVELS for check in checks(stock, part)]
            found += [check for checks in _WITH_READINGS for check in checks(stock, part, known)]
            out.append((np.flatnonzero(rows), found))
        return out

    def each(self, levels: pd.DataFrame, given: Given = NOTHING) -> list[tuple[Problem, ...]]:
        """The findings of each recipe, the gravest first."""
        out: list[list[Problem]] = [[] for _ in range(len(levels))]
        for rows, checks in self.by_choice(levels, given):
            for check in checks:
                for place in np.flatnonzero(check.missed):
                    out[rows[place]].append(check.finding(int(place)))
        return [tuple(sorted(map(self.accepted, found), key=_rank)) for found in out]

    def together(self, levels: pd.DataFrame, given: Given = NOTHING, names: Sequence[str] = ()) -> tuple[Problem, ...]:
        """The findings of many recipes, each once with the worst; `names` (n) say in which, where not in all."""
        every = self.by_choice(levels, given)
        asked: dict[tuple[str, str, str], list[tuple[npt.NDArray[np.intp], Check]]] = {}
        for rows, checks in every:
            for check in checks:
                asked.setdefault((check.code, check.where, check.topic), []).append((rows, check))
        found = []
        for cases in asked.values():
            told = [(rows, check, np.flatnonzero(check.missed)) for rows, check in cases if check.missed.any()]
            if not told:
                continue
            own = sorted({int(row) for rows, _, missed in told for row in rows[missed]})
            total = len(levels) if len(names) else sum(len(rows) for rows, _, _ in told)
            extra = _where([str(names[row]) for row in own] if len(names) else [], len(own), total)
            _, check, missed = min(told, key=lambda case: (_ORDER.index(case[1].grade), -float(case[1].over.max())))
            problem = self.accepted(check.finding(check.worst(missed.tolist()), extra))
            if problem.stops and len(every) > 1:
                problem = replace(problem, do=problem.do + self._way_out(levels, every, problem.code))
            found.append(problem)
        return tuple(sorted([*self._once(), *found], key=_rank))

    def _way_out(
        self, levels: pd.DataFrame, every: Sequence[tuple[npt.NDArray[np.intp], list[Check]]], code: str
    ) -> str:
        """The choices of materials that are free of a finding, in words; nothing where none is."""
        clear = []
        for rows, checks in every:
            if not any(check.missed.any() for check in checks if check.code == code):
                picks = [str(levels[f.name].iloc[rows[0]]) for f in self.study.category_factors if f.of is not None]
                clear.append(" with ".join(pick for pick in picks if pick != NONE))
        return f"; free of it: {', '.join(clear[:_NAMED])}" if clear else ""

    def allowed(self, levels: pd.DataFrame, given: Given = NOTHING) -> Flags:
        """Whether each recipe has no stop-level finding that was not accepted, (n,)."""
        good = np.ones(len(levels), dtype=bool)
        taken = {accept.finding for accept in self.study.accepts}
        for rows, checks in self.by_choice(levels, given):
            for check in checks:
                if check.grade == "stop" and check.code not in taken:
                    good[rows[check.missed]] = False
        return good

    def accepted(self, problem: Problem) -> Problem:
        """A finding, with who took it on purpose and why where `[[accept]]` says so."""
        taken = next((a for a in self.study.accepts if a.finding == problem.code and problem.level == "stop"), None)
        if taken is None:
            return problem
        return replace(problem, do=f"taken on purpose by {taken.by}: {taken.why}", accepted=f"{taken.by}: {taken.why}")

    def refused(self, problems: Sequence[Problem]) -> list[Problem]:
        """Those of the findings that stop and were not accepted."""
        taken = {accept.finding for accept in self.study.accepts}
        return [p for p in problems if p.level == "stop" and p.code in RULES and p.code not in taken]

    def given(self, values: Mapping[str, Array], how: str) -> Given:
        """What values (n,) of responses, by name, tell the checks; `how` is measured or predicted."""
        return given_of(self.study, dict(values), how)

    def _choices(self, levels: pd.DataFrame) -> list[tuple[tuple[Any, ...], Flags]]:
        names = [f.name for f in self.study.category_factors if f.of is not None]
        if not names:
            return [((), np.ones(len(levels), dtype=bool))]
        keys = list(zip(*(levels[name] for name in names), strict=True))
        return [(key, np.array([k == key for k in keys], dtype=bool)) for key in dict.fromkeys(keys)]

    def _stock(self, key: tuple[Any, ...]) -> Stock:
        if key not in self._stocks:
            names = [f.name for f in self.study.category_factors if f.of is not None]
            self._stocks[key] = Stock.of(self.study, dict(zip(names, key, strict=True)))
        return self._stocks[key]

    def _once(self) -> list[Problem]:
        """What is to be said of the study, not of a recipe."""
        study = self.study
        found: list[Problem] = []
        if study.ingredients and not self.applies:
            got = f"levels are in {study.unit}"
            do = "give levels as shares of mass, and the checks of the trade speak"
            found.append(Problem("mass-unit", "inform", "[study], unit", got, "a share of mass such as % w/w", do,
                                 RULES["mass-unit"].source))  # fmt: skip
            return found
        found += statements(study)
        known = {accept.finding for accept in study.accepts}
        for code in known - set(RULES):
            got = f"{code} is no finding of the trade"
            do = "name the code that check prints"
            found.append(Problem("accept-unknown", "warn", f"accept {code!r}", got, ", ".join(_stops()), do))
        return found


def _where(own: Sequence[str], missed: int, total: int) -> str:
    """In which recipes a finding holds, where not in all: by their names, else how many of them."""
    if missed == total:
        return ""
    if not own:
        return f", in {missed} of {total} recipes looked at"
    more = f" and {len(own) - _NAMED} more" if len(own) > _NAMED else ""
    return f", in {', '.join(own[:_NAMED])}{more}"


def _stops() -> list[str]:
    return [rule.code for rule in RULES.values() if "stop" in rule.levels]


def _rank(problem: Problem) -> tuple[int, str]:
    return _ORDER.index(problem.level), problem.code
