"""How far one may go within limits A x <= b: in one polytope, or in that of each combination of levels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Indices = npt.NDArray[np.intp]

EDGE = 1e-12  # a rate or an excess that is rounding


def inside(A: Array, b: Array, X: Array, tolerance: float) -> Flags:
    """Whether each point X (..., k) meets every limit A x <= b, to `tolerance` of the limit's own size, (...)."""
    size = np.abs(A).max(axis=1, initial=1.0)
    met: Flags = (X @ A.T - b <= tolerance * np.maximum(size, np.abs(b))).all(axis=-1)
    return met


def ranges(A: Array, b: Array, X: Array, U: Array) -> tuple[Array, Array]:
    """How far one may go from X (..., k) along U (..., k): (least, greatest) step, 0 inside the reach."""
    slack = np.maximum(b - X @ A.T, 0.0)
    rate = U @ A.T
    size = np.maximum(np.abs(rate).max(axis=-1, keepdims=True, initial=0.0), 1e-300)
    up, down = rate > EDGE * size, rate < -EDGE * size
    step = slack / np.where(up | down, rate, 1.0)
    high = np.where(up, step, np.inf).min(axis=-1, initial=np.inf)
    low = np.where(down, step, -np.inf).max(axis=-1, initial=-np.inf)
    return np.where(np.isfinite(low), low, 0.0), np.where(np.isfinite(high), high, 0.0)


@dataclass(frozen=True, slots=True, eq=False)
class Room:
    """Limits A x <= b, A (m, k), b (m,); the box low..high (k,) around what they leave and a point `centre` (k,) in it.

    A flat piece has its equalities as two rows each.
    """

    A: Array
    b: Array
    low: Array
    high: Array
    centre: Array

    def entered(self, X: Array) -> Array:
        """Points X (n, k) brought within: each level into its reach first, then towards the centre as far as needed."""
        near = np.clip(X, self.low, self.high)
        over, room = near @ self.A.T - self.b, self.b - self.A @ self.centre
        share = np.where(over > EDGE, over / np.maximum(over + np.maximum(room, 0.0), 1e-300), 0.0)
        share = share.max(axis=1, initial=0.0)
        within: Array = near + np.minimum(share, 1.0)[:, None] * (self.centre - near)
        return within


@dataclass(frozen=True, slots=True, eq=False)
class Rooms:
    """The room at each combination of category levels: its number in `which` (one axis a category), -1 where none."""

    rooms: tuple[Room, ...]
    which: Indices

    def at(self, C: Indices) -> Indices:
        """The number of the room at each combination of level indices C (n, c), -1 where nothing is possible."""
        return np.asarray(self.which[tuple(C.T)], dtype=np.intp)

    def inside(self, X: Array, C: Indices, tolerance: float) -> Flags:
        """Whether each point X (..., k) at level indices C (..., c) meets the limits that hold there, (...)."""
        out = np.zeros(X.shape[:-1], dtype=bool)
        here = self.at(C.reshape(-1, C.shape[-1])).reshape(C.shape[:-1])
        for i, room in enumerate(self.rooms):
            mine = np.broadcast_to(here == i, out.shape)
            if mine.any():
                out[mine] = inside(room.A, room.b, X[mine], tolerance)
        return out

    def ranges(self, X: Array, U: Array, C: Indices) -> tuple[Array, Array]:
        """How far one may go from X (s, ..., k) along U (s, ..., k) at the levels C (s, c) of each start."""
        low, high = (np.zeros(np.broadcast_shapes(X.shape, U.shape)[:-1]) for _ in range(2))
        here = self.at(C)
        for i, room in enumerate(self.rooms):
            mine = here == i
            if mine.any():
                low[mine], high[mine] = ranges(room.A, room.b, X[mine], U[mine])
        return low, high

    def entered(self, X: Array, C: Indices) -> Array:
        """Points X (n, k) brought within the room at C (n, c); as they are where there is none."""
        out, here = X.copy(), self.at(C)
        for i, room in enumerate(self.rooms):
            if (here == i).any():
                out[here == i] = room.entered(X[here == i])
        return out
