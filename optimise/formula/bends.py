"""Numbers over free coordinates with their slopes and second derivatives, as runs uphill ask for them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import reduce
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from doe.terms.codings import Coding
from doe.terms.terms import Terms

Array = npt.NDArray[np.float64]
Slopes = tuple[Array, Array]
Bends = tuple[Array, Array, Array]
Sloped = Callable[[Array], Slopes]
Bent = Callable[[Array], Bends]

_Numbers = TypeVar("_Numbers", Slopes, Bends)

_DIFFERENCE = 1e-5  # in coded units: the step of a second derivative from differences of slopes


@dataclass(frozen=True, slots=True, eq=False)
class Plane:
    """Where free coordinates u (d,) are at one combo of category levels: at levels origin + basis u, (k,)."""

    origin: Array
    basis: Array
    combo: Mapping[str, str]

    def levels(self, U: Array) -> Array:
        """Levels (n, k) at free coordinates U (n, d)."""
        X: Array = self.origin + U @ self.basis.T
        return X

    def chosen(self, n: int) -> dict[str, npt.NDArray[Any]]:
        """The category levels for n recipes."""
        return {name: np.full(n, level, dtype=object) for name, level in self.combo.items()}


def on(plane: Plane, by_levels: Callable[[Array, Mapping[str, npt.NDArray[Any]]], Slopes]) -> Sloped:
    """Numbers (n, m) with slopes (n, m, k) by the levels, at free coordinates of a plane."""

    def sloped(U: Array) -> Slopes:
        values, slopes = by_levels(plane.levels(U), plane.chosen(len(U)))
        return values, slopes @ plane.basis

    return sloped


def by_differences(sloped: Sloped) -> Bent:
    """With second derivatives (n, m, d, d) by differences of the slopes (n, m, d) at places (n, d)."""

    def bent(U: Array) -> Bends:
        n, d = U.shape
        values, slopes = sloped(np.vstack([U, (U[:, None, :] + _DIFFERENCE * np.eye(d)).reshape(-1, d)]))
        change = (slopes[n:].reshape(n, d, -1, d) - slopes[:n, None]).transpose(0, 2, 1, 3)
        return values[:n], slopes[:n], (change + change.transpose(0, 1, 3, 2)) / (2 * _DIFFERENCE)

    return bent


def unbent(sloped: Sloped) -> Bent:
    """Values and slopes (n, m, d), with the second derivatives of none of them, (n, 0, d, d)."""

    def bent(U: Array) -> Bends:
        return *sloped(U), np.zeros((len(U), 0, U.shape[1], U.shape[1]))

    return bent


def one_after_another(parts: Sequence[Callable[[Array], _Numbers]]) -> Callable[[Array], _Numbers]:
    """The numbers of several parts, side by side."""
    return _of_all(parts, lambda every: np.concatenate(every, axis=1))


def added(parts: Sequence[Callable[[Array], _Numbers]]) -> Callable[[Array], _Numbers]:
    """The sum of several parts of the same numbers."""
    return _of_all(parts, lambda every: reduce(np.add, every))


def _of_all(
    parts: Sequence[Callable[[Array], _Numbers]], joined: Callable[[tuple[Array, ...]], Array]
) -> Callable[[Array], _Numbers]:
    if len(parts) == 1:
        return parts[0]

    def all_of_them(U: Array) -> _Numbers:
        every: Any = zip(*(part(U) for part in parts), strict=True)
        found: Any = tuple(joined(one) for one in every)
        numbers: _Numbers = found
        return numbers

    return all_of_them


def in_places(parts: Sequence[tuple[Sequence[int], Bent]]) -> Bent:
    """The numbers of several parts, each in the columns said beside it; these are all there are."""
    order = np.argsort([number for numbers, _ in parts for number in numbers])
    every = one_after_another([part for _, part in parts])
    if (np.diff(order) == 1).all():
        return every

    def bent(U: Array) -> Bends:
        values, slopes, bends = every(U)
        return values[:, order], slopes[:, order], bends[:, order]

    return bent


@dataclass(frozen=True, slots=True, eq=False)
class Quadratics:
    """m quadratics of the free coordinates u: level + slope'u + u'(bend u) / 2; (m,), (m, d), (m, d, d)."""

    level: Array
    slope: Array
    bend: Array

    @classmethod
    def of(cls, terms: Terms, coding: Coding, plane: Plane, weights: Array) -> Quadratics:
        """Sums of model terms of degree 2 at most, with weights (m, p)."""
        X, chosen, basis = plane.origin[None], plane.chosen(1), plane.basis
        rows, gradient = terms.with_gradient(X, chosen, coding)
        k, p = len(basis), rows.shape[1]
        bend = (weights @ terms.hessian(X, chosen, coding)[0].reshape(p, k * k)).reshape(len(weights), k, k)
        return cls(weights @ rows[0], weights @ gradient[0] @ basis, basis.T @ bend @ basis)

    def __call__(self, U: Array) -> Bends:
        """Values (n, m), slopes (n, m, d) and second derivatives (n, m, d, d) at places U (n, d)."""
        m, d = self.slope.shape
        slopes = self.slope + (U @ self.bend.reshape(m * d, d).T).reshape(len(U), m, d)
        values = self.level + ((slopes + self.slope) @ U[:, :, None])[:, :, 0] / 2
        return values, slopes, np.broadcast_to(self.bend, (len(U), m, d, d))
