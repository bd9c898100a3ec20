"""Canonical analysis of a fitted quadratic: where its slope is nil, and whether that is a top, a bottom or a saddle.

Box & Wilson (1951) J. R. Stat. Soc. B 13, 1-45; notation as in the NIST/SEMATECH e-Handbook, 5.5.3.1.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from doe.problems import Unavailable
from optimise.statistics.leastsq import Array

Kind = Literal["maximum", "minimum", "saddle", "ridge"]
_FLAT = 0.05  # an eigenvalue below this share of the largest leaves its direction open: common practice, no source


@dataclass(frozen=True, slots=True)
class Canonical:
    """c + g'u + u'Hu/2 about its stationary point: `place` (d,), eigenvalues of H/2 (largest first), axes, value."""

    place: Array
    kind: Kind
    eigenvalues: Array
    axes: Array
    value: float


def quadratic_of(surface: Callable[[Array], Array], dimension: int) -> tuple[float, Array, Array] | None:
    """Constant, gradient (d,) and Hessian (d, d) of a quadratic `surface`: (n, d) -> (n,); None where it is not one.

    Read off at the points 0, +-e_i, e_i + e_j, and tried at points that were not used.
    """
    eye = np.eye(dimension)
    pairs = [(i, j) for i in range(dimension) for j in range(i + 1, dimension)]
    between = np.array([eye[i] + eye[j] for i, j in pairs]).reshape(-1, dimension)
    values = surface(np.vstack([np.zeros((1, dimension)), eye, -eye, between]))
    c, plus, minus, both = (
        values[0],
        values[1 : dimension + 1],
        values[dimension + 1 : 2 * dimension + 1],
        values,
    )
    both = values[2 * dimension + 1 :]
    gradient = (plus - minus) / 2
    hessian = np.diag(plus + minus - 2 * c)
    for (i, j), value in zip(pairs, both, strict=True):
        hessian[i, j] = hessian[j, i] = value - plus[i] - plus[j] + c
    trial = np.vstack([np.full((1, dimension), 0.7), -0.6 * np.cos(np.arange(dimension))[None, :], 2 * eye, -2 * eye])
    expected = c + trial @ gradient + 0.5 * np.einsum("ni,ij,nj->n", trial, hessian, trial)
    size = float(np.max(np.abs(values))) or 1.0
    if np.max(np.abs(surface(trial) - expected)) > 1e-6 * size:
        return None
    return float(c), gradient, hessian


def canonical(constant: float, gradient: Array, hessian: Array) -> Canonical | Unavailable:
    """Stationary point of constant + g'u + u'Hu/2, g (d,), H (d, d); eigenvalues of H/2 as is published."""
    half = hessian / 2
    values, axes = np.linalg.eigh(half)
    order = np.argsort(-values, kind="stable")
    values, axes = values[order], axes[:, order]
    largest = float(np.max(np.abs(values), initial=0.0))
    steepest = float(np.max(np.abs(gradient), initial=0.0))
    if largest == 0 or largest < 1e-9 * max(steepest, abs(constant)):
        return Unavailable(
            "the model is flat or straight: it has no curvature",
            "plan for squares and products if a top or bottom is sought",
        )
    if np.min(np.abs(values)) < 1e-9 * largest:
        return Unavailable(
            "the fitted surface is exactly straight along one direction, so it has no single such point",
            "look at the effects along directions; a model with squares of every factor has a stationary point",
        )
    place = np.asarray(np.linalg.solve(half, -gradient / 2), dtype=float)
    value = constant + float(gradient @ place) / 2
    kind: Kind = "saddle"
    if np.min(np.abs(values)) < _FLAT * largest:
        kind = "ridge"
    elif (values < 0).all():
        kind = "maximum"
    elif (values > 0).all():
        kind = "minimum"
    return Canonical(place=place, kind=kind, eigenvalues=values, axes=axes, value=value)
