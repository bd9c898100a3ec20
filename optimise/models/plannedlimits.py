"""Limits of terms that no choice has touched: those of the full planned model, whatever was kept of it.

After a choice by the same batches the standard errors of the terms that were kept are too small: what was kept by luck
looks larger than it is, and what was left out is in the others (Leeb & Pötscher 2005, Econometric Theory 21, 21-59,
from memory). Limits of the model that was planned before any batch was made hold as often as they say over all planned
terms. Over those that were kept they do not: a term is kept because it came out large. Limits that hold for all planned
terms at once hold for whichever of them are read, however these were chosen (Scheffé 1959, The Analysis of Variance,
chapter 3, from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from scipy import stats

from doe.problems import Unavailable
from optimise.models.fitted import FittedModel
from optimise.models.simultaneous import LEVEL, SimultaneousLimits, simultaneous_limits


@dataclass(frozen=True, slots=True, eq=False)
class PlannedLimits:
    """Estimate and 95 % limits of every planned term by name, on the model scale, in the coding of the fit.

    `alike` are the terms that mean the same in the fit as it was chosen: of a term that divides one left out (Gum,
    where Gum² went) the fit tells a slope over all that was tried, the planned model one at a single place.
    """

    terms: Mapping[str, tuple[float, float, float]]
    alike: frozenset[str]

    def to_dict(self) -> dict[str, Any]:
        """The form of `planned_limits` in `fit --json`."""
        return {
            "level": LEVEL,
            "terms": {
                name: {"estimate": b, "limits": [low, high], "alike": name in self.alike}
                for name, (b, low, high) in self.terms.items()
            },
        }


def planned_limits(model: FittedModel, full: FittedModel, count: int) -> PlannedLimits | Unavailable:
    """The limits of all `count` planned terms from `full`, their least-squares fit; or why there are none."""
    if set(model.selection.get("chosen_share") or ()) <= set(model.selection.get("always") or ()):
        return Unavailable("no term was chosen by these batches", "read the standard errors")
    if isinstance(full.covariance, Unavailable) or full is model:
        return Unavailable("the batches leave no error of the full planned model", "make more batches")
    if len(full.covariance) < count:
        return Unavailable(f"{full.n} batches do not carry all {count} planned terms", "make more batches")
    if full.coding != model.coding:
        return Unavailable("the full planned model is shown in another coding", "ask for another coding")
    out = {}
    for row in full.terms.to_dict("records"):
        df = row["df"] if isinstance(row["df"], int | float) else float("inf")
        reach = float(stats.t.isf((1 - LEVEL) / 2, df)) * row["se"]
        out[str(row["term"])] = (float(row["estimate"]), float(row["estimate"] - reach), float(row["estimate"] + reach))
    powers = dict(zip(full.terms["term"], full.terms["powers"], strict=True))
    gone = [powers[name] for name in out if name not in set(model.terms["term"])]
    alike = frozenset(name for name in out if not any(_divides(powers[name], other) for other in gone))
    return PlannedLimits(out, alike)


def simultaneous_planned_limits(full: FittedModel, limits: PlannedLimits) -> SimultaneousLimits | Unavailable:
    """The limits of the terms alike in `limits` that hold for all terms of the planned model `full` at once."""
    found = simultaneous_limits(full)
    if isinstance(found, Unavailable):
        return found
    method = found.method.replace(" terms at once", " planned terms at once")
    terms = {name: ends for name, ends in found.terms.items() if name in limits.alike}
    return replace(found, method=method, terms=terms, planned=True)


def _divides(one: Mapping[str, int], other: Mapping[str, int]) -> bool:
    """Whether a term is a true part of another: 1 of all, Gum of Gum² and of Gum × Wax."""
    return one != other and all(other.get(name, 0) >= power for name, power in one.items())
