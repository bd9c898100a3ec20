"""From a study's region and terms to the arrays that plans are searched on.

Everything is in the region's free coded coordinates u (each -1..+1 over its reach, the fill left out), so that a
search need not know of totals and equalities. The model is brought to a basis in which its average information over
the region is the identity: criteria do not depend on the basis, and their computation is then well conditioned.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from doe.definition.categories import contrast_table, present
from doe.region.region import Combination, Region
from doe.region.room import Room, Rooms
from doe.search import candidates
from doe.search.exchange import Criterion, Model, Space
from doe.terms.terms import Terms

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]
Piece = tuple[Region, Indices]

_ALONE = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """Region and terms ready for computing.

    `raw` maps (U (n, d), C (n, c)) to model rows in the printed terms' well-scaled coding; `basis` (p, p) takes these
    to the working basis of `space.model`; in that basis, `moment` (p, p) is the average of f f' over the region and
    `prior` (p, p) what is known of potential terms. `confounded`: terms that no plan in this region can tell apart.
    `pieces` are the polytopes of the region, each with the combinations of category levels (m, c) where it holds.
    """

    region: Region
    terms: Terms
    raw: Model
    space: Space
    basis: Array
    moment: Array
    prior: Array
    factors: tuple[str, ...]
    confounded: tuple[str, ...]
    pieces: tuple[Piece, ...]

    def criterion(self, name: Literal["D", "I", "A"], known: Array | None = None) -> Criterion:
        """The criterion by its letter; `known` (p, p) is further information, of trials already made.

        I: mean variance of prediction over the region. A: mean variance of the coefficients of the coded terms.
        Potential terms enter all three with their prior precision (DuMouchel & Jones 1994, Technometrics 36).
        """
        prior = self.prior if known is None else self.prior + known
        if name == "A":
            return Criterion("L", self.basis.T @ self.basis, prior)
        return Criterion("D" if name == "D" else "L", self.moment, prior)

    def combinations(self) -> Indices:
        """All combinations of category levels, (m, c), that are open; one empty row where there are no categories."""
        return _combinations(self.region, self.region.combinations)

    def coded_from(self, piece: Region) -> Callable[[Array], Array]:
        """What turns a polytope's own free coordinates (n, k) into those of the whole region, (n, d)."""
        return _carried(self.region, piece)

    def chosen(self, C: Indices) -> Mapping[str, npt.NDArray[Any]]:
        """Category levels by name for level indices C (n, c)."""
        return {
            name: np.array(self.region.categories[name], dtype=object)[C[:, j]] for j, name in enumerate(self.factors)
        }

    def indices(self, chosen: Mapping[str, Any], n: int) -> Indices:
        """Level indices (n, c) of category levels by name; KeyError for a level that is not known."""
        C = np.zeros((n, len(self.factors)), dtype=np.intp)
        for j, name in enumerate(self.factors):
            known = {level: i for i, level in enumerate(self.region.categories[name])}
            C[:, j] = [known[level] for level in chosen[name]]
        return C


def _combinations(region: Region, combinations: Sequence[Combination]) -> Indices:
    """Combinations as level indices (m, c)."""
    rows = [[region.categories[name].index(level) for name, level in one.items()] for one in combinations]
    return np.array(rows, dtype=np.intp).reshape(len(rows), len(region.categories))


def _pieces(region: Region) -> tuple[Piece, ...]:
    return tuple((piece, _combinations(region, combinations)) for piece, combinations in region.pieces)


def _carried(region: Region, piece: Region) -> Callable[[Array], Array]:
    return (lambda V: V) if piece is region else (lambda V: region.coded(piece.decoded(V)))


def _rooms(region: Region, pieces: tuple[Piece, ...], levels: tuple[int, ...]) -> Rooms | None:
    """The limits of each polytope in the coordinates of the region; None where one holds for all."""
    if pieces[0][0] is region:
        return None
    which = np.full(levels, -1, dtype=np.intp)
    rooms = []
    for number, (piece, combos) in enumerate(pieces):
        which[tuple(combos.T)] = number
        _, _, A, b = candidates.free_form(piece, region)
        ends = region.coded(np.stack([piece.frame.reach_low, piece.frame.reach_high]))
        rooms.append(Room(A, b, ends[0], ends[1], region.coded(piece.interior[None])[0]))
    return Rooms(tuple(rooms), which)


