"""Simultaneous intervals: of all terms of a fit, of its mean everywhere, of all responses of one recipe.

A 95 % interval by itself misses once in twenty; of twenty that are read side by side one misses as a rule. Terms of one
fit have estimates that follow a multivariate t law, so that one factor for all of them is exact (Hahn & Hendrickson
1971, Biometrika 58, 323-332, for uncorrelated ones; here with the correlations of the fit). Where each term has degrees
of freedom of its own the error is shared out evenly (Bonferroni). The mean at every recipe at once takes Scheffé's
factor (Working & Hotelling 1929, J. Am. Statist. Assoc. 24 suppl., 73-85; Scheffé 1953, Biometrika 40, 87-104).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import sqrt
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import stats

from doe.problems import Unavailable
from optimise.models.fitted import FittedModel
from optimise.statistics.multivariate_t import joint_factor, two_sided_factor

Array = npt.NDArray[np.float64]

LEVEL = 0.95  # with which all intervals hold at once


@dataclass(frozen=True, slots=True, eq=False)
class SimultaneousLimits:
    """Limits by term that hold for all terms at once with 95 %, on the model scale; `method` names how.

    `factor` times a standard error is half their width, where `alone` times it is that of one term by itself (both None
    where they differ from term to term); `everywhere` is the factor for the mean at every recipe at once (Scheffé).
    `planned`: estimates and errors are those of the full planned model, so that the limits hold whatever was chosen;
    otherwise those of the fit itself, as if its terms had been fixed beforehand.
    """

    method: str
    terms: Mapping[str, tuple[float, float]]
    factor: float | None
    everywhere: float | Unavailable
    alone: float | None = None
    planned: bool = False

    def to_dict(self) -> dict[str, Any]:
        """The form of `together` in `fit --json`."""
        none = Unavailable("each term has degrees of freedom of its own", "read the limits of the terms").to_dict()
        far = self.everywhere
        return {
            "level": LEVEL,
            "method": self.method,
            "model": "planned" if self.planned else "fitted",
            "factor": none if self.factor is None else self.factor,
            "alone": none if self.alone is None else self.alone,
            "terms": {name: list(ends) for name, ends in self.terms.items()},
            "everywhere": far.to_dict() if isinstance(far, Unavailable) else far,
        }


def simultaneous_limits(model: FittedModel) -> SimultaneousLimits | Unavailable:
    """The limits of a fit's terms that hold for all of them at once, or why there are none."""
    if isinstance(model.covariance, Unavailable):
        return model.covariance
    rows = model.terms.iloc[: len(model.covariance)]
    if not len(rows):
        return Unavailable("the fit has no terms", "nothing to do")
    df = np.array([value if isinstance(value, int | float) else np.inf for value in rows["df"]], dtype=float)
    estimate, se = (rows[name].to_numpy(dtype=float) for name in ("estimate", "se"))
    plain = model.core is not None and model.core.other is None
    return limits_of_terms(list(rows["term"]), estimate, se, df, model.covariance, exact=plain)


def limits_of_terms(
    names: list[str], estimate: Array, se: Array, df: Array, covariance: Array, exact: bool = True
) -> SimultaneousLimits:
    """Limits for p terms at once: `estimate`, `se`, `df` (p,) (infinite: normal law), `covariance` (p, p).

    `exact` is False where the estimates follow such a law in large samples only.
    """
    p = len(names)
    if p and np.all(df == df[0]):
        size = np.sqrt(np.diag(covariance))
        factor = joint_factor(covariance / np.outer(size, size), float(df[0]), LEVEL)
        law = "multivariate t law" if np.isfinite(df[0]) else "multivariate normal law"
        named = f"for all {p} terms at once, by the {law}" if p > 1 else "for the only term"
        half, method = factor * se, f"exact {named}" if exact else named
        wide = stats.f.isf(1 - LEVEL, p, df[0]) if np.isfinite(df[0]) else stats.chi2.isf(1 - LEVEL, p) / p
        everywhere: float | Unavailable = sqrt(p * float(wide))
        alone: float | None = two_sided_factor(float(df[0]), 1 - LEVEL)
    else:
        tail = (1 - LEVEL) / (2 * max(p, 1))
        half, factor, alone = se * stats.t.isf(tail, df), None, None
        method = f"for all {p} terms at once, the error shared out evenly (Bonferroni)"
        everywhere = Unavailable("batches share whole plots or blocks", "read the limits of single means")
    ends = {name: (float(b - h), float(b + h)) for name, b, h in zip(names, estimate, half, strict=True)}
    return SimultaneousLimits(method, ends, factor, everywhere, alone)


def shared_level(responses: int) -> float:
    """The level of each of several intervals that together hold at least 0.95, however they hang together.

    Bonferroni: the error is shared out evenly.
    """
    return 1 - (1 - LEVEL) / max(responses, 1)
