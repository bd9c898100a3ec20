"""What region, model and plan share in symmetry, so that a bound over a part of the region holds for all of it.

A plan spread evenly over its mirror images, in factors that no limit ties to anything else and in the levels of
categories, is no worse when model and prior have that symmetry (criteria are concave), and its variance function has
the same symmetry. Besides, a variance function is convex along a factor in which the model is affine, and greatest
at one of its ends.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt

from doe.ideal.approximate import Approximate, judged
from doe.region.region import Region
from doe.search import candidates
from doe.search.spaces import Layout, same_levels

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

MOST_PIECES = 1024  # beyond, a proof is not tried
_MOST_IMAGES = 60_000  # points of a plan spread over its images
_GENERIC = 48  # random points at which a symmetry is tried
_SAME = 1e-9  # of the greatest value


@dataclass(frozen=True, slots=True, eq=False)
class Spread:
    """A plan, and the symmetry it was given: sign changes of the coordinates `signs`, and all levels alike."""

    best: Approximate
    signs: tuple[int, ...]
    levels: bool


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """A part of the region at one combination of categories, in coordinates of its own.

    {v : G v <= h} with v (k,), the free coordinates `columns` of one `polytope` of the region, whose other ones are
    fixed at `origin`. On it the model has total degree `degree`.
    """

    plan: Layout
    polytope: Region
    G: Array
    h: Array
    origin: Array
    columns: Indices
    combo: Indices
    degree: int

    def whole(self, V: Array) -> Array:
        """Points (n, k) of the piece in the region's coordinates, (n, d)."""
        U = np.tile(self.origin, (len(V), 1))
        U[:, self.columns] = V
        return self.plan.coded_from(self.polytope)(U)

    def own(self, U: Array) -> Array:
        """Points (n, d) in the region's coordinates as seen in the piece's, (n, k)."""
        plain = self.polytope is self.plan.region
        V = U if plain else self.polytope.coded(self.plan.region.decoded(U))
        return V[:, self.columns]

    def filling(self, count: int) -> Array:
        """Points (count, k) spread uniformly over the piece."""
        return self.polytope.coded(self.polytope.sample(count, seed=0))[:, self.columns]

    def corners(self) -> Array:
        """Its corners, (v, k). Raises StudyError when they are too many."""
        if not len(self.columns):
            return np.zeros((1, 0))
        V = self.polytope.coded(self.polytope.vertex_array)[:, self.columns]
        found: Array = np.unique(np.round(V, 12), axis=0)
        return found

    @property
    def model(self) -> Callable[[Array], Array]:
        """The model's rows (n, p) for points (n, k) of this piece."""
        return lambda V: self.plan.space.model(self.whole(V), same_levels(self.combo, len(V)))

    def images(self, spread: Spread) -> Callable[[Array], Array]:
        """The model's rows (images, n, p) at all images of points (n, k)."""
        combos = self.plan.combinations() if spread.levels else self.combo[None]
        signs = _signs(self.plan, spread.signs)

        def rows(V: Array) -> Array:
            U = self.whole(V)
            return np.array([self.plan.space.model(U * s, same_levels(c, len(U))) for s in signs for c in combos])

        return rows

    def count(self, spread: Spread) -> int:
        """How many images there are."""
        return int(2 ** len(spread.signs)) * (len(self.plan.combinations()) if spread.levels else 1)


def spread_of(plan: Layout, best: Approximate) -> Spread:
    """`best` spread over its images in every sign of the lone coordinates and all levels, where that is no worse.

    Where limits differ between combinations of categories, it stays as it is.
    """
    combos, alone = plan.combinations(), _alone(plan)
    for columns in ([alone, []] if alone else [[]]) if plan.space.rooms is None else []:
        count = len(combos) * 2 ** len(columns)
        if count == 1 or count * len(best.U) > _MOST_IMAGES:
            continue
        signs = _signs(plan, columns)
        U = (best.U[:, None, :] * signs).reshape(len(signs) * len(best.U), plan.region.dimension)
        C = np.tile(combos, (len(U), 1))
        image = judged(plan, best, np.repeat(U, len(combos), axis=0), C, np.repeat(best.weights / count, count))
        if ratio(best, image) <= 1 + 1e-7:
            return Spread(image, tuple(columns), True)
    return Spread(best, (), False)


def ratio(best: Approximate, other: Approximate) -> float:
    """The efficiency of `best` against `other`."""
    if best.kind == "D":
        return float(np.exp(best.value - other.value))
    return other.value / best.value


def _signs(plan: Layout, columns: tuple[int, ...] | list[int]) -> Array:
    signs = np.ones((2 ** len(columns), plan.region.dimension))
    signs[:, list(columns)] = list(product((1.0, -1.0), repeat=len(columns)))
    return signs


def _alone(plan: Layout) -> list[int]:
    """Free coordinates that no limit ties to another and that move no other column: their range is -1..+1."""
    frame = plan.region.frame
    single = [part[0] for part in frame.parts if len(part) == 1]
    return [k for k in single if np.count_nonzero(frame.map[:, k]) == 1]


