"""Candidate recipes: corners, middles, centroids of faces, mixes of corners; and points spread over the region."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import combinations

import numpy as np
import numpy.typing as npt
from scipy.optimize import linprog

from doe.problems import StudyError
from doe.region.polytope import solved
from doe.region.region import Region

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

_FEW_CORNERS = 64  # corners up to which all pairs and faces are taken
_MANY_CORNERS = 400  # corners that are taken, an even choice where there are more
_FEWEST = 6  # candidates of each piece, times one more than the dimension


def unique(U: Array) -> Array:
    """The distinct rows of U (n, d), in order of first appearance."""
    _, first = np.unique(np.round(U, 9) + 0.0, axis=0, return_index=True)
    distinct: Array = U[np.sort(first)]
    return distinct


def free_form(region: Region, around: Region | None = None) -> tuple[Array, Array, Array, Array]:
    """(origin (k,), basis (k, d), G (m, d), h (m,)): levels are origin + basis u, and the limits are G u <= h.

    Rows of G have unit length; rows that do not depend on u are left out. The limits of one piece of a region, in the
    coordinates of what is `around` it, have their equalities as two rows each.
    """
    frame = around or region
    d = frame.dimension
    origin = frame.decoded(np.zeros((1, d)))[0]
    basis = (frame.decoded(np.eye(d)) - origin).T if d else np.zeros((len(origin), 0))
    A, b = region.A, region.b
    if frame is not region:
        A, b = np.concatenate([A, region.E, -region.E]), np.concatenate([b, region.e, -region.e])
    G, h = A @ basis, b - A @ origin
    length = np.linalg.norm(G, axis=1)
    real = length > 1e-10 * np.maximum(1e-300, np.abs(A) @ np.maximum(np.abs(origin), np.abs(basis).sum(axis=1)))
    return origin, basis, G[real] / length[real, None], h[real] / length[real]


def all_corners(region: Region, around: Region | None = None) -> Array:
    """The region's corners in free coordinates, (v, d); where they are too many to list, 400 found by chance.

    Here and below the coordinates are those of the region itself, or of what is `around` it.
    """
    code = (around or region).coded
    try:
        return code(region.vertex_array)
    except StudyError:
        found = region.remember("some corners", lambda: _some_corners(region))
        return found if around is None else unique(code(region.decoded(found)))


def _some_corners(region: Region) -> Array:
    """The corners that lie farthest in each of 400 directions drawn at random."""
    _, _, G, h = free_form(region)
    rng = np.random.default_rng(np.random.SeedSequence([23, region.dimension]))
    ways = rng.normal(size=(400, region.dimension))
    points = np.array([linprog(way, A_ub=G, b_ub=h, bounds=(None, None)).x for way in ways])
    return unique(solved(points, np.abs(points @ G.T - h) <= 1e-8, G, h))


def edge_middles(region: Region, around: Region | None = None) -> Array:
    """Middles of all edges in free coordinates, (e, d); none where the corners are too many to list."""
    none = np.zeros((0, (around or region).dimension))
    try:
        edges = np.asarray(region.edges(), dtype=np.intp).reshape(-1, 2)
        points = (around or region).coded(region.vertex_array)
    except StudyError:
        return none
    found: Array = points[edges].mean(axis=1) if len(edges) else none
    return found


def _evenly(points: Array, most: int) -> Array:
    return points if len(points) <= most else points[np.linspace(0, len(points) - 1, most).round().astype(int)]


def corners(region: Region, around: Region | None = None, most: int = _MANY_CORNERS) -> Array:
    """The region's corners in free coordinates, (v, d); an even choice of them when there are more than `most`."""
    return _evenly(all_corners(region, around), most)


def middles(region: Region, around: Region | None = None, most: int = 2000) -> Array:
    """Middles of all pairs of corners where these are few, else of edges, (m, d)."""
    points = all_corners(region, around)
    if len(points) > _FEW_CORNERS:
        return _evenly(edge_middles(region, around), most)
    pairs = np.array(list(combinations(range(len(points)), 2)), dtype=np.intp).reshape(-1, 2)
    found: Array = points[pairs].mean(axis=1) if len(pairs) else np.zeros((0, points.shape[1]))
    return found


def face_centroids(region: Region, around: Region | None = None) -> Array:
    """Centroids of the faces of two dimensions and more, (f, d); none where the faces are too many to list."""
    none = np.zeros((0, (around or region).dimension))
    if len(all_corners(region)) > _FEW_CORNERS:
        return none
    found = [(around or region).coded(region.face_centroids(k)) for k in range(2, region.dimension)]
    return np.concatenate([none, *(f for f in found if len(f))])


