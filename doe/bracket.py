"""How much better than a found plan any plan on the whole region could be, proven.

The best approximate plan was found by a search (`doe.approximate`); its variance function f(u)' Q f(u), bounded over
the region, bounds what any other plan could gain. What the region and the model share in symmetry is used first: a
plan spread evenly over its mirror images has a variance function with the same symmetry, which need be bounded on
one part only.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
import numpy.typing as npt

from doe import candidates, polytope
from doe.approximate import Approximate, judged
from doe.bernstein import Search, search
from doe.problems import Unavailable
from doe.spaces import Layout

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

_COARSE, _FINE = 0.15, 0.0024
_WORK = 6e10
_MOST_SIMPLICES = 20_000
_MOST_IMAGES = 60_000
_MOST_PIECES = 1024
_GENERIC = 48
_SAME = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """A part of the region at one combination of categories, in coordinates of its own.

    {v : G v <= h} with v (k,); `place`, an affine map, takes points (n, k) to coordinates of the region (n, d). On it
    the model has total degree `degree`.
    """

    G: Array
    h: Array
    place: Callable[[Array], Array]
    combo: Indices
    degree: int

    def model(self, plan: Layout) -> Callable[[Array], Array]:
        """The model's rows for points (n, k) of this piece."""

        def rows(V: Array) -> Array:
            return plan.space.model(self.place(V), np.broadcast_to(self.combo, (len(V), len(self.combo))))

        return rows

    def corners(self) -> polytope.Corners:
        """Its corners."""
        return polytope.corners(self.G, self.h)


def proven(plan: Layout, best: Approximate) -> float | Unavailable:
    """A proven bound (0..1) of how much better than `best` any plan on the whole region could be: its own efficiency.

    It holds in exact arithmetic up to the rounding of single precision that `doe.bernstein.search` allows for, and up
    to 1e-9 in the symmetry that is used (tested at 48 points, which a polynomial cannot pass by chance).
    """
    spread, greatest = bounded(plan, best)
    if greatest is None:
        return Unavailable(
            f"not proven in {plan.region.dimension} free dimensions or for so many categories",
            "read the efficiencies against the best plan that the search found",
        )
    return min(1.0, spread.worth(greatest) * _ratio(best, spread))


def bounded(plan: Layout, best: Approximate) -> tuple[Approximate, float | None]:
    """A plan as good as `best`, and a proven bound of its variance function over the whole region; None without one.

    It is `best` itself, or `best` spread evenly over its mirror images.
    """
    spread = _spread(plan, best)
    pieces = _pieces(plan, spread)
    return spread, None if pieces is None else _greatest(plan, spread, pieces)


def _ratio(best: Approximate, other: Approximate) -> float:
    """The efficiency of `best` against `other`."""
    if best.kind == "D":
        return float(np.exp(best.value - other.value))
    return other.value / best.value


def _greatest(plan: Layout, best: Approximate, pieces: list[Piece]) -> float | None:
    """A proven bound of the variance function over all pieces, as tight as the work allowed for gives."""
    least, cut = best.mean, []
    for piece in pieces:
        corners = piece.corners() if piece.G.shape[1] else None
        if corners is None or piece.degree <= 1:
            # A convex function is greatest at a corner; a piece may also be a single place.
            rows = piece.model(plan)(np.zeros((1, 0)) if corners is None else corners.points)
            least = max(least, float(np.einsum("np,pq,nq->n", rows, best.shape, rows).max()))
            continue
        simplices = polytope.fan(corners, _MOST_SIMPLICES)
        if simplices is None:
            return None
        cut.append((piece, corners.points[simplices]))
    return _staged(plan, best, cut, least) if cut else least


def _staged(plan: Layout, best: Approximate, cut: list[tuple[Piece, Array]], least: float) -> float | None:
    """Levels ever nearer to `least`, until one is not proven with the work that is left.

    Where a value above `least` turns up, levels are measured from it.
    """
    found, left, stage = None, _WORK, _COARSE
    while True:
        done = _at_level(plan, best, cut, least * (1 + stage), left)
        left -= done.work
        if not done.closed and done.seen > least * (1 + stage):
            least = done.seen
            continue
        if not done.closed or (found is not None and done.upper >= found):
            return found
        found = done.upper
        if stage <= _FINE:
            return found
        # Work grows with about the 0.6th power of the nearness: go as far as what is left allows.
        stage = max(_FINE, min(stage / 2.5, stage * (1.5 * done.work / max(left, 1.0)) ** (1 / 0.6)))
        if 1.7 * done.work > left:
            return found


def _at_level(plan: Layout, best: Approximate, cut: list[tuple[Piece, Array]], level: float, left: float) -> Search:
    """The attempt to prove one level on all pieces, with at most `left` work."""
    upper = seen = work = 0.0
    for piece, simplices in cut:
        model = piece.model(plan)
        done = search(simplices, model, best.shape, degree=piece.degree, level=level, most_work=left - work)
        upper, seen, work = max(upper, done.upper), max(seen, done.seen), work + done.work
        if not done.closed:
            return replace(done, seen=seen, work=work)
    return replace(done, upper=upper, seen=seen, work=work)


# -- symmetry ------------------------------------------------------------------------------------------------------


def _alone(plan: Layout) -> list[int]:
    """Free coordinates that no limit ties to another and that move no other column: their range is -1..+1."""
    frame = plan.region.frame
    single = [part[0] for part in frame.parts if len(part) == 1]
    return [k for k in single if np.count_nonzero(frame.map[:, k]) == 1]


