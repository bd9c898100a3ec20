"""Model rows as products of columns, with their derivatives and their average over a region."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from doe.definition.categories import Chosen, contrast_table, present
from doe.region.region import Combination, Region
from doe.terms.codings import Coding

Array = npt.NDArray[np.float64]
Piece = tuple[Literal["level", "difference", "contrast"], tuple[str, ...]]


@dataclass(frozen=True, slots=True, eq=False)
class Products:
    """p terms as products of r columns each, out of c columns: 1, the k recoded levels, differences, contrasts.

    `index` (r, p) names the columns of each term, filled up with column 0. `slopes` (c, k) are the derivatives of each
    column by the recoded levels; they are constant.
    """

    index: npt.NDArray[np.intp]
    slopes: Array
    differences: tuple[tuple[int, int], ...]
    contrasts: tuple[tuple[str, str], ...]
    categories: Mapping[str, tuple[str, ...]]

    @classmethod
    def of(
        cls, terms: Sequence[Sequence[Piece]], names: Sequence[str], categories: Mapping[str, tuple[str, ...]]
    ) -> Products:
        """Arrange terms, each a list of pieces.

        A piece is ("level", (name,)), ("difference", (a, b)) or ("contrast", (factor, level)).
        """
        k = len(names)
        at: dict[Piece, int] = {("level", (name,)): 1 + j for j, name in enumerate(names)}
        used = list(dict.fromkeys(piece for term in terms for piece in term))
        differences = [piece for piece in used if piece[0] == "difference"]
        contrasts = [piece for piece in used if piece[0] == "contrast"]
        at.update({piece: 1 + k + i for i, piece in enumerate([*differences, *contrasts])})
        deep = max([1, *(len(term) for term in terms)])
        index = np.zeros((deep, len(terms)), dtype=np.intp)
        for j, term in enumerate(terms):
            index[: len(term), j] = [at[piece] for piece in term]
        slopes = np.zeros((1 + k + len(differences) + len(contrasts), k))
        slopes[1 : k + 1] = np.eye(k)
        pairs = [(names.index(a), names.index(b)) for _, (a, b) in differences]
        for i, (a, b) in enumerate(pairs):
            slopes[1 + k + i, a], slopes[1 + k + i, b] = 1.0, -1.0
        index.setflags(write=False)
        slopes.setflags(write=False)
        return cls(index, slopes, tuple(pairs), tuple((f, v) for _, (f, v) in contrasts), categories)

    def columns(self, V: Array, chosen: Chosen) -> Array:
        """The columns (n, c) of recoded levels V (n, k). Raises KeyError for a category level that is not known."""
        n, k = V.shape
        out = np.empty((n, len(self.slopes)))
        out[:, 0] = 1.0
        out[:, 1 : k + 1] = V
        for i, (a, b) in enumerate(self.differences):
            out[:, 1 + k + i] = V[:, a] - V[:, b]
        start = 1 + k + len(self.differences)
        sides = {factor: self._levels(factor, chosen[factor]) for factor, _ in self.contrasts}
        for i, (factor, level) in enumerate(self.contrasts):
            out[:, start + i] = self._contrast(factor, level)[sides[factor]]
        return out

    def _contrast(self, factor: str, level: str) -> Array:
        """The contrast of one level at each level of its category, (m,)."""
        known = self.categories[factor]
        column: Array = contrast_table(factor, known)[:, present(factor, known).index(level)]
        return column

    def _levels(self, factor: str, given: npt.NDArray[Any]) -> npt.NDArray[np.intp]:
        place = {level: i for i, level in enumerate(self.categories[factor])}
        strange = [level for level in given if level not in place]
        if strange:
            known = ", ".join(self.categories[factor])
            raise KeyError(f"{factor} is {min(map(str, strange))}; known are {known}")
        return np.array([place[level] for level in given], dtype=np.intp)

    def rows(self, columns: Array) -> Array:
        """Model rows (n, p)."""
        out: Array = columns[:, self.index[0]]
        for more in self.index[1:]:
            out = out * columns[:, more]
        return out

    def _without(self, columns: Array, *left_out: int) -> Array:
        """The products with some factors of each term left out, (n, p)."""
        out = np.ones((len(columns), self.index.shape[1]))
        for s, more in enumerate(self.index):
            if s not in left_out:
                out *= columns[:, more]
        return out

    def gradient(self, columns: Array) -> Array:
        """Derivatives of the rows by the recoded levels, (n, p, k)."""
        out = np.zeros((len(columns), self.index.shape[1], self.slopes.shape[1]))
        for s in range(len(self.index)):
            out += self._without(columns, s)[:, :, None] * self.slopes[self.index[s]]
        return out

    def hessian(self, columns: Array) -> Array:
        """Second derivatives of the rows by the recoded levels, (n, p, k, k)."""
        k = self.slopes.shape[1]
        out = np.zeros((len(columns), self.index.shape[1], k, k))
        for s in range(len(self.index)):
            for t in range(s):
                bend = np.einsum("pi,pj->pij", self.slopes[self.index[s]], self.slopes[self.index[t]])
                out += self._without(columns, s, t)[:, :, None, None] * (bend + bend.transpose(0, 2, 1))
        return out

    def moment(self, region: Region, code: Coding) -> tuple[Array, bool]:
        """The average of f f' over the region and all its combinations alike, (p, p), and whether it is exact."""
        pieces = region.pieces
        if len(pieces) == 1 and pieces[0][0] is region:
            out, exact = self._level_moment(region, code)
            for factor in dict.fromkeys(f for f, _ in self.contrasts):
                out = out * self._category_moment(factor)
            return out, exact
        total, count, exact = np.zeros((self.index.shape[1],) * 2), 0, True
        for polytope, combinations in pieces:
            numbers, sure = self._level_moment(polytope, code)
            F = np.concatenate([self._contrast_rows(combination) for combination in combinations])
            total += numbers * (F.T @ F)
            count, exact = count + len(combinations), exact and sure
        return total / count, exact

    def _contrast_rows(self, combination: Combination) -> Array:
        """The row (1, p) at a combination of category levels as if every numeric column were 1."""
        columns = np.ones((1, len(self.slopes)))
        first = len(self.slopes) - len(self.contrasts)
        for i, (factor, level) in enumerate(self.contrasts):
            place = self.categories[factor].index(combination[factor])
            columns[0, first + i] = self._contrast(factor, level)[place]
        return self.rows(columns)

    def _level_moment(self, region: Region, code: Coding) -> tuple[Array, bool]:
        """The average of f f' over one polytope as if every contrast were 1, and whether it is exact.

        Every part of a region that varies by itself has its own uniform law, and the average of a product over a
        product of laws is the product of averages. Each is exact by cubature (`doe.region.uniform.Cubature`), up to
        about seven coupled dimensions; beyond, from a fixed sample of 2^15 points.
        """
        k = len(region.names)
        moves = np.abs(self.slopes) @ (np.abs(region.frame.map) > 0) > 0
        used = np.unique(self.index)
        groups = _merged(region.frame.parts, [moves[c] for c in used])
        out = np.ones((self.index.shape[1],) * 2)
        exact = True
        fixed = [c for c in range(1, 1 + k + len(self.differences)) if not moves[c].any()]
        rest = self._only(self._numbers(code(region.interior[None])), fixed)[0]
        out *= np.outer(rest, rest)
        for group in groups:
            at = [j for i in group for j in region.frame.parts[i]]
            own = [int(c) for c in used if moves[c, at].any()]
            if not own:
                continue
            degree = int(np.isin(self.index, own).sum(axis=0).max())
            (measure,) = region.measures([group], 2 * degree)
            exact &= measure.exact
            total = np.zeros_like(out)
            for points, weights in measure.chunks():
                V = code(region.frame.origin + points @ region.frame.map[:, list(measure.columns)].T)
                F = self._only(self._numbers(V), own)
                total += (F * weights[:, None]).T @ F
            out *= total
        return out, exact

    def _numbers(self, V: Array) -> Array:
        """The columns without the contrasts, which stay at 1."""
        k = V.shape[1]
        out = np.ones((len(V), len(self.slopes)))
        out[:, 1 : k + 1] = V
        for i, (a, b) in enumerate(self.differences):
            out[:, 1 + k + i] = V[:, a] - V[:, b]
        return out

    def _only(self, columns: Array, own: Sequence[int]) -> Array:
        """The rows (n, p) as if every column but `own` were 1."""
        masked = np.ones_like(columns)
        masked[:, list(own)] = columns[:, list(own)]
        return self.rows(masked)

    def _category_moment(self, factor: str) -> Array:
        known = self.categories[factor]
        first = len(self.slopes) - len(self.contrasts)
        columns = np.ones((len(known), len(self.slopes)))
        for i, (other, level) in enumerate(self.contrasts):
            if other == factor:
                columns[:, first + i] = self._contrast(factor, level)
        F = self.rows(columns)
        average: Array = F.T @ F / len(known)
        return average


def _merged(parts: Sequence[Sequence[int]], columns: Sequence[npt.NDArray[np.bool_]]) -> list[tuple[int, ...]]:
    """Parts in groups such that no column moves with more than one group."""
    group = list(range(len(parts)))
    for moves in columns:
        touched = [i for i, part in enumerate(parts) if moves[list(part)].any()]
        for i in touched[1:]:
            old, new = group[i], group[touched[0]]
            group = [new if g == old else g for g in group]
    return [tuple(i for i in range(len(parts)) if group[i] == g) for g in dict.fromkeys(group)]
