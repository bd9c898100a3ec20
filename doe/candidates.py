"""Candidate recipes: corners, middles, centroids of faces, mixes of corners; and points spread over the region."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import numpy.typing as npt

from doe.region import Region

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

_FEW_CORNERS = 64
_MANY_CORNERS = 400


def unique(U: Array) -> Array:
    """The distinct rows of U, in order of first appearance."""
    _, first = np.unique(np.round(U, 9) + 0.0, axis=0, return_index=True)
    distinct: Array = U[np.sort(first)]
    return distinct


def corners(region: Region, most: int = _MANY_CORNERS) -> Array:
    """The region's corners in free coordinates, (v, d); an even choice of them when there are more than `most`."""
    points = region.corners.points
    return points if len(points) <= most else points[np.linspace(0, len(points) - 1, most).round().astype(int)]


def middles(region: Region, most: int = 2000) -> Array:
    """Middles of all pairs of corners where these are few, else of edges, (m, d)."""
    points = region.corners.points
    if len(points) <= _FEW_CORNERS:
        pairs = np.array(list(combinations(range(len(points)), 2)), dtype=np.intp).reshape(-1, 2)
    else:
        pairs = np.asarray(region.corners.edges, dtype=np.intp).reshape(-1, 2)
    if len(pairs) > most:
        pairs = pairs[np.linspace(0, len(pairs) - 1, most).round().astype(int)]
    found: Array = points[pairs].mean(axis=1) if len(pairs) else np.zeros((0, points.shape[1]))
    return found


def face_centroids(region: Region) -> Array:
    """Centroids of the faces of two dimensions and more, (f, d); none where the faces are too many to list."""
    if len(region.corners.points) > _FEW_CORNERS:
        return np.zeros((0, region.dimension))
    found = [region.coded(region.face_centroids(k)) for k in range(2, region.dimension)]
    return np.concatenate([np.zeros((0, region.dimension)), *(f for f in found if len(f))])


def centroid(region: Region) -> Array:
    """The overall centroid, (1, d)."""
    mean: Array = region.corners.points.mean(axis=0, keepdims=True)
    return mean


def mixes(region: Region, count: int = 1000) -> Array:
    """Random mixes of a few corners each, (count, d): Dirichlet weights, half of them flat and half near the corners."""
    points = region.corners.points
    rng = np.random.default_rng(np.random.SeedSequence([20, len(points), region.dimension]))
    few = min(len(points), region.dimension + 1)
    pick = rng.integers(len(points), size=(count, few))
    weights = np.concatenate([rng.dirichlet(np.full(few, a), size=count // 2) for a in (1.0, 0.4)])
    mixed: Array = np.einsum("nc,ncd->nd", weights, points[pick[: len(weights)]])
    return mixed


def rich(region: Region) -> Array:
    """A wide set of candidates in free coordinates, (m, d): for approximate designs and for checking worst places."""
    return unique(
        np.concatenate([corners(region), middles(region), face_centroids(region), centroid(region), mixes(region)])
    )


def short(region: Region, most: int = 240) -> Array:
    """A short set of candidates for point exchange: corners, edge middles, centroids, at most `most`."""
    points = region.corners.points
    edges = np.asarray(region.corners.edges, dtype=np.intp).reshape(-1, 2)
    edge_middles = points[edges].mean(axis=1) if len(edges) else np.zeros((0, points.shape[1]))
    lists = [corners(region, most // 2), edge_middles, face_centroids(region), centroid(region)]
    U = unique(np.concatenate(lists))
    if len(U) <= most:
        return U
    rng = np.random.default_rng(np.random.SeedSequence([21, len(U)]))
    keep = np.sort(rng.permutation(len(U) - 1)[: most - 1])
    return np.concatenate([U[keep], U[-1:]])


def with_levels(U: Array, combos: Indices, most: int = 4000) -> tuple[Array, Indices]:
    """Every candidate at every combination of category levels; where that is more than `most`, levels in turn."""
    if len(U) * len(combos) <= most:
        return np.repeat(U, len(combos), axis=0), np.tile(combos, (len(U), 1))
    turns = max(1, most // len(U))
    index = (np.arange(len(U) * turns) * 7919) % len(combos)
    return np.repeat(U, turns, axis=0), combos[index]


def spread(region: Region, count: int, seed: int, combos: Indices) -> tuple[Array, Indices]:
    """`count` points spread evenly inside the region, (count, d), with category levels in turn.

    Each next point is the one, of 2000 drawn uniformly, farthest from those chosen (Kennard & Stone 1969,
    Technometrics 11, 137-148; from memory), in coordinates of equal spread; the first is the nearest to the centre.
    """
    X = region.sample(2000, seed=seed)
    Z = region.whitened(X) if region.dimension else np.zeros((len(X), 0))
    chosen = [int((Z**2).sum(axis=1).argmin())]
    far = ((Z - Z[chosen[0]]) ** 2).sum(axis=1)
    while len(chosen) < count:
        chosen.append(int(far.argmax()))
        far = np.minimum(far, ((Z - Z[chosen[-1]]) ** 2).sum(axis=1))
    rng = np.random.default_rng(np.random.SeedSequence([seed, 22]))
    order = rng.permutation(len(combos))
    return region.coded(X[chosen]), combos[order[np.arange(count) % len(combos)]]
