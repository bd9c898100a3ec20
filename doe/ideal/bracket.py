"""How much better than a found plan any plan on the whole region could be, proven.

The best approximate plan was found by a search (`doe.ideal.approximate`). Two proofs bound what any other plan could
gain. One bounds the variance function of the plan in hand over the region (`doe.ideal.bernstein`): as tight as one
likes up to about six free dimensions. The other needs no search (`doe.ideal.relaxation`): within a few per cent at
any dimension for which it can be written down. Symmetry is used by both (`doe.ideal.symmetry`), and the better one
counts.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from doe.ideal import relaxation
from doe.ideal.approximate import Approximate, limit_of
from doe.ideal.bernstein import Search, search
from doe.ideal.symmetry import Piece, Spread, is_shared, pieces, ratio, spread_of
from doe.problems import StudyError
from doe.region import polytope
from doe.search.spaces import Layout

Array = npt.NDArray[np.float64]

_COARSE, _CLOSER, _FINE = 0.15, 0.02, 0.0024
_WORK = 4e10
_CUT_UP, _MOST_CUT_UP = 6, 9
_MOST_SIMPLICES, _FEW_SIMPLICES = 20_000, 60
_MOST_IMAGES = 160
_FILLING, _SHARE = 2000, 0.6


def proven(plan: Layout, best: Approximate) -> float:
    """A proven bound (0..1) of how much better than `best` any plan on the whole region could be: its own efficiency.

    It holds in exact arithmetic up to what is said of rounding in `doe.ideal.bernstein.search` (which is added to the
    bound) and `doe.ideal.relaxation.limit` (1e-12 of the bound), and up to 1e-6 in the symmetry that is used.
    """
    spread = spread_of(plan, best)
    halves = pieces(spread, plan, halved=True)
    dimension = max((len(piece.columns) for piece in halves), default=plan.region.dimension)
    early = dimension >= _CUT_UP and (not halves or halves[0].degree > 1)
    sure = _relaxed(plan, best, spread) if early else 0.0
    most = _MOST_SIMPLICES if dimension <= _CUT_UP else _FEW_SIMPLICES
    greatest = _greatest(spread.best, halves, most, _CLOSER if sure > 1 - 4 * _CLOSER else _COARSE)
    if np.isfinite(greatest):
        sure = max(sure, min(1.0, spread.best.worth(greatest) * ratio(best, spread.best)))
    if not early and sure < 1 - 2 * _FINE:
        sure = max(sure, _relaxed(plan, best, spread))
    return sure or _at_least(plan, best)


def bounded(plan: Layout, best: Approximate) -> tuple[Approximate, float]:
    """A plan as good as `best`, and a proven bound of its variance function over the whole region by cutting it up.

    The plan is `best` itself, or `best` spread evenly over its mirror images. Infinite where nothing is proven.
    """
    spread = spread_of(plan, best)
    return spread.best, _greatest(spread.best, pieces(spread, plan, halved=True), _MOST_SIMPLICES, _COARSE)


# -- the variance function of the plan in hand ---------------------------------------------------------------------


def _greatest(best: Approximate, parts: list[Piece], most: int, stage: float) -> float:
    """A proven bound of the variance function over all parts; infinite where they need more than `most` simplices."""
    least, cut, left = best.mean, [], most
    if not parts:
        return np.inf
    for piece in parts:
        if piece.degree > 1 and len(piece.columns):
            corners = polytope.corners(piece.G, piece.h) if len(piece.columns) <= _MOST_CUT_UP else None
            simplices = polytope.fan(corners, left) if corners else None
            if corners is None or simplices is None:
                return np.inf
            left -= len(simplices)
            cut.append((piece, corners.points[simplices]))
            continue
        try:
            # A single place, or a convex function, which is greatest at a corner.
            F = piece.model(piece.corners())
        except StudyError:
            return np.inf
        least = max(least, float(np.einsum("np,np->n", F @ best.shape, F).max()))
    return _staged(best, cut, least, stage) if cut else least


def _staged(best: Approximate, cut: list[tuple[Piece, Array]], least: float, stage: float) -> float:
    """Levels ever nearer to `least`, until one is not proven with the work that is left; infinite without any.

    Where a value above the level turns up, levels are measured from it.
    """
    found, left = np.inf, _WORK
    while True:
        done = _at_level(best, cut, least * (1 + stage), left)
        left -= done.work
        if not done.closed and done.seen > least * (1 + stage):
            least = done.seen
            continue
        if not done.closed or done.upper >= found:
            return found
        found = done.upper
        if stage <= _FINE or 1.7 * done.work > left:
            return found
        # Work grows with about the 0.6th power of the nearness: go as far as what is left allows.
        stage = max(_FINE, min(stage / 2.5, stage * (1.5 * done.work / max(left, 1.0)) ** (1 / 0.6)))


def _at_level(best: Approximate, cut: list[tuple[Piece, Array]], level: float, left: float) -> Search:
    """The attempt to prove one level on all pieces, with at most `left` work."""
    upper = seen = work = 0.0
    for piece, simplices in cut:
        done = search(
            simplices, piece.model, best.shape, degree=max(1, piece.degree), level=level, most_work=left - work
        )
        upper, seen, work = max(upper, done.upper), max(seen, done.seen), work + done.work
        if not done.closed:
            return replace(done, seen=seen, work=work)
    return replace(done, upper=upper, seen=seen, work=work)


# -- no plan in hand -----------------------------------------------------------------------------------------------


def _relaxed(plan: Layout, best: Approximate, spread: Spread) -> float:
    """The efficiency of `best` against what no plan can pass, by sums of squares; 0 where that is out of reach."""
    parts = pieces(spread, plan, halved=False)
    if not parts or parts[0].count(spread) > _MOST_IMAGES or any(not len(piece.columns) for piece in parts):
        return 0.0
    value, Q = relaxation.limit(best.criterion, best.prior, [_part(piece, spread, best, len(parts)) for piece in parts])
    return _against(best, value) if Q.any() and is_shared(spread, plan, Q) else 0.0


def _part(piece: Piece, spread: Spread, best: Approximate, count: int) -> relaxation.Part:
    """The piece with its limits once each, points that fill it and those of the plan."""
    _, first = np.unique(np.round(np.column_stack([piece.G, piece.h]), 9), axis=0, return_index=True)
    G, h = piece.G[np.sort(first)], piece.h[np.sort(first)]
    own = piece.own(best.U)
    here = (own @ G.T <= h + 1e-7).all(axis=1)
    filling = piece.filling(_FILLING)
    own, shares = (own[here], best.weights[here]) if here.any() else (filling[:1], np.ones(1))
    weights = np.concatenate([np.full(len(filling), 1 - _SHARE) / len(filling), _SHARE * shares / shares.sum()])
    points = np.concatenate([filling, own])
    return relaxation.Part(
        G, h, max(1, piece.degree), piece.images(spread), points, weights / count, own, shares / shares.sum()
    )


def _at_least(plan: Layout, best: Approximate) -> float:
    """A crude bound that is always there: no term exceeds the product of the greatest values of its columns.

    With Q the diagonal of what each term then weighs, the general bound is Hadamard's of the determinant for D.
    """
    region, code = plan.region, plan.terms.fitting_coding(plan.region)
    ends = np.array([list(region.reach[name]) for name in region.names]).reshape(len(region.names), 2)
    most = dict(zip(region.names, np.abs(code(ends.T)).max(axis=0), strict=True))
    size = np.array(
        [
            np.prod([most[n] ** p for n, p in t.powers])
            * (most[t.difference[0]] + most[t.difference[1]] if t.difference else 1.0)
            for t in plan.terms.terms
        ]
    )
    size, back = np.maximum(size, 1e-9), np.asarray(np.eye(len(best.shape)), dtype=np.float64)
    if plan.basis.shape[0] == plan.basis.shape[1]:
        back = np.asarray(np.linalg.inv(plan.basis), dtype=np.float64)
    else:
        # A model of fewer functions than terms.
        size = np.maximum(np.abs(plan.basis).T @ size, 1e-9)
    weigh = 1 / size**2 if best.kind == "D" else np.diag(back.T @ best.criterion.weight @ back) / size**4
    Q = back @ (weigh[:, None] * back.T)
    return _against(best, limit_of(best.criterion, best.prior, Q, float(weigh @ size**2)))


def _against(best: Approximate, limit: float) -> float:
    """The efficiency of `best` against what no plan can pass."""
    return min(1.0, float(np.exp(best.value - limit)) if best.kind == "D" else limit / best.value)