def pieces(spread: Spread, plan: Layout, *, halved: bool) -> list[Piece]:
    """Parts of the region that between them hold every value of the variance function; none when they are too many.

    A lone coordinate in which the model is affine is put at its ends; with `halved`, one that may be mirrored keeps its
    upper half only; a combination of categories with the variance function of an earlier one is left out. What is the
    same is tested at 48 points to 1e-9, which different polynomials do not pass by chance. Where limits differ between
    combinations, each polytope is taken as it is.
    """
    d, Q = plan.region.dimension, spread.best.shape
    U = _generic(d)
    if plan.space.rooms is not None:
        return _polytopes(plan, Q, U)
    _, _, G, h = candidates.free_form(plan.region)
    combos = _distinct(plan, Q, U, plan.combinations())
    ends = [k for k in _alone(plan) if _is_affine(plan, U, k, combos)]
    even = [k for k in _alone(plan) if is_even(plan, Q, U, k, combos)]
    settings = list(product(*[(1.0,) if k in even else (-1.0, 1.0) for k in ends]))
    if len(settings) * len(combos) > MOST_PIECES:
        return []
    for k in set(even) - set(ends) if halved else ():
        G, h = np.vstack([G, -np.eye(d)[k]]), np.append(h, 0.0)
    free = np.setdiff1d(np.arange(d), ends)
    rows = np.abs(G[:, free]).max(axis=1, initial=0.0) > 1e-12
    found = []
    for setting in settings:
        origin = np.zeros(d)
        origin[ends] = setting
        for combo in combos:
            found.append(Piece(plan, plan.region, G[rows][:, free], h[rows], origin, free, combo, _degree(plan, ends)))
    return found


def _polytopes(plan: Layout, Q: Array, U: Array) -> list[Piece]:
    """Every polytope of the region at each of its combinations, in its own coordinates."""
    found = []
    for part, combos in plan.pieces:
        d = part.dimension
        _, _, G, h = candidates.free_form(part)
        for combo in _distinct(plan, Q, U, combos):
            found.append(Piece(plan, part, G, h, np.zeros(d), np.arange(d), combo, _degree(plan, [])))
    return found if len(found) <= MOST_PIECES else []


def is_shared(spread: Spread, plan: Layout, Q: Array) -> bool:
    """Whether the variance function f'Qf, with Q (p, p), has the symmetry of `spread`: tried at generic points."""
    U = _generic(plan.region.dimension)
    combos = plan.combinations()
    if spread.levels and len(_distinct(plan, Q, U, combos, 1e-6)) > 1:
        return False
    return all(is_even(plan, Q, U, k, combos, 1e-6) for k in spread.signs)


def _generic(d: int) -> Array:
    return np.random.default_rng(np.random.SeedSequence([29, d])).uniform(-1, 1, size=(_GENERIC, d))


def _degree(plan: Layout, ends: list[int]) -> int:
    """The highest total degree of the terms in the columns that are left."""
    gone = {plan.region.free[k] for k in ends}
    return max(
        (sum(p for n, p in t.powers if n not in gone) + (t.difference is not None) for t in plan.terms.terms), default=0
    )


def _values(plan: Layout, Q: Array, U: Array, combo: Indices) -> Array:
    F = plan.space.model(U, same_levels(combo, len(U)))
    out: Array = np.einsum("np,np->n", F @ Q, F)
    return out


def _distinct(plan: Layout, Q: Array, U: Array, combos: Indices, tolerance: float = _SAME) -> Indices:
    """Combinations of categories, but those whose variance function is that of an earlier one."""
    values = np.array([_values(plan, Q, U, combo) for combo in combos])
    kept: list[int] = []
    for i, row in enumerate(values):
        if not kept or (np.abs(values[kept] - row).max(axis=1) > tolerance * np.abs(row).max()).all():
            kept.append(i)
    return combos[kept]


def is_even(plan: Layout, Q: Array, U: Array, k: int, combos: Indices, tolerance: float = _SAME) -> bool:
    """Whether f'Qf, Q (p, p), is the same at -u_k as at u_k: at points U (n, d), for combinations `combos` (m, c)."""
    mirrored = U.copy()
    mirrored[:, k] *= -1
    pairs = [(_values(plan, Q, U, combo), _values(plan, Q, mirrored, combo)) for combo in combos]
    return all(np.abs(a - b).max() <= tolerance * np.abs(a).max() for a, b in pairs)


def _is_affine(plan: Layout, U: Array, k: int, combos: Indices) -> bool:
    """Whether every term of the model is at most linear in u_k."""
    step = np.eye(U.shape[1])[k]
    for combo in combos:
        low, middle, high = (plan.space.model(U + s * step, same_levels(combo, len(U))) for s in (-1.0, 0.0, 1.0))
        if np.abs(low - 2 * middle + high).max() > _SAME * np.abs(middle).max():
            return False
    return True
