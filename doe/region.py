"""The region: all recipes within bounds, total and limits, as an exact polytope in the study's units."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.optimize import linprog

from doe import polytope
from doe.bernstein import triangulate
from doe.conflict import Row, explain_empty
from doe.problems import Problem, StudyError

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

_FLAT = 1e-9
_MOST_TRIANGULATED = 5


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Region:
    """A bounded polytope over the numeric columns `names` (k): blend variables, then numeric factors.

    `A x <= b` holds every bound and limit as a row, said in words by `labels`; blend variables add up to
    `blend_total`. `dimension` d is what is free after all equalities, also those that limits force. `x = origin +
    basis u` maps free coded coordinates u (d), each -1..+1 over its reach, to levels. `categories` are carried along.
    """

    names: tuple[str, ...]
    blend: tuple[str, ...]
    blend_total: float | None
    fill: str | None
    categories: Mapping[str, tuple[str, ...]]
    low: Array
    high: Array
    A: Array
    b: Array
    labels: tuple[str, ...]
    dimension: int
    reach: Mapping[str, tuple[float, float]]
    free: tuple[str, ...]
    origin: Array
    basis: Array
    _kept: dict[str, Any] = field(default_factory=dict)

    @classmethod
    def build(
        cls,
        names: Sequence[str],
        blend: Sequence[str],
        blend_total: float | None,
        fill: str | None,
        low: Array,
        high: Array,
        rows: Sequence[tuple[Mapping[str, float], float | None, float | None, str]] = (),
        categories: Mapping[str, Sequence[str]] | None = None,
    ) -> Region:
        """Build the region of `names` between `low` and `high` (k,), with further linear rows.

        Each row is (weights by name, low or None, high or None, label). Raises StudyError when no recipe obeys all,
        naming a smallest set of limits that conflict.
        """
        labelled = _rows(tuple(names), tuple(blend), blend_total, low, high, rows)
        inequalities = [row for row in labelled if not row.equal]
        A = np.array([row.weights for row in inequalities]).reshape(-1, len(names))
        b = np.array([row.most for row in inequalities])
        equal = [row for row in labelled if row.equal]
        E = np.array([row.weights for row in equal]).reshape(-1, len(names))
        e = np.array([row.most for row in equal])
        tight = _always_tight(A, b, E, e)
        if tight is None:
            raise StudyError([explain_empty(tuple(names), labelled)])
        reach = _reach(A, b, E, e, tuple(names))
        E, e = np.vstack([E, A[tight]]), np.concatenate([e, b[tight]])
        flat = [j for j, name in enumerate(names) if reach[name][1] - reach[name][0] <= _FLAT * _size(low, high, j)]
        for j in flat:
            row = np.zeros(len(names))
            row[j] = 1.0
            E, e = np.vstack([E, row]), np.append(e, sum(reach[names[j]]) / 2)
        free, origin, basis = _free(E, e, tuple(names), tuple(blend), fill, reach)
        for array in (A, b, origin, basis):
            array.setflags(write=False)
        return cls(
            names=tuple(names),
            blend=tuple(blend),
            blend_total=blend_total,
            fill=fill,
            categories=MappingProxyType({k: tuple(v) for k, v in (categories or {}).items()}),
            low=_read_only(low),
            high=_read_only(high),
            A=A,
            b=b,
            labels=tuple(row.label for row in inequalities),
            dimension=len(free),
            reach=MappingProxyType(reach),
            free=free,
            origin=origin,
            basis=basis,
        )

    def __str__(self) -> str:
        return f"Region of {len(self.names)} columns, {self.dimension} of them free"

    __repr__ = __str__

    @property
    def corners(self) -> polytope.Corners:
        """The polytope's corners in free coded coordinates."""
        if "corners" not in self._kept:
            G, h = self._coded_rows()
            self._kept["corners"] = polytope.corners(G, h)
        found: polytope.Corners = self._kept["corners"]
        return found

    def _coded_rows(self) -> tuple[Array, Array]:
        """Rows over u, of unit length, the box -1..+1 among them."""
        G = self.A @ self.basis
        h = self.b - self.A @ self.origin
        length = np.linalg.norm(G, axis=1)
        real = length > 1e-10 * np.maximum(1.0, np.abs(self.A).sum(axis=1))
        G, h = G[real] / length[real, None], h[real] / length[real]
        box = np.eye(self.dimension)
        return np.vstack([box, -box, G]), np.concatenate([np.ones(2 * self.dimension), h])

    @property
    def vertex_array(self) -> Array:
        """The vertices in the study's units, (v, k), in lexicographic order of their free coordinates."""
        if "vertices" not in self._kept:
            self._kept["vertices"] = _read_only(self.decoded(self.corners.points))
        found: Array = self._kept["vertices"]
        return found

    def vertices(self) -> pd.DataFrame:
        """The vertices, one row each, columns `names`."""
        return pd.DataFrame(self.vertex_array.copy(), columns=list(self.names))

    def edges(self) -> list[tuple[int, int]]:
        """Pairs of vertices that an edge joins."""
        return [(int(i), int(j)) for i, j in self.corners.edges]

    def face_centroids(self, dimension: int) -> Array:
        """Centroids (means of vertices) of all faces of one dimension, (f, k)."""
        return self.decoded(polytope.centroids(self.corners, dimension))

    @property
    def centroid(self) -> Mapping[str, float]:
        """The overall centroid: the mean of all vertices (McLean & Anderson 1966)."""
        mean = self.decoded(self.corners.points.mean(axis=0, keepdims=True))[0]
        return {name: float(value) for name, value in zip(self.names, mean, strict=True)}

    @property
    def redundant(self) -> tuple[str, ...]:
        """Limits and bounds, in words, that no vertex reaches: others already say as much."""
        room = self.b - self.vertex_array @ self.A.T
        size = 1e-9 * np.maximum(1.0, np.abs(self.b))
        return tuple(self.labels[i] for i in np.flatnonzero((room > size).all(axis=0)))

    def contains(self, X: Array, tol: float = 1e-9) -> Flags:
        """Whether each recipe X (n, k) obeys all rows and equalities, (n,); `tol` is relative to each row's size."""
        X = np.atleast_2d(np.asarray(X, dtype=float))
        size = np.maximum(1.0, np.maximum(np.abs(self.b), np.abs(self.A).max(axis=1, initial=0)))
        within = (self.b + tol * size >= X @ self.A.T).all(axis=1)
        spread = np.maximum(1.0, np.abs(self.origin) + np.abs(self.basis).sum(axis=1))
        on_plane = (np.abs(self.decoded(self.coded(X)) - X) <= 10 * tol * spread).all(axis=1)
        return np.asarray(within & on_plane, dtype=bool)

    def coded(self, X: Array) -> Array:
        """Free coded coordinates (n, d) of levels (n, k)."""
        columns = [self.names.index(name) for name in self.free]
        X = np.atleast_2d(np.asarray(X, dtype=float))
        out: Array = (X[:, columns] - self.origin[columns]) / np.array(
            [self.basis[c, j] for j, c in enumerate(columns)]
        )
        return out

    def decoded(self, U: Array) -> Array:
        """Levels (n, k) of free coded coordinates (n, d); the blend adds up to its total to the last digit."""
        U = np.atleast_2d(np.asarray(U, dtype=float))
        X: Array = self.origin + U @ self.basis.T
        if self.blend:
            last = self.names.index(self.fill or self._dependent_blend())
            others = [j for j in range(len(self.blend)) if j != last]
            X[:, last] = (self.blend_total or 0.0) - X[:, others].sum(axis=1)
        return X

    def _dependent_blend(self) -> str:
        return next((n for n in reversed(self.blend) if n not in self.free), self.blend[-1])

    def whitened(self, X: Array) -> Array:
        """Coordinates z (n, d) with zero mean and covariance I / 3 over the region, whatever column is the fill."""
        mean, root = self.whitening
        out: Array = (self.coded(X) - mean) @ root
        return out

    @property
    def whitening(self) -> tuple[Array, Array]:
        """Mean (d,) and matrix (d, d) of z = (u - mean) root, so that cov z = I / 3 as over a cube of side 2."""
        if "whitening" not in self._kept:
            if self.dimension <= _MOST_TRIANGULATED:
                mean, cov = self._exact_moments()
            else:
                U = self.coded(self.sample(20_000, seed=0))
                mean, cov = U.mean(axis=0), np.cov(U.T)
            values, vectors = np.linalg.eigh(np.atleast_2d(cov))
            root = vectors @ np.diag(1 / np.sqrt(3 * values)) @ vectors.T
            self._kept["whitening"] = (_read_only(mean), _read_only(root))
        pair: tuple[Array, Array] = self._kept["whitening"]
        return pair

    @property
    def simplices(self) -> Array:
        """Simplices in free coordinates that fill the region, (s, d + 1, d)."""
        if "simplices" not in self._kept:
            self._kept["simplices"] = _read_only(triangulate(self.corners.points))
        found: Array = self._kept["simplices"]
        return found

    def _exact_moments(self) -> tuple[Array, Array]:
        """Mean and covariance of the uniform law over the region, from those over simplices."""
        if self.dimension == 0:
            return np.zeros(0), np.zeros((0, 0))
        S = self.simplices
        volume = np.abs(np.linalg.det(S[:, 1:] - S[:, :1]))
        share = volume / volume.sum()
        sums = S.sum(axis=1)
        d = self.dimension
        # E[x x'] over a simplex with corners v_i: (sum v_i v_i' + s s') / ((d + 1)(d + 2)), s the sum of the corners.
        second = (np.einsum("sci,scj->sij", S, S) + np.einsum("si,sj->sij", sums, sums)) / ((d + 1) * (d + 2))
        mean = share @ sums / (d + 1)
        return mean, np.einsum("s,sij->ij", share, second) - np.outer(mean, mean)

    def line_range(self, x: Array, direction: Array) -> tuple[Array, Array]:
        """How far levels x (n, k) may go along directions (n, k): lowest and highest t with x + t direction inside."""
        x, direction = np.atleast_2d(x), np.atleast_2d(direction)
        rate = direction @ self.A.T
        room = np.maximum(self.b - x @ self.A.T, 0.0)
        small = np.abs(rate) <= 1e-12 * np.maximum(1.0, np.abs(self.A).max(axis=1, initial=0))
        with np.errstate(divide="ignore", invalid="ignore"):
            step = np.where(small, np.inf, room / np.where(small, 1.0, rate))
        up = np.where(rate > 0, step, np.inf).min(axis=1, initial=np.inf)
        down = np.where((rate < 0) & ~small, step, -np.inf).max(axis=1, initial=-np.inf)
        return down, up

    def sample(self, n: int, seed: int) -> Array:
        """`n` recipes spread uniformly over the region, (n, k); the same for the same seed.

        Up to five free dimensions by simplices (exactly uniform), beyond by hit-and-run (Smith 1984, Operations
        Research 32, 1296-1308; from memory) with 64 chains.
        """
        rng = np.random.default_rng(np.random.SeedSequence([seed, n]))
        if self.dimension == 0:
            return np.repeat(self.decoded(np.zeros((1, 0))), n, axis=0)
        if self.dimension <= _MOST_TRIANGULATED:
            S = self.simplices
            volume = np.abs(np.linalg.det(S[:, 1:] - S[:, :1]))
            which = rng.choice(len(S), size=n, p=volume / volume.sum())
            weights = rng.dirichlet(np.ones(self.dimension + 1), size=n)
            return self.decoded(np.einsum("nc,ncd->nd", weights, S[which]))
        return self.decoded(self._walk(n, rng))

    def _walk(self, n: int, rng: np.random.Generator) -> Array:
        G, h = self._coded_rows()
        chains = 64
        U = np.repeat(self._inner_point(G, h)[None], chains, axis=0)
        out = []
        warm, thin = 20 * self.dimension, 2 * self.dimension
        steps = warm + thin * -(-n // chains)
        for step in range(steps):
            direction = rng.normal(size=U.shape)
            direction /= np.linalg.norm(direction, axis=1, keepdims=True)
            rate, room = direction @ G.T, np.maximum(h - U @ G.T, 0.0)
            with np.errstate(divide="ignore", invalid="ignore"):
                ratio = room / rate
            up = np.where(rate > 1e-13, ratio, np.inf).min(axis=1)
            down = np.where(rate < -1e-13, ratio, -np.inf).max(axis=1)
            U = U + (down + rng.random(chains) * (up - down))[:, None] * direction
            if step >= warm and (step - warm) % thin == thin - 1:
                out.append(U)
        return np.concatenate(out)[:n]

    def _inner_point(self, G: Array, h: Array) -> Array:
        """The centre of the largest ball inside, by linear programming."""
        d = self.dimension
        cost = np.append(np.zeros(d), -1.0)
        found = linprog(
            cost, A_ub=np.column_stack([G, np.ones(len(G))]), b_ub=h, bounds=[(None, None)] * d + [(0, None)]
        )
        point: Array = found.x[:d]
        return point


def _read_only(array: Array) -> Array:
    out = np.array(array, dtype=float)
    out.setflags(write=False)
    return out


def _size(low: Array, high: Array, j: int) -> float:
    values = [abs(float(v)) for v in (low[j], high[j]) if np.isfinite(v)]
    return max([1e-6, *values])


def _rows(
    names: tuple[str, ...],
    blend: tuple[str, ...],
    blend_total: float | None,
    low: Array,
    high: Array,
    rows: Sequence[tuple[Mapping[str, float], float | None, float | None, str]],
) -> list[Row]:
    """Every bound and limit as labelled rows, the total first."""
    eye = np.eye(len(names))
    out: list[Row] = []
    if blend:
        weights = np.array([1.0 if name in blend else 0.0 for name in names])
        out.append(Row(weights, float(blend_total or 0.0), f"the blend adds up to {blend_total:g}", equal=True))
    for j, name in enumerate(names):
        if np.isfinite(low[j]):
            out.append(Row(-eye[j], -float(low[j]), f"{name} at least {low[j]:g}"))
        if np.isfinite(high[j]):
            out.append(Row(eye[j], float(high[j]), f"{name} at most {high[j]:g}"))
    for weights_by_name, least, most, label in rows:
        weights = np.array([float(weights_by_name.get(name, 0.0)) for name in names])
        if most is not None:
            out.append(Row(weights, float(most), label))
        if least is not None:
            out.append(Row(-weights, -float(least), label))
    return out


def _scales(A: Array, b: Array, E: Array, e: Array) -> Array:
    """A size for each column, so that linear programs are well scaled."""
    k = A.shape[1] if A.size else E.shape[1]
    scale = np.ones(k)
    for j in range(k):
        alone = (np.abs(A[:, j]) > 0) & ((np.abs(A) > 0).sum(axis=1) == 1)
        sizes = np.abs(b[alone] / A[alone, j])
        scale[j] = max(float(sizes.max(initial=0.0)), 1e-6)
    return scale


def _always_tight(A: Array, b: Array, E: Array, e: Array) -> Flags | None:
    """Rows of A x <= b that every feasible x meets with equality; None when no x is feasible.

    One linear program over the cone {A x + t <= s b, E x = s e, 0 <= t <= 1, s >= 1}: at its optimum every row that
    can have room has t = 1, since s may grow.
    """
    m, k = A.shape
    scale = _scales(A, b, E, e)
    length = np.maximum(np.abs(A * scale).max(axis=1, initial=0.0), 1e-300)
    An, bn = A * scale / length[:, None], b / length
    cost = np.concatenate([np.zeros(k), -np.ones(m), [0.0]])
    upper = np.column_stack([An, np.eye(m), -bn])
    level = np.abs(E * scale).max(axis=1, initial=0.0) if len(E) else np.ones(0)
    equal = np.column_stack([E * scale / level[:, None], np.zeros((len(E), m)), -e / level]) if len(E) else None
    bounds = [(None, None)] * k + [(0.0, 1.0)] * m + [(1.0, 1e8)]
    found = linprog(
        cost, A_ub=upper, b_ub=np.zeros(m), A_eq=equal, b_eq=np.zeros(len(E)) if len(E) else None, bounds=bounds
    )
    if found.status != 0:
        return None
    return np.asarray(found.x[k : k + m] < 0.5, dtype=bool)


def _reach(A: Array, b: Array, E: Array, e: Array, names: tuple[str, ...]) -> dict[str, tuple[float, float]]:
    """Lowest and highest level of each column over the region, by linear programming."""
    scale = _scales(A, b, E, e)
    out = {}
    for j, name in enumerate(names):
        ends = []
        for sign in (1.0, -1.0):
            cost = np.zeros(len(names))
            cost[j] = sign
            found = linprog(
                cost, A_ub=A * scale, b_ub=b, A_eq=E * scale if len(E) else None, b_eq=e if len(E) else None,
                bounds=[(None, None)] * len(names),
            )  # fmt: skip
            if found.status == 3:
                problem = Problem("unbounded", "stop", name, "has no limit on one side", "low and high", "add them")
                raise StudyError([problem])
            ends.append(float(sign * found.fun * scale[j]))
        out[name] = (_tidy(min(ends)), _tidy(max(ends)))
    return out


def _tidy(value: float) -> float:
    """A level without the last digits' dust of a linear program."""
    return float(f"{value:.12g}") + 0.0


def _free(
    E: Array,
    e: Array,
    names: tuple[str, ...],
    blend: tuple[str, ...],
    fill: str | None,
    reach: Mapping[str, tuple[float, float]],
) -> tuple[tuple[str, ...], Array, Array]:
    """Free columns, and origin (k,) and basis (k, d) of x = origin + basis u, by elimination.

    The fill is eliminated first, else the last blend variable that stands in an equality.
    """
    k = len(names)
    rows = np.column_stack([E, e]) if len(E) else np.zeros((0, k + 1))
    rows = rows[np.argsort([(np.abs(r[:k]) > 1e-12).sum() for r in rows], kind="stable")] if len(rows) else rows
    order = sorted(range(k), key=lambda j: (names[j] != fill, names[j] not in blend, -j))
    pivots: list[int] = []
    kept: list[Array] = []
    for row in rows:
        row = row.copy()
        for pivot, other in zip(pivots, kept, strict=True):
            row -= row[pivot] * other
        candidates = [j for j in order if abs(row[j]) > 1e-9 * max(1.0, np.abs(rows[:, :k]).max())]
        if not candidates:
            continue
        pivot = candidates[0]
        row /= row[pivot]
        kept = [other - other[pivot] * row for other in kept]
        kept.append(row)
        pivots.append(pivot)
    free = [j for j in range(k) if j not in pivots]
    origin, basis = np.zeros(k), np.zeros((k, len(free)))
    for c, j in enumerate(free):
        low, high = reach[names[j]]
        origin[j], basis[j, c] = (low + high) / 2, (high - low) / 2
    for pivot, row in zip(pivots, kept, strict=True):
        origin[pivot] = row[k] - row[free] @ origin[free]
        basis[pivot] = -row[free] @ basis[free]
    return tuple(names[j] for j in free), origin, basis
