"""The Matern kernel of order 5/2, by distances, and how it falls."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


def matern(r: Array, length: float | Array) -> Array:
    """Matern kernel of order 5/2 (Rasmussen & Williams 2006, Gaussian Processes for Machine Learning, eq. 4.17)."""
    a = np.sqrt(5.0) * r / length
    out: Array = (1 + a + a * a / 3) * np.exp(-a)
    return out


def matern_slope(r: Array, length: float | Array) -> Array:
    """(dM/dr) / r, finite at r = 0."""
    a = np.sqrt(5.0) * r / length
    out: Array = -(5.0 / (3 * length**2)) * (1 + a) * np.exp(-a)
    return out


def matern_with_bend(r: Array, length: float | Array) -> tuple[Array, Array, Array]:
    """`matern`, `matern_slope`, and what the latter falls by over r: the derivative of (dM/dr) / r, over r."""
    a = np.sqrt(5.0) / length * r
    bell = np.exp(-a)
    rise = (1 + a) * bell
    return rise + a * a / 3 * bell, -(5.0 / (3 * length**2)) * rise, 25.0 / (3 * length**4) * bell