def layout(region: Region, terms: Terms) -> Layout:
    """Build the arrays for planning `terms` over `region`."""
    raw = compiled(region, terms)
    factors = tuple(region.categories)
    levels = tuple(len(region.categories[name]) for name in factors)
    _, _, A, b = candidates.free_form(region)
    pieces = _pieces(region)
    B, _ = terms.moment(region, terms.fitting_coding(region))
    confounded = dependent(np.linalg.cholesky(B + 1e-14 * np.trace(B) * np.eye(len(B))).T, terms.labels)
    basis, prior = _working(B, np.array(terms.sure), raw, region, pieces)
    space = Space(
        A,
        b,
        np.eye(region.dimension),
        _pairs(region),
        _cox(region),
        levels,
        lambda U, C: raw(U, C) @ basis,
        _along(region, terms),
        _rooms(region, pieces, levels),
    )
    for array in (basis, prior):
        array.setflags(write=False)
    return Layout(region, terms, raw, space, basis, basis.T @ B @ basis, prior, factors, tuple(confounded), pieces)


def _along(region: Region, terms: Terms) -> int:
    """The highest degree of any term along a line on which only ingredients or only one factor moves."""
    if len(region.E) > (region.blend_total is not None):
        return terms.degree
    degrees = [
        max(
            sum(p for name, p in term.powers if name in region.blend) + (term.difference is not None),
            *(p for name, p in term.powers if name not in region.blend),
            0,
        )
        for term in terms.terms
    ]
    return max(degrees, default=0)


def compiled(region: Region, terms: Terms) -> Model:
    """The model rows of `Terms.rows` as a fast function of free coordinates and level indices."""
    code = terms.fitting_coding(region)
    origin, basis, _, _ = candidates.free_form(region)
    shift = (origin - code.shift) / code.scale
    slope = basis / code.scale[:, None]
    k = len(region.names)
    named = [(f, level) for f, known in region.categories.items() for level in present(f, known)]
    at = {pair: 1 + k + i for i, pair in enumerate(named)}
    differences = sorted({t.difference for t in terms.terms if t.difference})
    past = {pair: 1 + k + len(named) + i for i, pair in enumerate(differences)}
    lists = []
    for term in terms.terms:
        parts = [1 + region.names.index(name) for name, power in term.powers for _ in range(power)]
        parts += [at[pair] for pair in term.level]
        parts += [past[term.difference]] if term.difference else []
        lists.append(parts)
    deep = max(1, *(len(parts) for parts in lists)) if lists else 1
    index = np.array([parts + [0] * (deep - len(parts)) for parts in lists], dtype=np.intp).T
    tables = [contrast_table(f, known) for f, known in region.categories.items()]
    left = [region.names.index(a) for a, _ in differences]
    right = [region.names.index(b) for _, b in differences]

    def rows(U: Array, C: Indices) -> Array:
        # A column to a line of memory: whole columns are multiplied, and the search spends most of its time here.
        pieces = [np.ones((1, len(U))), slope @ U.T + shift[:, None], *(t[C[:, j]].T for j, t in enumerate(tables))]
        if differences:
            pieces.append(pieces[1][left] - pieces[1][right])
        Z = np.concatenate(pieces)
        out = Z[index[0]]
        for more in index[1:]:
            out *= Z[more]
        made: Array = out.T
        return made

    return rows


def same_levels(combo: Indices, n: int) -> Indices:
    """The level indices (c,) of one combination for each of n recipes, (n, c); not to be written to."""
    return np.broadcast_to(combo, (n, len(combo)))


