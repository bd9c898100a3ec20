"""The region of recipes and conditions that may be tried: an exact polytope, in natural units."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import product
from types import MappingProxyType
from typing import Any, TypeVar, cast

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.linalg import block_diag

from doe.definition.categories import NONE, Chosen, ingredient_of
from doe.problems import Problem, StudyError
from doe.region.feasible import Rows, extent
from doe.region.hull import Frame, frame_of
from doe.region.limits import LimitRow, rows_of, scaled_rows
from doe.region.polytope import Corners, TooManyError, centroids, corners
from doe.region.uniform import SAMPLE, Cubature, draw

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Combination = Mapping[str, str]
_T = TypeVar("_T")

MOST_CORNERS = 200_000  # that can be listed
_SEED = 20_012


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Region:
    """Everything that may be tried, in the units of the study.

    `names` (k) are the numeric columns: blend variables, then numeric factors. Every bound and limit is a row of
    A x <= b with its label in words; the blend total and limits with both sides equal are rows of E x = e. Limits that
    leave no room (a flat region) are found and the region described in its own `dimension`. Corners and all that
    follows from them are found when first asked for, and kept. Here the same limits hold at every combination of
    category levels; `doe.region.pieces.Pieces` is the region where they do not, and `at` gives the polytope of each.
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
    E: Array
    e: Array
    equal_labels: tuple[str, ...]
    frame: Frame
    limit_rows: tuple[int, ...]
    _kept: dict[str, Any] = field(default_factory=dict)

    @classmethod
    def build(
        cls,
        names: Sequence[str],
        blend: Sequence[str] = (),
        blend_total: float | None = None,
        fill: str | None = None,
        low: npt.ArrayLike = (),
        high: npt.ArrayLike = (),
        rows: Sequence[LimitRow] = (),
        categories: Mapping[str, Sequence[str]] | None = None,
    ) -> Region:
        """The region of these columns under bounds `low`, `high` (k,), the blend total, and linear limits.

        A limit is (weights by name, low or None, high or None, label): low <= sum(weights * level) <= high.
        Raises StudyError when nothing is left (naming a smallest set of limits that conflict and the least change that
        would open it) or when something may grow without end.
        """
        low, high = np.array(low, dtype=np.float64), np.array(high, dtype=np.float64)
        written = rows_of(tuple(names), tuple(blend), blend_total, low, high, rows)
        frame = frame_of(tuple(names), tuple(blend), fill, written)
        held = {name: tuple(levels) for name, levels in (categories or {}).items()}
        for array in (low, high, written.A, written.b, written.E, written.e):
            array.setflags(write=False)
        return cls(
            tuple(names), tuple(blend), blend_total, fill, MappingProxyType(held), low, high,
            written.A, written.b, written.labels, written.E, written.e, written.equal_labels, frame, written.limits,
        )  # fmt: skip

    def __str__(self) -> str:
        return f"Region of {len(self.names)} columns, {self.dimension} of them free"

    __repr__ = __str__

    # -- what it is ---------------------------------------------------------------------------------------------

    @property
    def dimension(self) -> int:
        """How many things can be chosen freely: what is left after the total and every other equality."""
        return len(self.frame.free)

    @property
    def free(self) -> tuple[str, ...]:
        """The columns that are chosen freely; the others follow from them. They carry the coded coordinates."""
        return tuple(self.names[j] for j in self.frame.free)

    @property
    def reach(self) -> Mapping[str, tuple[float, float]]:
        """The lowest and highest level that each column can really take."""
        pairs = zip(self.frame.reach_low.tolist(), self.frame.reach_high.tolist(), strict=True)
        return MappingProxyType(dict(zip(self.names, pairs, strict=True)))

    @property
    def interior(self) -> Array:
        """A point (k,) well inside every limit."""
        return self._keep("interior", lambda: self.decoded(self.frame.inside[None])[0])

    @property
    def redundant(self) -> tuple[str, ...]:
        """Labels of limits that never decide anything: rules implied by the rest, bounds that cannot be reached."""
        needed = {self.labels[i] for i in set(range(len(self.labels))) - set(self.redundant_rows)}
        return tuple(dict.fromkeys(self.labels[i] for i in self.redundant_rows if self.labels[i] not in needed))

    @property
    def redundant_rows(self) -> tuple[int, ...]:
        """The rows of A that never decide anything; of a limit with two sides, it may be one of them."""
        return self._keep("redundant", self._find_redundant)

    # -- categories ---------------------------------------------------------------------------------------------

    @property
    def combinations(self) -> tuple[Combination, ...]:
        """The combinations of category levels at which something may be tried; one empty one without categories."""
        return tuple(dict(zip(self.categories, levels, strict=True)) for levels in product(*self.categories.values()))

    def at(self, chosen: Mapping[str, Any]) -> Region:
        """The polytope at one combination of category levels."""
        return self

    @property
    def pieces(self) -> tuple[tuple[Region, tuple[Combination, ...]], ...]:
        """Each polytope with the combinations at which it holds."""
        return ((self, self.combinations),)

    def chosen(self, levels: pd.DataFrame) -> dict[str, npt.NDArray[Any]]:
        """The category levels (n,) each of recipes; of an ingredient that is only there or not, as its level says."""
        out = {}
        for name, known in self.categories.items():
            own = ingredient_of(name)
            if name in levels or own is None:
                out[name] = levels[name].to_numpy(dtype=object)
            else:
                out[name] = np.where(levels[own].to_numpy(dtype=float) > 0, known[0], NONE).astype(object)
        return out

    def holding(self, recipe: pd.DataFrame) -> Region:
        """The polytope at the category levels of a recipe, a frame of one row."""
        return self.at({name: str(levels[0]) for name, levels in self.chosen(recipe).items()})

    # -- corners, edges, faces ----------------------------------------------------------------------------------

    @property
    def vertex_count(self) -> int:
        """How many corners there are (found part by part, so a box of many factors costs nothing).

        Raises StudyError when there are too many to find.
        """
        return int(np.prod([len(part.points) for part in self.parts], dtype=np.int64))

    @property
    def vertex_array(self) -> Array:
        """The corners (v, k) in lexicographic order. Raises StudyError when there are too many to list."""
        return self._listed()[0]

    def vertices(self) -> pd.DataFrame:
        """The corners, one a row, in lexicographic order."""
        return pd.DataFrame(self.vertex_array.copy(), columns=list(self.names))

    @property
    def centroid(self) -> Mapping[str, float]:
        """The overall centroid: the mean of the corners; where there are too many to find, that of uniform points."""
        if not self.has_corners:
            u = self._draw(SAMPLE, np.random.SeedSequence(_SEED)).mean(axis=0)
            return MappingProxyType(dict(zip(self.names, self._natural(u[None])[0].tolist(), strict=True)))
        # The corners of a product are all combinations, so their mean is the mean of the parts' means.
        u = np.zeros(self.dimension)
        for part, columns in zip(self.parts, self.frame.parts, strict=True):
            u[list(columns)] = part.points.mean(axis=0)
        return MappingProxyType(dict(zip(self.names, self._natural(u[None])[0].tolist(), strict=True)))

    def edges(self) -> list[tuple[int, int]]:
        """Pairs of corners that an edge joins, as rows of `vertex_array`."""
        return self._keep("edges", self._find_edges)

    def face_centroids(self, dimension: int) -> Array:
        """The mean of the corners of each face of one dimension, (f, k), in lexicographic order.

        Dimension 0 gives the corners, 1 the middles of edges, that of the region the overall centroid.
        """
        return self._keep(f"faces {dimension}", lambda: self._find_centroids(dimension))

    # -- points -------------------------------------------------------------------------------------------------

    def contains(self, X: npt.ArrayLike, tol: float = 1e-9, chosen: Chosen | None = None) -> Flags:
        """Whether each point (n, k) obeys every limit, to `tol` times the size of the limit's terms."""
        points = np.atleast_2d(np.asarray(X, dtype=np.float64))
        size = np.maximum(np.abs(self.frame.reach_low), np.abs(self.frame.reach_high))
        slack = tol * np.maximum(np.abs(self.A) @ size, 1e-300)
        inside = (points @ self.A.T <= self.b + slack).all(axis=1)
        slack = tol * np.maximum(np.abs(self.E) @ size, 1e-300)
        return cast(Flags, inside & (np.abs(points @ self.E.T - self.e) <= slack).all(axis=1))

    def coded(self, X: npt.ArrayLike) -> Array:
        """The free coordinates (n, d) of points (n, k), each -1..+1 over its reach."""
        points = np.atleast_2d(np.asarray(X, dtype=np.float64))
        return (points[:, list(self.frame.free)] - self.frame.middle) / self.frame.half

    def decoded(self, U: npt.ArrayLike) -> Array:
        """The points (n, k) of free coordinates (n, d)."""
        u = np.atleast_2d(np.asarray(U, dtype=np.float64))
        X = np.empty((len(u), len(self.names)))
        chosen = self.frame.middle + u * self.frame.half
        X[:, list(self.frame.free)] = chosen
        # From the levels and not from u, so that a blend adds up to the last digit.
        X[:, list(self.frame.bound)] = self.frame.constant + chosen @ self.frame.weights.T
        return X

    def whitened(self, X: npt.ArrayLike) -> Array:
        """Coordinates z (n, d) in which uniform points have mean 0 and covariance I/3, as the box -1..+1 has.

        Inner products of z do not depend on which column is left out as the fill.
        """
        mean, factor = self.spread
        z: Array = np.linalg.solve(factor, (self.coded(X) - mean).T).T / np.sqrt(3.0)
        return z

    @property
    def spread(self) -> tuple[Array, Array]:
        """Mean (d,) and Cholesky factor (d, d) of the covariance of uniform points, in coded coordinates."""
        return self._keep("spread", self._find_spread)

    def line_range(self, x: npt.ArrayLike, direction: npt.ArrayLike) -> tuple[Array, Array]:
        """How far one may go from points x (n, k) or (k,) along directions, as (tmin, tmax), each (n,).

        A direction that leaves an equality gives (0, 0).
        """
        points, ways = np.broadcast_arrays(
            np.atleast_2d(x).astype(np.float64), np.atleast_2d(direction).astype(np.float64)
        )
        rate, room = ways @ self.A.T, self.b - points @ self.A.T
        tiny = 1e-12 * (np.abs(ways) @ np.abs(self.A).T) + 1e-300
        with np.errstate(divide="ignore", invalid="ignore"):
            step = room / rate
        tmax = np.where(rate > tiny, step, np.inf).min(axis=1, initial=np.inf)
        tmin = np.where(rate < -tiny, step, -np.inf).max(axis=1, initial=-np.inf)
        bound = self.frame.tight_rows
        stuck = (np.abs(rate[:, bound]) > 1e-9 * (np.abs(ways) @ np.abs(self.A[bound]).T) + 1e-300).any(axis=1)
        stuck |= (np.abs(ways @ self.E.T) > 1e-9 * (np.abs(ways) @ np.abs(self.E).T) + 1e-300).any(axis=1)
        return np.where(stuck, 0.0, np.minimum(tmin, 0.0)), np.where(stuck, 0.0, np.maximum(tmax, 0.0))

    def sample(self, n: int, seed: int | np.random.SeedSequence) -> Array:
        """Points (n, k), uniform over the region; the same seed gives the same points."""
        sequence = seed if isinstance(seed, np.random.SeedSequence) else np.random.SeedSequence(seed)
        return self.decoded(self._draw(n, sequence))

    def _draw(self, n: int, sequence: np.random.SeedSequence) -> Array:
        u = np.zeros((n, self.dimension))
        for columns, (G, h), stream in zip(
            self.frame.parts, self.frame.part_rows(), sequence.spawn(len(self.frame.parts)), strict=True
        ):
            u[:, list(columns)] = draw(G, h, self.frame.inside[list(columns)], n, np.random.default_rng(stream))
        return u

    # -- found once ---------------------------------------------------------------------------------------------

    def _keep(self, key: str, find: Callable[[], _T]) -> _T:
        if key not in self._kept:
            value = find()
            for array in value if isinstance(value, tuple) else (value,):
                if isinstance(array, np.ndarray):
                    array.setflags(write=False)
            self._kept[key] = value
        return cast(_T, self._kept[key])

    def remember(self, key: str, find: Callable[[], _T]) -> _T:
        """What `find` gives, worked out once for this region and kept under `key`."""
        return self._keep(key, find)

    @property
    def parts(self) -> tuple[Corners, ...]:
        """The corners of each part of the region (see `Frame.parts`), in its own coordinates.

        Raises StudyError when there are too many to find.
        """
        found = self._keep("parts", self._find_parts)
        if isinstance(found, int):
            raise StudyError([_too_many(f"more than {found}")])
        return found

    @property
    def has_corners(self) -> bool:
        """Whether the corners are few enough to be found. Where not, all else but lists of corners is there."""
        return not isinstance(self._keep("parts", self._find_parts), int)

    def _find_parts(self) -> tuple[Corners, ...] | int:
        try:
            return tuple(corners(G, h) for G, h in self.frame.part_rows())
        except TooManyError as error:
            return error.seen

    def measures(self, groups: Sequence[Sequence[int]], degree: int) -> tuple[Cubature, ...]:
        """Cubature of the uniform law over groups of parts of the region, exact to `degree` where it can be."""
        return tuple(self._measure(tuple(group), degree) for group in groups)

    def _measure(self, group: tuple[int, ...], degree: int) -> Cubature:
        return self._keep(f"measure {group} {degree}", lambda: self._find_measure(group, degree))

    def _find_measure(self, group: tuple[int, ...], degree: int) -> Cubature:
        rows = self.frame.part_rows()
        columns = tuple(j for i in group for j in self.frame.parts[i])
        found: Corners | None = None
        if len(group) == 1:
            (G, h), found = rows[group[0]], self.parts[group[0]] if self.has_corners else None
        else:
            used = [rows[i] for i in group]
            G = block_diag(*[G for G, _ in used]).reshape(-1, len(columns))
            h = np.concatenate([h for _, h in used]) if used else np.zeros(0)
            with suppress(TooManyError):
                found = corners(G, h)
        return Cubature.over(found, G, h, self.frame.inside[list(columns)], columns, degree)

    def _natural(self, u: Array) -> Array:
        return self.frame.snapped(self.decoded(u))

    def _listed(self) -> tuple[Array, npt.NDArray[np.intp]]:
        return self._keep("listed", self._find_vertices)

    def _find_vertices(self) -> tuple[Array, npt.NDArray[np.intp]]:
        if self.vertex_count > MOST_CORNERS:
            raise StudyError([_too_many(str(self.vertex_count))])
        x = self._natural(self.frame.assemble([part.points for part in self.parts]))
        order = np.lexsort(x.T[::-1]) if x.shape[1] else np.arange(len(x))
        return x[order], order.astype(np.intp)

    def _find_edges(self) -> list[tuple[int, int]]:
        _, order = self._listed()
        parts = self.parts
        shape = tuple(len(part.points) for part in parts)
        index = np.arange(int(np.prod(shape, dtype=np.int64))).reshape(shape)
        pairs = [np.zeros((0, 2), dtype=np.intp)]
        for axis, part in enumerate(parts):
            ends = [np.take(index, part.edges[:, side], axis=axis).ravel() for side in (0, 1)]
            pairs.append(np.column_stack(ends))
        place = np.empty(len(order), dtype=np.intp)
        place[order] = np.arange(len(order))
        found = np.sort(place[np.concatenate(pairs)], axis=1)
        return [(int(i), int(j)) for i, j in found[np.lexsort(found.T[::-1])]]

    def _find_centroids(self, dimension: int) -> Array:
        parts = self.parts
        by_total: dict[int, list[list[Array]]] = {0: [[]]}
        for part in parts:
            grown: dict[int, list[list[Array]]] = {}
            for so_far, chosen in by_total.items():
                for own in range(min(part.points.shape[1], dimension - so_far) + 1):
                    middles = centroids(part, own)
                    grown.setdefault(so_far + own, []).extend([*c, middles] for c in chosen)
            by_total = grown
        found = [self.frame.assemble(c) for c in by_total.get(dimension, [])]
        if not found:
            return np.zeros((0, len(self.names)))
        x = self._natural(np.concatenate(found))
        return x[np.lexsort(x.T[::-1])] if x.shape[1] else x

    def _find_spread(self) -> tuple[Array, Array]:
        d = self.dimension
        mean, factor = np.zeros(d), np.zeros((d, d))
        for i, columns in enumerate(self.frame.parts):
            measure = self._measure((i,), 2)
            at = list(columns)
            mean[at] = measure.weights @ measure.points
            away = measure.points - mean[at]
            factor[np.ix_(at, at)] = np.linalg.cholesky((away * measure.weights[:, None]).T @ away)
        return mean, factor

    def _find_redundant(self) -> tuple[int, ...]:
        """Rules are tried first and dropped as they prove implied; bounds only when they lie beyond the reach."""
        size = np.maximum(np.abs(self.frame.reach_low), np.abs(self.frame.reach_high))
        size[size == 0] = 1.0
        natural = Rows(self.A, self.b, self.labels, self.E, self.e, self.equal_labels)
        scaled = scaled_rows(natural, np.zeros(len(size)), size)
        left = list(range(len(self.b)))
        out: list[int] = []
        for i in reversed(self.limit_rows):
            rest = [r for r in left if r != i]
            if extent(scaled.take(rest, range(len(self.e))), scaled.A[i]) <= scaled.b[i] + 1e-9:
                left, out = rest, [i, *out]
        for i in set(left) - set(self.limit_rows):
            j = int(np.flatnonzero(self.A[i])[0])
            best = self.frame.reach_high[j] if self.A[i, j] > 0 else -self.frame.reach_low[j]
            if best < self.b[i] - 1e-9 * size[j]:
                out.append(i)
        return tuple(sorted(out))


def _too_many(count: str) -> Problem:
    return Problem(
        code="too-many-corners",
        level="stop",
        where="region",
        got=f"{count} corners",
        allowed=f"at most {MOST_CORNERS} can be listed",
        do="use a screening or optimal plan, which do not need the list, or vary fewer things",
    )
