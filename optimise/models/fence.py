"""The fence of what was tried: prediction variance under the planned model no higher than at some trial."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from doe.region.region import Region
from doe.terms.codings import Coding
from doe.terms.terms import Terms

Array = npt.NDArray[np.float64]
Chosen = Mapping[str, npt.NDArray[Any]]

_SINGULAR = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class Fence:
    """Leverage f(x)' (F'F)^-1 f(x) under `terms`, and its highest value `limit` over the trials that were made.

    `terms` are the planned ones, or its first-order ones where the trials do not carry the plan (`reduced`).
    """

    terms: Terms
    coding: Coding
    unscaled: Array
    limit: float
    reduced: bool

    @classmethod
    def build(cls, terms: Terms, region: Region, X: Array, chosen: Chosen) -> Fence | None:
        """The fence of trials X (n, k) in the order of `region.names`; None where they carry not even a plane."""
        coding = terms.fitting_coding(region)
        for tried, reduced in ((terms, False), (terms.only(terms.sure), True), (terms.only(terms.first_order), True)):
            rows = tried.rows(X, chosen, coding)
            if not 0 < rows.shape[1] <= len(rows):
                continue
            q, r = np.linalg.qr(rows)
            if np.abs(np.diag(r)).min() <= _SINGULAR * np.abs(np.diag(r)).max():
                continue
            inverse = np.linalg.inv(r)
            unscaled = inverse @ inverse.T
            unscaled.setflags(write=False)
            return cls(tried, coding, unscaled, float((q * q).sum(axis=1).max()), reduced and len(tried) < len(terms))
        return None

    def leverage(self, X: Array, chosen: Chosen) -> Array:
        """Leverage at levels X (n, k), (n,): variance of the mean in units of the batch variance."""
        rows = self.terms.rows(X, chosen, self.coding)
        return np.asarray(((rows @ self.unscaled) * rows).sum(axis=1), dtype=float)

    def with_slopes(self, X: Array, chosen: Chosen) -> tuple[Array, Array]:
        """Leverage (n,) and its derivatives by the levels, (n, k)."""
        rows, gradient = self.terms.with_gradient(X, chosen, self.coding)
        pushed = rows @ self.unscaled
        return (pushed * rows).sum(axis=1), 2 * (pushed[:, None, :] @ gradient)[:, 0, :]

    def inside(self, X: Array, chosen: Chosen) -> npt.NDArray[np.bool_]:
        """Whether each recipe is predicted no worse than some trial was, (n,)."""
        return np.asarray(self.leverage(X, chosen) <= self.limit * (1 + 1e-9), dtype=bool)
