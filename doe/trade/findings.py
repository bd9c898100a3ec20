"""What the trade has to say of a study before anything is made: over its most extreme recipes, and of its laws."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING

import pandas as pd

from doe.problems import Problem, Unavailable
from doe.trade.check import NOTHING, Given
from doe.trade.engine import TradeChecks
from doe.trade.legal import coverage
from doe.trade.quantities import form_of
from doe.trade.recipes import extreme_recipes

if TYPE_CHECKING:
    from doe.study import Study


def study_findings(study: Study, today: date | None = None) -> tuple[Problem, ...]:
    """The findings of a study over all that it allows, each once with the worst recipe, the gravest first.

    With `today` also which lines of the list of legal limits are old: no clock is read here.
    """
    checks = TradeChecks(study)
    found = checks.together(extreme_recipes(study)) if checks.applies else checks.together(pd.DataFrame())
    return (*map(_with_way, found), *coverage(study, today), *_missing(study))


def trial_findings(study: Study, table: pd.DataFrame, given: Given = NOTHING) -> tuple[Problem, ...]:
    """The findings of trials, or of batches as made, each once with the worst of them and the ids it holds for."""
    return TradeChecks(study).together(table, given, [str(name) for name in table.index])


def trade_refusals(study: Study, problems: Sequence[Problem]) -> list[Problem]:
    """Findings that stop a plan, with the way to take each on purpose; none of those that were accepted."""
    return [_with_way(problem) for problem in TradeChecks(study).refused(problems)]


def _with_way(problem: Problem) -> Problem:
    """A finding that stops, with what `[[accept]]` has to name to take it on purpose."""
    way = f'; or take it on purpose: [[accept]] with finding = "{problem.code}", why and by'
    return replace(problem, do=problem.do + way) if problem.stops and way not in problem.do else problem


def _missing(study: Study) -> list[Problem]:
    """Exact responses that cannot be computed, with what is missing."""
    out = []
    for response in study.exact_responses:
        if response.source == "cost_per_kg":  # told with the prices
            continue
        for combination in study.region.combinations:
            form = form_of(study, response, combination)
            if isinstance(form, Unavailable):
                where = f"response {response.name!r}"
                out.append(
                    Problem("no-facts", "warn", where, f"not available: {form.reason}", "all it rests on", form.do)
                )
                break
    return out
