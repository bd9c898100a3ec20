"""All runs of a plan moved at once, where single moves have become small: an active-set quasi-Newton method.

Single runs moved in turn go on and on in ever smaller steps, since each has to wait for the others. Here the directions
of all come from one limited-memory approximation of the curvature (Nocedal 1980, Math. Comput. 35, 773-782; from
memory), within the limits each run lies on (Rosen 1960, J. SIAM 8, 181-217; from memory): a run that meets another
limit stays on it, and leaves it again where the criterion pulls it off.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from doe.search.exchange import Criterion, Runs, Space, stacked

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]
Flags = npt.NDArray[np.bool_]

_TOUCH = 1e-9  # room below which a run lies on a limit
_DUST = 1e-10  # a direction that is rounding
_MEMORY = 8  # steps that the curvature is taken from
_STEP = 1e-3  # of central differences, in coded units
_HALVINGS = 6  # of a step that does not gain
_ENOUGH = 1e-7  # a gain below which a plan is left


def polished(space: Space, criterion: Criterion, runs: Runs, held: int, roots: Array, *, steps: int) -> Runs:
    """The plans after at most `steps` steps of all runs but the first `held`; levels of categories stay.

    `roots` (n,) is the square root of how often each run is made. No plan gets worse.
    """
    if steps < 1 or not runs.X.shape[2] or held == runs.X.shape[1]:
        return runs
    return _Descent(space, criterion, runs, held, roots).made(steps)


class _Descent:
    """Plans on their way down, X (s, n, k); `loss` is minus the criterion."""

    def __init__(self, space: Space, criterion: Criterion, runs: Runs, held: int, roots: Array) -> None:
        self.space, self.criterion, self.held, self.roots = space, criterion, held, roots
        self.X, self.C = runs.X.copy(), runs.C
        self.A, self.b = _limits(space, self.C)
        s, n, k = self.X.shape
        self.on = self._slack(self.X) <= _TOUCH
        self.free = np.broadcast_to(np.eye(k), (s, n, k, k)).copy()
        self.push = np.zeros((s, n, self.A.shape[-2], k))
        self._renewed(np.ones((s, n), dtype=bool))
        self.loss = self._loss(self.X, self.C)

    def made(self, steps: int) -> Runs:
        """The plans after so many steps, or fewer where none gains any more."""
        active = np.isfinite(self.loss)
        slope = self._slope()
        past: list[tuple[Array, Array]] = []
        for _ in range(steps):
            if not active.any():
                break
            self._released(slope)
            way = self._way(slope, past)
            before, loss = self.X.copy(), self.loss.copy()
            active &= self._moved(slope, way, active)
            self._settled()
            after = self._slope()
            past = [*past[1 - _MEMORY :], (self.X - before, after - slope)]
            slope = after
            active &= loss - self.loss > _ENOUGH
        return Runs(self.X, self.C)

    def _slack(self, X: Array) -> Array:
        return self.b - (self.A @ X[..., None])[..., 0]

    def _loss(self, X: Array, C: Indices) -> Array:
        return -self.criterion.value(stacked(self.space, Runs(X, C)) * self.roots[:, None])

    def _slope(self) -> Array:
        """The gradient of the loss, (s, n, k)."""
        s, n, k = self.X.shape
        G = stacked(self.space, Runs(self.X, self.C)) * self.roots[:, None]
        A = np.swapaxes(G, 1, 2) @ G + self.criterion.prior
        V = np.asarray(np.linalg.inv(A), dtype=np.float64)
        if self.criterion.kind == "D":
            by_row = -2.0 / A.shape[-1] * (G @ V)
        else:
            trace = np.einsum("sij,ij->s", V, self.criterion.weight)
            by_row = -2.0 / trace[:, None, None] * (G @ (V @ self.criterion.weight @ V))
        by_row = (by_row * self.roots[:, None]).reshape(s * n, -1)
        # Central differences, which are exact for quadratics.
        aside = self.X.reshape(s * n, 1, k) + _STEP * np.concatenate([np.eye(k), -np.eye(k)])
        C = np.repeat(self.C.reshape(s * n, -1), 2 * k, axis=0)
        H = self.space.model(aside.reshape(-1, k), C).reshape(s * n, 2 * k, -1)
        rates = (H @ by_row[:, :, None])[..., 0]
        slope: Array = ((rates[:, :k] - rates[:, k:]) / (2 * _STEP)).reshape(s, n, k)
        slope[:, : self.held] = 0.0
        return slope

    def _renewed(self, which: Flags) -> None:
        """What is left of a move, and the pull on each limit, for runs whose limits have changed."""
        at = np.nonzero(which)
        if not len(at[0]):
            return
        A = self.A if self.A.ndim == 2 else self.A[at]
        rows = np.where(self.on[at][..., None], A, 0.0)
        back = np.linalg.pinv(rows, rcond=1e-9)
        self.push[at] = np.swapaxes(back, -1, -2)
        free = np.eye(self.X.shape[2]) - back @ rows
        # At a corner nothing is left; what rounding leaves would be scaled up to a move through the limits.
        self.free[at] = np.where(np.abs(free).max(axis=(1, 2), keepdims=True) > _DUST, free, 0.0)

    def _released(self, slope: Array) -> None:
        """Runs leave the limit that the criterion pulls them off most."""
        pull = np.where(self.on, (self.push @ slope[..., None])[..., 0], -np.inf)
        most = pull.argmax(axis=-1)
        left = self._within(slope)
        off = np.take_along_axis(pull, most[..., None], axis=-1)[..., 0] > np.linalg.norm(left, axis=-1) + 1e-9
        at = np.nonzero(off)
        self.on[(*at, most[at])] = False
        self._renewed(off)

    def _within(self, way: Array) -> Array:
        """A way (s, n, k) along the limits each run lies on."""
        out: Array = (self.free @ way[..., None])[..., 0]
        return out

    def _way(self, slope: Array, past: list[tuple[Array, Array]]) -> Array:
        """The two loops over what was seen on the way, each pair within the limits as they are now."""
        q = self._within(slope)
        size = np.sqrt((q**2).sum(axis=(1, 2)))
        kept = []
        scale = 0.1 / np.maximum(size, 1e-300)
        for step, change in past:
            ds, dy = self._within(step), self._within(change)
            both = (ds * dy).sum(axis=(1, 2))
            yy = (dy * dy).sum(axis=(1, 2))
            good = both > 1e-10 * np.sqrt(yy * (ds * ds).sum(axis=(1, 2))) + 1e-300
            kept.append((ds, dy, np.where(good, 1 / np.where(good, both, 1.0), 0.0)))
            scale = np.where(good, both / np.where(good, yy, 1.0), scale)
        first = []
        for ds, dy, rho in reversed(kept):
            a = rho * (ds * q).sum(axis=(1, 2))
            q = q - a[:, None, None] * dy
            first.append(a)
        q = scale[:, None, None] * q
        for (ds, dy, rho), a in zip(kept, reversed(first), strict=True):
            q = q + (a - rho * (dy * q).sum(axis=(1, 2)))[:, None, None] * ds
        way = -self._within(q)
        down = (way * slope).sum(axis=(1, 2)) < 0
        return np.where(down[:, None, None], way, -scale[:, None, None] * self._within(slope))

    def _moved(self, slope: Array, way: Array, active: Flags) -> Flags:
        """Moves every active plan as far along its way as gains; which of them did move.

        A run goes no farther than its limits allow, whatever the others do.
        """
        rate = (self.A @ way[..., None])[..., 0]
        size = np.linalg.norm(way, axis=-1, keepdims=True)
        closing = np.where(self.on, rate > _DUST * size, rate > 1e-14)
        room = np.where(closing, np.maximum(self._slack(self.X), 0.0) / np.where(closing, rate, 1.0), np.inf)
        most = room.min(axis=-1)
        left = np.flatnonzero(active)
        done = np.zeros(len(active), dtype=bool)
        step = 1.0
        for _ in range(_HALVINGS):
            far = np.minimum(step, most[left])[..., None] * way[left]
            X = self.X[left] + far
            loss = self._loss(X, self.C[left])
            ok = loss <= self.loss[left] + 1e-4 * np.minimum((far * slope[left]).sum(axis=(1, 2)), 0.0)
            took = left[ok]
            self.X[took], self.loss[took], done[took] = X[ok], loss[ok], True
            left = left[~ok]
            if not len(left):
                break
            step /= 4
        return done

    def _settled(self) -> None:
        """Runs that have come upon a limit stay on it."""
        new = (self._slack(self.X) <= _TOUCH) & ~self.on
        # A run that was just let off a limit still touches it until it moves.
        self.on |= new
        self._renewed(np.asarray(new.any(axis=-1), dtype=bool))


def _limits(space: Space, C: Indices) -> tuple[Array, Array]:
    """A (m, k), b (m,) where they are the same everywhere, else those of each run (s, n, m, k), (s, n, m)."""
    if space.rooms is None:
        return space.A, space.b
    rooms = space.rooms.rooms
    most = max(len(room.b) for room in rooms)
    A = np.zeros((len(rooms), most, space.A.shape[1]))
    b = np.ones((len(rooms), most))
    for i, room in enumerate(rooms):
        A[i, : len(room.b)], b[i, : len(room.b)] = room.A, room.b
    which = space.rooms.which[tuple(np.moveaxis(C, -1, 0))]
    return A[which], b[which]