def _working(
    B: Array, sure: npt.NDArray[np.bool_], raw: Model, region: Region, pieces: Sequence[Piece]
) -> tuple[Array, Array]:  # fmt: skip
    """The working basis and the prior precision of potential terms in it.

    After DuMouchel & Jones (1994): each potential term is taken less its regression on the sure terms over the
    region, and scaled to a range of 1 over vertices, edge middles and the centroid; its prior precision is then 1
    (in units of the batch-to-batch variance), that of sure terms 0.
    """
    p = len(B)
    basis, prior = np.zeros((p, p)), np.zeros((p, p))
    size = np.sqrt(np.diag(B)) + 1e-300
    first = np.flatnonzero(sure)
    inner = B[np.ix_(first, first)] / np.outer(size[first], size[first])
    values, vectors = np.linalg.eigh(inner)
    root = vectors / np.sqrt(np.maximum(values, _ALONE * values.max(initial=1.0)))
    basis[np.ix_(first, first)] = root / size[first, None]
    rest = np.flatnonzero(~sure)
    if len(rest):
        slopes = (
            np.linalg.lstsq(inner, (B[np.ix_(first, rest)] / size[first, None]), rcond=1e-10)[0] / size[first, None]
        )
        F = np.concatenate([_marks(raw, region, piece, combos[:64]) for piece, combos in pieces])
        left = F[:, rest] - F[:, first] @ slopes
        width = np.ptp(left, axis=0)
        width = np.where(width > 1e-9 * np.abs(F[:, rest]).max(axis=0, initial=1e-300), width, 1.0)
        basis[np.ix_(first, rest)] = -slopes / width
        basis[rest, rest] = 1 / width
        prior[rest, rest] = 1.0
    return basis, prior


def _marks(raw: Model, region: Region, piece: Region, combos: Indices) -> Array:
    """Model rows at vertices, edge middles and centroid of a polytope."""
    kinds = (candidates.corners, candidates.edge_middles, candidates.centroid)
    U = np.concatenate([kind(piece, region) for kind in kinds])
    return np.concatenate([raw(U, same_levels(c, len(U))) for c in combos])


def dependent(F: Array, labels: tuple[str, ...], tolerance: float = 1e-6) -> list[str]:
    """Columns of F (n, p) that earlier ones already span."""
    return [str(row["term"]) for row in relations(F, labels, tolerance)]


def relations(F: Array, labels: tuple[str, ...], tolerance: float = 1e-7) -> list[dict[str, Any]]:
    """Each column of F (n, p) that earlier ones span: {"term": label, "same_as": {label of another: factor}}."""
    kept: list[int] = []
    found = []
    Q = np.zeros((len(F), 0))
    for j, label in enumerate(labels):
        column = F[:, j]
        length = float(np.linalg.norm(column))
        left = column - Q @ (Q.T @ column)
        left = left - Q @ (Q.T @ left)
        if length > 0 and np.linalg.norm(left) > tolerance * length:
            Q = np.column_stack([Q, left / np.linalg.norm(left)])
            kept.append(j)
            continue
        slopes = np.linalg.lstsq(F[:, kept], column, rcond=None)[0] if kept else np.zeros(0)
        same = {labels[k]: round(float(s), 9) + 0.0 for k, s in zip(kept, slopes, strict=True) if abs(s) > 1e-6}
        found.append({"term": label, "same_as": same})
    return found


def _pairs(region: Region) -> Array:
    """One free ingredient up and another down by the same amount, in free coordinates."""
    basis = candidates.free_form(region)[1]
    blend = [c for c, name in enumerate(region.free) if name in region.blend]
    rows = []
    for i, j in combinations(blend, 2):
        row = np.zeros(region.dimension)
        row[i] = 1 / basis[region.names.index(region.free[i]), i]
        row[j] = -1 / basis[region.names.index(region.free[j]), j]
        rows.append(row / np.abs(row).max())
    return np.array(rows).reshape(len(rows), region.dimension)


def _cox(region: Region) -> Any:
    """Cox directions (Cox 1971, Biometrika 58): more of one ingredient, the others in their old ratios."""
    free = [c for c, name in enumerate(region.free) if name in region.blend]
    if len(region.blend) < 3 or len(free) != len(region.blend) - 1:
        return None
    columns = [region.names.index(name) for name in region.blend]
    place = [columns.index(region.names.index(region.free[c])) for c in free]
    origin, basis, _, _ = candidates.free_form(region)
    scale = np.array([basis[region.names.index(region.free[c]), c] for c in free])

    def directions(U: Array) -> Array:
        X = (origin + U @ basis.T)[:, columns]
        total = X.sum(axis=1)
        q = len(columns)
        out = np.zeros((len(U), q, U.shape[1]))
        for j in range(q):
            others = total - X[:, j]
            others = np.where(np.abs(others) > 1e-12 * np.abs(total), others, 1.0)
            step = -X / others[:, None]
            step[:, j] = 1.0
            out[:, j, free] = step[:, place] / scale
        length = np.abs(out).max(axis=-1, keepdims=True)
        return out / np.where(length > 0, length, 1.0)

    return directions
