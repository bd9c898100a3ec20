"""The fence of what was tried: prediction variance under the planned model no higher than at some trial."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from doe.problems import StudyError, Unavailable
from doe.region.region import Region
from doe.region.widening import widened
from doe.search.spaces import layout
from doe.terms.codings import Coding
from doe.terms.terms import Terms

Array = npt.NDArray[np.float64]
Chosen = Mapping[str, npt.NDArray[Any]]

_SINGULAR = 1e-9  # the least over the greatest size of a pivot

NO_FENCE = Unavailable("the trials carry no model", "make more trials")
_HAIR = 1e-9  # of the leverage allowed: what rounding may put beyond it


@dataclass(frozen=True, slots=True, eq=False)
class Fence:
    """Leverage f(x)' (F'F + R)^-1 f(x) under `terms`, and its highest value `limit` over the trials that were made.

    `terms` are the planned ones. Where the recipes made carry them all, R is 0; where they do not, or where some were
    only potential to the plan, R is the prior of these, as the plan had it. With too few recipes for that the
    first-order ones are left (`reduced`). `prior` (m, p) are rows whose squares add up to R, as if trials had given it.
    """

    terms: Terms
    coding: Coding
    unscaled: Array
    limit: float
    reduced: bool
    prior: Array

    @classmethod
    def build(
        cls, terms: Terms, region: Region, X: Array, chosen: Chosen, recipes: Sequence[str] | None = None
    ) -> Fence | None:
        """The fence of trials X (n, k) in the order of `region.names`; None where they carry not even a plane.

        `recipes` (n,) name the recipe of each: batches of one recipe differ only by how they were weighed, and what
        rests on that alone is not carried. Without it each row is a recipe. Limits that moved since do not count: a
        potential term is held by what it does over all that was tried, also where an ingredient is withdrawn by now.
        """
        region = widened(region, X)
        coding = terms.fitting_coding(region)
        distinct = len(X) if recipes is None else len(set(recipes))
        whole = all(terms.sure)
        if whole and len(terms) <= distinct:
            rows = terms.rows(X, chosen, coding)
            if _carried(rows):
                return cls._of(terms, coding, rows, np.eye(rows.shape[1]), np.zeros(rows.shape[1]), False)
        sure = terms.first_order if whole else terms.sure
        if not all(sure) and 0 < sum(sure) <= distinct and _carried(terms.only(sure).rows(X, chosen, coding)):
            with suppress(StudyError):
                plan = layout(region, replace(terms, sure=tuple(sure)))
                rows = terms.rows(X, chosen, coding)
                return cls._of(terms, coding, rows, plan.basis, np.diag(plan.prior), False)
        for flags in (terms.sure, terms.first_order):
            tried = terms.only(flags)
            rows = tried.rows(X, chosen, coding)
            if 0 < rows.shape[1] <= distinct and _carried(rows):
                none = np.zeros(rows.shape[1])
                return cls._of(tried, coding, rows, np.eye(len(none)), none, len(tried) < len(terms))
        return None

    @classmethod
    def _of(cls, terms: Terms, coding: Coding, rows: Array, basis: Array, prior: Array, reduced: bool) -> Fence:
        """From model rows (n, p), and a prior precision (p,) of the terms of `basis` (p, p)."""
        turned = rows @ basis
        held = np.diag(np.sqrt(prior))[prior > 0]
        q, r = np.linalg.qr(np.vstack([turned, held]))
        inverse = basis @ np.linalg.inv(r)
        unscaled = inverse @ inverse.T
        unscaled.setflags(write=False)
        limit = float((q[: len(rows)] ** 2).sum(axis=1).max())
        return cls(terms, coding, unscaled, limit, reduced, np.linalg.solve(basis.T, held.T).T)

    def leverage(self, X: Array, chosen: Chosen) -> Array:
        """Leverage at levels X (n, k), (n,): variance of the mean in units of the batch variance."""
        rows = self.terms.rows(X, chosen, self.coding)
        return np.asarray(((rows @ self.unscaled) * rows).sum(axis=1), dtype=float)

    def with_slopes(self, X: Array, chosen: Chosen) -> tuple[Array, Array]:
        """Leverage (n,) and its derivatives by the levels, (n, k)."""
        rows, gradient = self.terms.with_gradient(X, chosen, self.coding)
        pushed = rows @ self.unscaled
        return (pushed * rows).sum(axis=1), 2 * (pushed[:, None, :] @ gradient)[:, 0, :]

    def inside(self, X: Array, chosen: Chosen, hair: float = _HAIR) -> npt.NDArray[np.bool_]:
        """Whether each recipe is predicted no worse than some trial was, but for a `hair` of its leverage, (n,)."""
        return np.asarray(self.leverage(X, chosen) <= self.limit * (1 + hair), dtype=bool)

    def inside_once(self, made: Array, rows: Array) -> npt.NDArray[np.bool_]:
        """Whether recipes of model rows (n, p) are inside once the trials of model rows `made` (m, p) all are made."""
        q, r = np.linalg.qr(np.vstack([made, self.prior]))
        limit = float((q[: len(made)] ** 2).sum(axis=1).max())
        half = np.linalg.solve(r.T, rows.T)
        return np.asarray((half * half).sum(axis=0) <= limit * (1 + _HAIR), dtype=bool)


def _carried(rows: Array) -> bool:
    """Whether model rows (n, p) tell all their terms apart."""
    if len(rows) < rows.shape[1]:
        return False
    size = np.abs(np.diag(np.linalg.qr(rows, mode="r")))
    return bool(size.min() > _SINGULAR * size.max())
