"""What checks of the trade say of one formula, and what goes on its label, as facts."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import pandas as pd

from doe.problems import Problem, listed
from doe.results.curves import observed
from doe.results.results import Results
from doe.study import Study
from doe.trade import TradeChecks, trial_findings
from doe.trade.label import label_of, whole_of
from doe.trade.rulebook import RULES
from reports.facts import Trade

_WITH_READINGS = ("K13", "ph-outside", "K22", "K23")


def trade_of(study: Study, recipe: pd.Series, findings: Iterable[Mapping[str, Any]]) -> Trade | None:
    """The trade facts of a whole recipe; `findings` are those of its point, of which those of the trade count."""
    if not study.ingredients:
        return None
    levels = {str(name): value for name, value in recipe.items()}
    label = label_of(study, levels)
    told = tuple(Problem.from_dict(row) for row in findings if row["code"] in RULES)
    untold = f"Allergens of {listed(label.untold)} are not given: ask the supplier for them" if label.untold else ""
    unnamed = f"No INCI name is given for {listed(label.unnamed)}: their own names stand here" if label.unnamed else ""
    whole = whole_of(study, levels)
    return Trade(
        names=label.names, declared=label.text, groups=label.groups, allergens=label.allergens,
        threshold=label.threshold, untold=untold, unnamed=unnamed, laws=label.laws, whole=whole, findings=told,
    )  # fmt: skip


def measured_findings(study: Study, results: Results) -> tuple[Problem, ...]:
    """What checks of the trade say of batches as made, with the pH, yield value and viscosity read of them."""
    levels = results.levels()
    values = {}
    for response in study.fitted_responses:
        if response.kind == "number" and len(levels):
            seen, _ = observed(study, results, response)
            exact = seen[seen["bound"] == "none"] if "bound" in seen else seen
            values[response.name] = exact["value"].reindex(levels.index).to_numpy(dtype=float)
    given = TradeChecks(study).given(values, "measured")
    found = trial_findings(study, levels, given) if len(levels) else ()
    return tuple(finding for finding in found if finding.code in _WITH_READINGS and finding.level != "inform")