def centroid(region: Region, around: Region | None = None) -> Array:
    """The overall centroid, (1, d)."""
    middle = np.array([[region.centroid[name] for name in region.names]])
    return (around or region).coded(middle)


def mixes(region: Region, around: Region | None = None, count: int = 1000) -> Array:
    """Random mixes of a few corners each, (count, d): Dirichlet weights, half of them flat, half near the corners."""
    points = all_corners(region, around)
    rng = np.random.default_rng(np.random.SeedSequence([20, len(points), region.dimension]))
    few = min(len(points), region.dimension + 1)
    pick = rng.integers(len(points), size=(count, few))
    weights = np.concatenate([rng.dirichlet(np.full(few, a), size=count // 2) for a in (1.0, 0.4)])
    mixed: Array = np.einsum("nc,ncd->nd", weights, points[pick[: len(weights)]])
    return mixed


def rich(region: Region, around: Region | None = None) -> Array:
    """A wide set of candidates in free coordinates, (m, d): for approximate designs and for checking worst places."""
    kinds = (corners, middles, face_centroids, centroid, mixes)
    return unique(np.concatenate([kind(region, around) for kind in kinds]))


def short(region: Region, around: Region | None = None, most: int = 240) -> Array:
    """A short set of candidates for point exchange, (m, d), m at most `most`: corners, edge middles, centroids."""
    lists = [corners(region, around, most // 2), _evenly(edge_middles(region, around), most)]
    U = unique(np.concatenate([*lists, face_centroids(region, around), centroid(region, around)]))
    if len(U) <= most:
        return U
    rng = np.random.default_rng(np.random.SeedSequence([21, len(U)]))
    keep = np.sort(rng.permutation(len(U) - 1)[: most - 1])
    return np.concatenate([U[keep], U[-1:]])


def everywhere(
    pieces: Sequence[tuple[Region, Indices]], around: Region, find: Callable[[Region, Region], Array], most: int = 4000
) -> tuple[Array, Indices]:
    """The candidates U (m, d), C (m, c) that `find` gives of each piece, at the combinations where it holds.

    Of many pieces each has its share of `most`, an even choice of its candidates.
    """
    total = sum(len(combos) for _, combos in pieces)
    found = []
    for part, combos in pieces:
        U, share = find(part, around), most * len(combos) // total
        if len(pieces) > 1:
            U = _evenly(U, max(share, _FEWEST * (around.dimension + 1)))
        found.append(with_levels(U, combos, share))
    return np.concatenate([U for U, _ in found]), np.concatenate([C for _, C in found])


def with_levels(U: Array, combos: Indices, most: int = 4000) -> tuple[Array, Indices]:
    """Every candidate U (n, d) at every combination (m, c); the levels in turn where that is more than `most`."""
    if len(U) * len(combos) <= most:
        return np.repeat(U, len(combos), axis=0), np.tile(combos, (len(U), 1))
    turns = max(1, most // len(U))
    index = (np.arange(len(U) * turns) * 7919) % len(combos)
    return np.repeat(U, turns, axis=0), combos[index]


def spread(
    pieces: Sequence[tuple[Region, Indices]], around: Region, count: int, seed: int
) -> tuple[Array, Indices]:  # fmt: skip
    """`count` points spread evenly inside the region, (count, d), with category levels in turn.

    Each next point is the one, of 2000 drawn uniformly, farthest from those chosen (Kennard & Stone 1969,
    Technometrics 11, 137-148; from memory), in coordinates of equal spread; the first is the nearest to the centre.
    Where limits differ between combinations of category levels, each polytope has its share of the points.
    """
    total = sum(len(combos) for _, combos in pieces)
    shares = np.diff(np.round(np.cumsum([0, *(len(combos) for _, combos in pieces)]) * count / total)).astype(int)
    found = [_spread(p, around, int(n), seed, c) for (p, c), n in zip(pieces, shares, strict=True) if n]
    return np.concatenate([U for U, _ in found]), np.concatenate([C for _, C in found])


def _spread(region: Region, around: Region, count: int, seed: int, combos: Indices) -> tuple[Array, Indices]:
    X = region.sample(2000, seed=seed)
    Z = region.whitened(X) if region.dimension else np.zeros((len(X), 0))
    chosen = [int((Z**2).sum(axis=1).argmin())]
    far = ((Z - Z[chosen[0]]) ** 2).sum(axis=1)
    while len(chosen) < count:
        chosen.append(int(far.argmax()))
        far = np.minimum(far, ((Z - Z[chosen[-1]]) ** 2).sum(axis=1))
    rng = np.random.default_rng(np.random.SeedSequence([seed, 22]))
    order = rng.permutation(len(combos))
    return around.coded(X[chosen]), combos[order[np.arange(count) % len(combos)]]
