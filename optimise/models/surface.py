"""What is known of a fitted surface besides its shape: where its top may lie, and the best way up from the middle.

The confidence region of the stationary point holds every place where the estimated slope is nil within its error (Box
& Hunter 1954, Biometrika 41, 190-199). Eigenvalues have the standard errors of the pure second-order coefficients along
their axes (the axes taken as known; Bisgaard & Ankenman 1996, Technometrics 38, 238-246). The way up takes, at every
distance from the middle, the place that is predicted best (ridge analysis, Draper 1963, Technometrics 5, 469-479); for
a straight surface this is the path of steepest ascent (Box & Wilson 1951). A blend never leaves its limits on it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import optimize, stats

from doe.problems import Unavailable

Array = npt.NDArray[np.float64]
Rows = Callable[[Array], Array]

_MISSED = 0.05  # how often a confidence region does not hold the truth
_FAR = 5.0  # how far along a ray the end of the confidence region is looked for, in coded units
_RAYS = 200  # random ones beside those along the coordinates
_NEARER, _BESIDE = (0.3, 0.15, 0.07, 0.03), 20  # how far beside the best rays others are tried, and how many


@dataclass(frozen=True, slots=True, eq=False)
class Fitted:
    """A fitted surface over d coded coordinates: `rows` (n, d) -> (n, p), coefficients, their covariance, df."""

    rows: Rows
    beta: Array
    covariance: Array
    df: float

    def value(self, U: Array) -> Array:
        """The fitted mean at U (n, d), (n,)."""
        out: Array = self.rows(U) @ self.beta
        return out

    def slope(self, u: Array) -> Array:
        """The rows (d, p) that give the slope at u (d,): exact for a quadratic."""
        step = np.eye(u.size)
        out: Array = (self.rows(u + step) - self.rows(u - step)) / 2
        return out

    def error(self, U: Array) -> Array:
        """Standard error of the mean at U (n, d), (n,)."""
        F = self.rows(U)
        out: Array = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", F, self.covariance, F), 0.0))
        return out


def eigenvalue_errors(surface: Fitted, place: Array, axes: Array) -> Array:
    """Standard errors (d,) of the eigenvalues of a quadratic whose canonical `axes` (d, d) stand in columns."""
    bend = (surface.rows(place + axes.T) - 2 * surface.rows(place[None]) + surface.rows(place - axes.T)) / 2
    out: Array = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", bend, surface.covariance, bend), 0.0))
    return out


def stationary_edges(surface: Fitted, place: Array) -> Array | Unavailable:
    """Where the 95 % confidence region of the stationary point `place` (d,) ends, along many rays from it, (m, d).

    Unavailable where it does not close within five times the coded range: the trials then do not say where it lies.
    """
    d = place.size
    limit = float(stats.f.isf(_MISSED, d, surface.df))
    # The rows that give the slope change in proportion to the place: one value and d differences hold them all.
    middle = surface.slope(place)
    change = np.stack([surface.slope(place + step) - middle for step in np.eye(d)])

    def far(U: Array) -> Array:
        """How far beyond the edge of the region each place + U (n, d) lies, (n,)."""
        J = middle + np.einsum("nk,kdp->ndp", U, change)
        g = J @ surface.beta
        spread = J @ surface.covariance @ J.transpose(0, 2, 1)
        out: Array = np.einsum("nd,nd->n", g, np.linalg.solve(spread, g[:, :, None])[:, :, 0]) / d - limit
        return out

    spread = np.linalg.eigvalsh(middle @ surface.covariance @ middle.T)
    if spread[0] <= 1e-12 * spread[-1]:
        return Unavailable(
            "along one direction the model holds no term of its own, so its slope there has no error",
            "make trials that tell the terms apart",
        )
    rng = np.random.default_rng(np.random.SeedSequence([d, 61]))
    ways = np.vstack([np.eye(d), -np.eye(d), rng.normal(size=(_RAYS if d > 1 else 0, d))])
    edges = _edges(far, ways)
    for width in _NEARER if d > 1 else ():
        if isinstance(edges, Unavailable):
            break
        # Random rays seldom point at the farthest place along a coordinate: others are tried beside the best so far.
        best = edges[np.concatenate([edges.argmax(axis=0), edges.argmin(axis=0)])]
        best = best / np.linalg.norm(best, axis=1, keepdims=True)
        more = _edges(far, np.repeat(best, _BESIDE, axis=0) + width * rng.normal(size=(_BESIDE * len(best), d)))
        edges = more if isinstance(more, Unavailable) else np.vstack([edges, more])
    return edges if isinstance(edges, Unavailable) else np.asarray(place + edges, dtype=float)


def _edges(far: Callable[[Array], Array], ways: Array) -> Array | Unavailable:
    """Where `far` first rises above 0 from the origin along `ways` (m, d), (m, d); Unavailable where it does not."""
    ways = ways / np.linalg.norm(ways, axis=1, keepdims=True)
    steps = np.linspace(0, _FAR, 41)
    beyond = far((ways[:, None, :] * steps[None, :, None]).reshape(-1, ways.shape[1])).reshape(len(ways), -1) > 0
    if not beyond.any(axis=1).all():
        return Unavailable(
            "within their error the trials leave one direction open: the point may lie anywhere along it",
            "make trials farther out along that direction",
        )
    high = steps[beyond.argmax(axis=1)]
    low = high - _FAR / 40
    for _ in range(30):
        half = (low + high) / 2
        out = far(ways * half[:, None]) > 0
        low, high = np.where(out, low, half), np.where(out, half, high)
    found: Array = ways * high[:, None]
    return found


def best_way(
    surface: Fitted, sign: float, start: Array, G: Array, h: Array, distances: npt.ArrayLike
) -> tuple[Array, Array]:
    """The places (m, d) predicted best (`sign` 1: highest, -1: lowest) at most so far from `start` (d,), and distances.

    Within the limits G u <= h (m, d), (m,); a distance at which nothing is gained any more ends the way.
    """
    places, kept = [start], [0.0]
    for distance in np.asarray(distances, dtype=float):
        found = _best_within(surface, sign, start, G, h, float(distance), places[-1])
        gain = sign * float((surface.value(found[None]) - surface.value(places[-1][None]))[0])
        if gain <= 1e-9 * (1 + abs(float(surface.value(start[None])[0]))):
            break
        places.append(found)
        kept.append(float(np.linalg.norm(found - start)))
    return np.array(places), np.array(kept)


def _best_within(surface: Fitted, sign: float, start: Array, G: Array, h: Array, distance: float, near: Array) -> Array:
    """The place (d,) predicted best within `distance` of `start` and G u <= h; `near` is one to begin with."""

    def lost(u: Array) -> tuple[float, Array]:
        return -sign * float(surface.value(u[None])[0]), -sign * (surface.slope(u) @ surface.beta)

    constraints: Any = [
        {
            "type": "ineq",
            "fun": lambda u: distance**2 - float((u - start) @ (u - start)),
            "jac": lambda u: -2 * (u - start),
        },
        {"type": "ineq", "fun": lambda u: h - G @ u, "jac": lambda _: -G},
    ]
    slope = sign * (surface.slope(start) @ surface.beta)
    length = float(np.linalg.norm(slope))
    begins = [near, start + (distance * slope / length if length > 0 else 0.0)]
    best, value = near, lost(near)[0]
    for begin in begins:
        found = optimize.minimize(
            lost, begin, jac=True, method="SLSQP", constraints=constraints, options={"ftol": 1e-12, "maxiter": 200}
        )
        u = np.asarray(found.x, dtype=float)
        # A place a hair beyond a limit is brought back along the line from the start.
        over = (G @ u - h).max(initial=-np.inf)
        if over > 0:
            room = h - G @ start
            rate = G @ (u - start)
            share = np.min(np.where(rate > 0, room / np.where(rate > 0, rate, 1.0), 1.0), initial=1.0)
            u = start + max(min(share, 1.0), 0.0) * (u - start)
        if lost(u)[0] < value - 1e-12:
            best, value = u, lost(u)[0]
    return best
