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
    by `push` and `curl` (m, n, q). Rows of `pairs` (1 + q, d d) are turn'turn and the products of each way with itself.
    """

    away: Array
    rise: Array
    twist: Array
    ways: Array
    push: Array
    curl: Array
    pairs: Array

    def slopes(self, bells: Array, curves: Array) -> Array:
        """Slopes (m, c, d) of sums with weights (c, n), or (m, c, n)."""
        slopes: Array = (bells * self.rise[:, None]) @ self.away + (curves @ self.push) @ self.ways
        return slopes

    def bends(self, bells: Array, curves: Array) -> Array:
        """Second derivatives (m, c, d, d) of sums with weights (c, n), or (m, c, n)."""
        d, away = self.away.shape[2], self.away[:, None]
        by_axis = (curves @ self.curl) @ self.pairs[1:]
        bends: Array = by_axis.reshape(*by_axis.shape[:2], d, d)
        bends += ((bells * self.rise[:, None]).sum(axis=2)[:, :, None] * self.pairs[0]).reshape(bends.shape)
        bends += ((bells * self.twist[:, None])[..., None] * away).transpose(0, 1, 3, 2) @ away
        return bends


@dataclass(frozen=True, slots=True, eq=False)
class Around:
    """Known places (n, D) as seen from places z = start + turn u of a plane, u (d,).

    `dots` (n,) and `turned` (n, d) are the inner products with start and turn, `seen` (n, d) those of the offsets from
    known places to start with turn and `far` (n,) their squared lengths, `off` (n, q) the offsets along the axes;
    `ways` (q, d) and `pairs` as in `Bends`.
    """

    dots: Array
    turned: Array
    seen: Array
    far: Array
    off: Array
    ways: Array
    pairs: Array

    @classmethod
    def of(cls, known: Array, axes: Array, start: Array, turn: Array) -> Around:
        """Places `known` (n, D) with curves along `axes` (q, D), seen from start (D,) + turn (D, d) u."""
        apart, ways, d = start - known, axes @ turn, turn.shape[1]
        squares = (ways[:, :, None] * ways[:, None, :]).reshape(len(ways), d * d)
        pairs = np.concatenate([(turn.T @ turn).reshape(1, d * d), squares])
        far = (apart * apart).sum(axis=1)
        return cls(known @ start, known @ turn, apart @ turn, far, apart @ axes.T, ways, pairs)

    def inner(self, U: Array) -> Array:
        """The inner products of places at U (m, d) with the known ones, (m, n)."""
        dots: Array = self.dots + U @ self.turned.T
        return dots

    def kernels(self, U: Array) -> tuple[Array, Array]:
        """Bells and curves at places U (m, d), each (m, n)."""
        each = bell(self._apart(U)[0])
        return each[..., 0], each[..., 1:].sum(axis=2) / max(len(self.ways), 1)

    def with_bends(self, U: Array) -> tuple[Array, Array, Bends]:
        """Bells and curves at places U (m, d), each (m, n), and how they change with u to the second derivatives."""
        a, away, offset = self._apart(U)
        q = max(len(self.ways), 1)
        a *= ROOT
        fall = np.exp(-a)
        square = a * a
        square *= fall
        a *= fall
        a += fall
        values = square / 3
        values += a
        curl = 5 / (3 * q) * (square[..., 1:] - a[..., 1:])
        push = -5 / (3 * q) * a[..., 1:] * offset
        change = Bends(away, -5 / 3 * a[..., 0], 25 / 3 * fall[..., 0], self.ways, push, curl, self.pairs)
        return values[..., 0], values[..., 1:].sum(axis=2) / q, change

    def _apart(self, U: Array) -> tuple[Array, Array, Array]:
        """Distances, and those along the axes behind them, (m, n, 1 + q), offsets by u (m, n, d) and axes (m, n, q)."""
        d = U.shape[1]
        ahead = U @ self.pairs[0].reshape(d, d)
        away, offset = ahead[:, None] + self.seen, (U @ self.ways.T)[:, None] + self.off
        apart = np.empty((*offset.shape[:2], 1 + offset.shape[2]))
        square = self.far + 2 * (U @ self.seen.T) + (ahead * U).sum(axis=1)[:, None]
        np.sqrt(np.maximum(square, 0.0), out=apart[..., 0])
        np.abs(offset, out=apart[..., 1:])
        return apart, away, offset


def along(z: Array, known: Array, axes: Array) -> Array:
    """Offsets of places z (m, d) from `known` (n, d) along axes (q, d), (q, m, n)."""
    return (axes @ z.T)[:, :, None] - (axes @ known.T)[:, None, :]


def _distance(z: Array, known: Array) -> Array:
    apart = z[:, None, :] - known[None, :, :]
    return np.asarray(np.sqrt((apart * apart).sum(axis=2)), dtype=float)
