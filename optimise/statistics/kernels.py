"""What the averaged posterior holds together by: kernels between places, and how they change with the places.

A bell is the Matern kernel of order 5/2 and length 1 (Rasmussen & Williams 2006, Gaussian Processes for Machine
Learning, eq. 4.17): M(r) = (1 + a + a²/3) e^-a with a = √5 r. `bells` are those of the distances in all coordinates z,
`curves` the mean over some axes of those of the distances along each: a sum of functions of one ingredient each.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

ROOT = float(np.sqrt(5.0))


def bell(r: Array) -> Array:
    """M(r) of distances of any shape, in that shape."""
    a = ROOT * r
    out: Array = (1 + a + a * a / 3) * np.exp(-a)
    return out


def bell_and_pull(r: Array) -> tuple[Array, Array]:
    """M(r) of distances of any shape, and (dM/dr) / r, finite at r = 0; each in that shape."""
    a = ROOT * r
    fall = np.exp(-a)
    pull = (1 + a) * fall
    a *= a
    a *= fall
    a /= 3
    a += pull
    pull *= -5 / 3
    return a, pull


@dataclass(frozen=True, slots=True, eq=False)
class Kernels:
    """Of places z (m, d) and known ones (n, d): inner products, bells and curves, each (m, n)."""

    dots: Array
    bells: Array
    curves: Array

    def mixed(self, shares: Array) -> Array:
        """Sums (c, m, n) of dots, dots², bells and curves with shares (c, 4)."""
        parts = np.stack([self.dots, self.dots**2, self.bells, self.curves])
        return np.asarray((shares @ parts.reshape(4, -1)).reshape(-1, *self.dots.shape), dtype=float)


def kernels(z: Array, known: Array, axes: Array) -> Kernels:
    """The kernels between places z (m, d) and `known` (n, d), with curves along `axes` (q, d), of length 1 each."""
    curves = bell(np.abs(along(z, known, axes))).mean(axis=0)
    return Kernels(z @ known.T, bell(_distance(z, known)), curves)


@dataclass(frozen=True, slots=True, eq=False)
class Slopes:
    """How bells and curves change with the places z (m, d): the bell of a known place by `pull` (m, n) times the offset
    from it, the curve along axis j, the mean taken, by `push` (q, m, n) times that axis.
    """

    z: Array
    known: Array
    axes: Array
    pull: Array
    push: Array

    def of(self, straight: Array, bells: Array, curves: Array) -> Array:
        """Slopes (m, c, d) of c sums over the known places of weights (c, m, n) times dots, bells and curves."""
        bend = bells * self.pull
        slope = (straight - bend) @ self.known
        slope += bend.sum(axis=2)[:, :, None] * self.z
        return slope.transpose(1, 0, 2) + self.along(curves)

    def along(self, weights: Array) -> Array:
        """Slopes (m, c, d) of c sums over the known places of weights (c, m, n) times curves."""
        return (weights.transpose(1, 0, 2) @ self.push.transpose(1, 2, 0)) @ self.axes


def kernels_with_slopes(z: Array, known: Array, axes: Array) -> tuple[Kernels, Slopes]:
    """`kernels` (m, n) of places z (m, d) and known ones (n, d) along axes (q, d), and how they change with z."""
    offset = along(z, known, axes)
    each, push = bell_and_pull(np.abs(offset))
    push *= offset
    push /= len(axes)
    bells, pull = bell_and_pull(_distance(z, known))
    return Kernels(z @ known.T, bells, each.mean(axis=0)), Slopes(z, known, axes, pull, push)


@dataclass(frozen=True, slots=True, eq=False)
class Bends:
    """How bells and curves change with coordinates u at m places, where dz = turn du: as `away` (m, n, d), the offset
    from each known place by u, times `rise` (m, n), and by `twist` (m, n) twice; along `ways` (q, d), the axes by u,
    by `push` and `curl` (m, n, q); `flat` (d, d) is turn'turn.
    """

    away: Array
    rise: Array
    twist: Array
    ways: Array
    push: Array
    curl: Array
    flat: Array

    def moves(self) -> tuple[Array, Array]:
        """Slopes by u of each bell and each curve, (m, n, d)."""
        return self.rise[..., None] * self.away, self.push @ self.ways

    def slopes(self, bells: Array, curves: Array) -> Array:
        """Slopes (m, c, d) of sums with weights (c, n), or (m, c, n)."""
        slopes: Array = (bells * self.rise[:, None]) @ self.away + (curves @ self.push) @ self.ways
        return slopes

    def bends(self, bells: Array, curves: Array) -> Array:
        """Second derivatives (m, c, d, d) of sums with weights (c, n), or (m, c, n)."""
        d, away = self.flat.shape[0], self.away[:, None]
        pairs = (self.ways[:, :, None] * self.ways[:, None, :]).reshape(-1, d * d)
        by_axis = (curves @ self.curl) @ pairs
        bends: Array = by_axis.reshape(*by_axis.shape[:2], d, d)
        bends += (bells * self.rise[:, None]).sum(axis=2)[:, :, None, None] * self.flat
        bends += ((bells * self.twist[:, None])[..., None] * away).transpose(0, 1, 3, 2) @ away
        return bends


def kernels_with_bends(z: Array, known: Array, axes: Array, turn: Array) -> tuple[Kernels, Bends]:
    """`kernels` at places z (m, D) and how they change with u, dz = turn du (D, d), to the second derivatives."""
    apart, offset, q = z[:, None, :] - known[None, :, :], along(z, known, axes).transpose(1, 2, 0), len(axes)
    a = ROOT * np.sqrt((apart * apart).sum(axis=2))
    fall = np.exp(-a)
    rise = (1 + a) * fall
    bells, twist = rise + a * a / 3 * fall, 25 / 3 * fall
    a = ROOT * np.abs(offset)
    fall = np.exp(-a)
    steep = (1 + a) * fall
    square = a * a * fall
    near = Kernels(z @ known.T, bells, (steep + square / 3).mean(axis=2))
    push, curl = -5 / (3 * q) * steep * offset, 5 / (3 * q) * (square - steep)
    return near, Bends(apart @ turn, -5 / 3 * rise, twist, axes @ turn, push, curl, turn.T @ turn)


def along(z: Array, known: Array, axes: Array) -> Array:
    """Offsets of places z (m, d) from `known` (n, d) along axes (q, d), (q, m, n)."""
    return (axes @ z.T)[:, :, None] - (axes @ known.T)[:, None, :]


def _distance(z: Array, known: Array) -> Array:
    apart = z[:, None, :] - known[None, :, :]
    return np.asarray(np.sqrt((apart * apart).sum(axis=2)), dtype=float)
