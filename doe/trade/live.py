"""Checks of the trade as a live page asks them again: coefficients over the levels, and readings that are predicted."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from doe.problems import Level
from doe.trade.engine import TradeChecks
from doe.trade.look import Given, Live
from doe.trade.recipes import extreme_recipes
from doe.trade.suspension import readings_of

if TYPE_CHECKING:
    from doe.study import Study

Array = npt.NDArray[np.float64]


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

    Checks that rest on what a page cannot ask again (windows of pH that do not meet) are not among them.
    """
    checks = TradeChecks(study)
    if not checks.applies:
        return {}
    rows = extreme_recipes(study)
    known = {key: np.ones(len(rows)) for key in readings_of(study)}
    categories = [f.name for f in study.category_factors if f.of is not None]
    out: dict[tuple[str, ...], list[LiveCheck]] = {}
    for places, looks in checks.looks(rows, Given(**known, how="predicted")):
        key = tuple(str(rows[name].iloc[places[0]]) for name in categories)
        out[key] = [
            LiveCheck(look.code, look.grade, look.where, look.live,
                      look.live.allowed or (look.allowed if isinstance(look.allowed, str) else ""),
                      checks.accepted(look.finding(0)).do)
            for look in looks
            if look.live is not None and not np.isnan(look.value).all()
        ]  # fmt: skip
    return out