def _spread(plan: Layout, best: Approximate) -> Approximate:
    """The plan spread evenly over its images in every sign of the lone coordinates and all category levels.

    It is taken only where it is no worse, as it is where region, model and prior have that symmetry.
    """
    if plan.space.rooms is not None:
        return best
    combos, alone = plan.combinations(), _alone(plan)
    for columns in [alone, []] if alone else [[]]:
        count = len(combos) * 2 ** len(columns)
        if count == 1 or count * len(best.U) > _MOST_IMAGES:
            continue
        signs = np.ones((2 ** len(columns), plan.region.dimension))
        signs[:, columns] = list(product((1.0, -1.0), repeat=len(columns)))
        U = np.repeat(
            (best.U[:, None, :] * signs).reshape(count // len(combos) * len(best.U), signs.shape[1]),
            len(combos),
            axis=0,
        )
        C = np.tile(combos, (len(best.U) * len(signs), 1))
        image = judged(plan, best, U, C, np.repeat(best.weights / count, count))
        if _ratio(best, image) <= 1 + 1e-7:
            return image
    return best


def _pieces(plan: Layout, best: Approximate) -> list[Piece] | None:
    """Parts of the region that between them hold every value of the variance function; None when too many.

    A lone coordinate in which the model is affine is put at its ends, where the (convex) variance function is
    greatest; one that may be mirrored keeps its upper half only; a combination of categories with the variance
    function of an earlier one is left out. Where limits differ between combinations, each polytope is taken as it is.
    """
    d = plan.region.dimension
    rng = np.random.default_rng(np.random.SeedSequence([29, d]))
    U = rng.uniform(-1, 1, size=(_GENERIC, d))
    if plan.space.rooms is not None:
        return _polytopes(plan, best, U)
    _, _, G, h = candidates.free_form(plan.region)
    combos = _distinct(plan, best, U, plan.combinations())
    ends, halves = [], []
    for k in _alone(plan):
        if _is_affine(plan, U, k, combos):
            ends.append(k)
        elif _is_even(plan, best, U, k, combos):
            halves.append(k)
    even = [k for k in ends if _is_even(plan, best, U, k, combos)]
    choices = [(1.0,) if k in even else (-1.0, 1.0) for k in ends]
    settings = list(product(*choices))
    if len(settings) * len(combos) > _MOST_PIECES:
        return None
    for k in halves:
        G, h = np.vstack([G, -np.eye(d)[k]]), np.append(h, 0.0)
    free = np.setdiff1d(np.arange(d), ends)
    rows = np.abs(G[:, free]).max(axis=1, initial=0.0) > 0
    degree = _degree(plan, ends)
    pieces = []
    for setting in settings:
        origin = np.zeros(d)
        origin[ends] = setting
        for combo in combos:
            pieces.append(Piece(G[rows][:, free], h[rows], _at(origin, free), combo, degree))
    return pieces


def _at(origin: Array, free: Indices) -> Callable[[Array], Array]:
    """The points `origin` + v in the coordinates `free`."""

    def place(V: Array) -> Array:
        U = np.tile(origin, (len(V), 1))
        U[:, free] = V
        return U

    return place


def _polytopes(plan: Layout, best: Approximate, U: Array) -> list[Piece] | None:
    """Every polytope of the region at each of its combinations, in its own coordinates."""
    pieces = []
    for part, combos in plan.pieces:
        _, _, G, h = candidates.free_form(part)
        place, degree = plan.coded_from(part), _degree(plan, [])
        pieces += [Piece(G, h, place, combo, degree) for combo in _distinct(plan, best, U, combos)]
    return pieces if len(pieces) <= _MOST_PIECES else None


def _degree(plan: Layout, ends: list[int]) -> int:
    """The highest total degree of the terms in the columns that are left."""
    gone = {plan.region.free[k] for k in ends}
    return max(
        (sum(p for n, p in t.powers if n not in gone) + (t.difference is not None) for t in plan.terms.terms), default=0
    )


def _values(plan: Layout, best: Approximate, U: Array, combo: Indices) -> Array:
    F = plan.space.model(U, np.broadcast_to(combo, (len(U), len(combo))))
    out: Array = np.einsum("np,pq,nq->n", F, best.shape, F)
    return out


def _distinct(plan: Layout, best: Approximate, U: Array, combos: Indices) -> Indices:
    """Combinations of categories, but those whose variance function is that of an earlier one."""
    values = np.array([_values(plan, best, U, combo) for combo in combos])
    kept: list[int] = []
    for i, row in enumerate(values):
        if not any(np.abs(row - values[k]).max() <= _SAME * np.abs(row).max() for k in kept):
            kept.append(i)
    return combos[kept]


def _is_even(plan: Layout, best: Approximate, U: Array, k: int, combos: Indices) -> bool:
    """Whether the variance function is the same at -u_k as at u_k."""
    mirrored = U.copy()
    mirrored[:, k] *= -1
    pairs = [(_values(plan, best, U, combo), _values(plan, best, mirrored, combo)) for combo in combos]
    return all(np.abs(a - b).max() <= _SAME * np.abs(a).max() for a, b in pairs)


def _is_affine(plan: Layout, U: Array, k: int, combos: Indices) -> bool:
    """Whether every term of the model is at most linear in u_k."""
    step = np.eye(U.shape[1])[k]
    for combo in combos:
        C = np.broadcast_to(combo, (len(U), len(combo)))
        low, middle, high = (plan.space.model(U + s * step, C) for s in (-1.0, 0.0, 1.0))
        if np.abs(low - 2 * middle + high).max() > _SAME * np.abs(middle).max():
            return False
    return True
