"""Bells and curves of the batches near many places: values, slopes, bends, and what can lie beyond.

With a = √5 r of `kernels`, M'/r = -5/3 (1 + a) e^-a; along any line the second derivative of a bell is between that and
5/3 (a² - a - 1) e^-a, which it is along an axis, and the third is at most 5√5/3 times `_third`, or `_third_along` an
axis.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from optimise.statistics.kernels import ROOT, along, bell

Array = npt.NDArray[np.float64]

BEND, _BEYOND = 5 / 3, 5 / 3 * ROOT
_WIDER = 1 + 1e-12


@dataclass(frozen=True, slots=True, eq=False)
class Cloud:
    """Bells, or curves, of m batches near n places: values (n, m), slopes, bends and cubic parts side by side.

    These are `turned` (n, m, d + d d + q): of curves, how far the cubic part along each axis goes over the box; of
    bells there is none. `third` (n, m) bounds what lies beyond the bend, `fourth` (n, m) what lies beyond the cubic
    part; `fall` (n,) is by how much they fall over the box from their top at most, `dip` (n,) bounds that by the bend
    at the top.
    """

    value: Array
    turned: Array
    third: Array
    fourth: Array
    fall: Array
    dip: Array
    dimension: int

    def sums(self, weights: Array) -> tuple[Array, Array, Array]:
        """Slopes (n, c, d), bends (n, c, d, d) of sums over the batches with weights (c, m), or (n, c, m), and bounds
        (n, c) of what lies beyond.
        """
        d = self.dimension
        found, size = weights @ self.turned, np.abs(weights)
        beyond = (size @ self.third[:, :, None])[:, :, 0]
        if found.shape[2] > d + d * d:
            cubic = np.abs(found[:, :, d + d * d :]).sum(axis=2)
            beyond = np.minimum(beyond, cubic + (size @ self.fourth[:, :, None])[:, :, 0])
        return found[:, :, :d], found[:, :, d : d + d * d].reshape(*beyond.shape, d, d), beyond


def bells(z: Array, known: Array, turn: Array, w: Array) -> Cloud:
    """Of the batches `known` (m, D) near places z (n, D), with z = ... + turn t and |t| <= w (n, d)."""
    (n, d), m = w.shape, len(known)
    apart = z[:, None, :] - known
    a = ROOT * np.sqrt((apart * apart).sum(axis=2))
    down = np.exp(-a)
    pull, twist = -BEND * (1 + a) * down, 5 * BEND * down
    offset = (z @ turn)[:, None, :] - known @ turn
    bend = pull[:, :, None, None] * (turn.T @ turn)
    bend += twist[:, :, None, None] * (offset[:, :, :, None] * offset[:, :, None, :])
    turned = np.concatenate([pull[:, :, None] * offset, bend.reshape(n, m, d * d)], axis=2)
    radius = np.linalg.norm(w @ np.abs(turn).T, axis=1)
    third = radius[:, None] ** 3 / 6 * _BEYOND * _third(np.maximum(a - ROOT * _WIDER * radius[:, None], 0.0))
    return Cloud((1 + a + a * a / 3) * down, turned, third, third, 1 - bell(radius), BEND / 2 * radius**2, d)


def curves(z: Array, known: Array, axes: Array, turn: Array, w: Array) -> Cloud:
    """The same of curves along `axes` (q, D)."""
    (n, d), (q, m), ways = w.shape, (len(axes), len(known)), axes @ turn
    offset = along(z, known, axes)
    a = ROOT * np.abs(offset)
    down = np.exp(-a) / q
    slope = (-BEND * (1 + a) * down * offset).reshape(q, n * m)
    bend = (BEND * (a * a - a - 1) * down).reshape(q, n * m)
    pairs = (ways[:, :, None] * ways[:, None, :]).reshape(q, d * d)
    radius = np.abs(ways) @ w.T
    near = np.maximum(a - ROOT * _WIDER * radius[:, :, None], 0.0)
    cube = radius[:, :, None] ** 3 / 6 * _BEYOND
    third = (cube * _third_along(near)).mean(axis=0)
    fourth = (cube * radius[:, :, None] / 4 * ROOT * _fourth_along(near)).mean(axis=0)
    cubic = (cube * a * (3 - a) * down * np.sign(offset)).reshape(q, n * m)
    turned = np.concatenate([slope.T @ ways, bend.T @ pairs, cubic.T], axis=1).reshape(n, m, d + d * d + q)
    value = ((1 + a + a * a / 3) * down).sum(axis=0)
    return Cloud(value, turned, third, fourth, 1 - bell(radius).mean(axis=0), BEND / 2 * (radius**2).mean(axis=0), d)


_TURN, _LATE = (5 - np.sqrt(13)) / 2, (5 + np.sqrt(13)) / 2


def _third(a: Array) -> Array:
    """The greatest from a on of a e^-a max |3x - a x³| over |x| <= 1: at the ends, or at x² = 1/a, 2 √a e^-a.

    The latter falls from a = 1 on, and is less than that at the ends before.
    """
    inner = np.where(a >= 1, 2 * np.sqrt(a) * np.exp(-a), 0.0)
    return np.asarray(np.maximum(_third_along(a), inner), dtype=float)


def _third_along(a: Array) -> Array:
    """The greatest from a on of a |3 - a| e^-a, which turns at (5 ± √13) / 2."""
    least = np.maximum(a, _TURN)
    late = np.where(a <= _LATE, _LATE * (_LATE - 3) * np.exp(-_LATE), 0.0)
    return np.asarray(np.maximum(least * np.abs(3 - least) * np.exp(-least), late), dtype=float)


_LOW, _HIGH = (7 - np.sqrt(17)) / 2, (7 + np.sqrt(17)) / 2


def _fourth_along(a: Array) -> Array:
    """The greatest from a on of |3 - 5a + a²| e^-a, which turns at (7 ± √17) / 2."""
    here, low, high = (np.abs(3 - 5 * x + x * x) * np.exp(-x) for x in (a, _LOW, _HIGH))
    later = np.where(a <= _LOW, low, np.where(a <= _HIGH, high, 0.0))
    return np.asarray(np.maximum(here, later), dtype=float)
