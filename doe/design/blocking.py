"""Blocks of textbook plans: two-level plans by confounding words, central composites with orthogonal blocks."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from doe.design.classical import two_level

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

# Centre points of each cube block and of the star, by factors and cube blocks (Box & Hunter 1957, Ann. Math. Stat. 28;
# Myers & Montgomery, Response Surface Methodology; from memory).
_CENTRES = {(2, 1): (3, 3), (3, 2): (2, 2), (4, 2): (2, 2), (5, 4): (2, 4)}


@dataclass(frozen=True, slots=True, eq=False)
class Blocked:
    """Coded rows (n, k) with the block (n,) of each, from 0; `reach` is where the axial trials lie."""

    rows: Array
    block: Indices
    reach: float


def confounded(rows: Array, blocks: int, F: Array) -> tuple[Indices, tuple[tuple[int, ...], ...]] | None:
    """Blocks of a regular two-level plan, rows (n, k) at -1 and +1; and the words that differ between blocks.

    Products of factors ("words") are chosen to be told from nothing but blocks: those and their products are kept clear
    of the model's columns F (n, p), then as long as can be (the shortest of their aliases counts). None where the plan
    is not regular or `blocks` not a power of two that leaves two trials a block.
    """
    n = len(rows)
    m, b = int(np.log2(n)), int(np.log2(blocks))
    if 2**m != n or 2**b != blocks or b >= m or len(np.unique(rows, axis=0)) < n:
        return None
    basis = _independent(rows, m)
    if basis is None:
        return None
    words = _words(rows, basis)
    columns = _columns(rows[:, basis])
    centred = F - F.mean(axis=0)
    u, s, _ = np.linalg.svd(centred, full_matrices=False)
    Q = u[:, s > 1e-9 * max(1.0, float(s.max(initial=0.0)))]
    mixed = ((Q.T @ columns) ** 2).sum(axis=0) / n > 1e-9
    length = np.array([0, *(len(words[mask]) for mask in range(1, 2**m))])
    cost = np.where(mixed, 1e15, 0.0) + 100.0 ** (7 - np.minimum(length, 7))
    chosen = _cheapest(cost, m, b)
    code = sum((columns[:, mask] > 0).astype(np.intp) << i for i, mask in enumerate(chosen))
    told = tuple(words[mask] for mask in sorted(_span(chosen)))
    return np.asarray(code, dtype=np.intp), told


def _independent(rows: Array, m: int) -> list[int] | None:
    """M factors that make a full factorial of the rows."""
    for basis in combinations(range(rows.shape[1]), m):
        if len(np.unique(rows[:, basis], axis=0)) == len(rows):
            return list(basis)
    return None


def _columns(base: Array) -> Array:
    """All products of the m columns of `base`, (n, 2^m); the number of a product has a bit for each of its columns."""
    out = np.ones((len(base), 1))
    for j in range(base.shape[1]):
        out = np.concatenate([out, out * base[:, j : j + 1]], axis=1)
    return out


def _words(rows: Array, basis: list[int]) -> dict[int, tuple[int, ...]]:
    """The shortest word of factors for the number of each column in `_columns`."""
    columns = _columns(rows[:, basis])
    masks = [int(np.abs(columns.T @ rows[:, j]).argmax()) for j in range(rows.shape[1])]
    words: dict[int, tuple[int, ...]] = {}
    for size in range(1, rows.shape[1] + 1):
        for word in combinations(range(rows.shape[1]), size):
            mask = 0
            for j in word:
                mask ^= masks[j]
            words.setdefault(mask, word)
    return words


def _span(chosen: tuple[int, ...]) -> set[int]:
    out = {0}
    for mask in chosen:
        out |= {mask ^ other for other in out}
    return out - {0}


def _cheapest(cost: Array, m: int, b: int) -> tuple[int, ...]:
    """B numbers, none a product of others, whose products together cost least; ties by index.

    One number after another, from each of the best few starts: the numbers are too many to try all.
    """
    least, best = np.inf, tuple[int, ...]()
    order = np.lexsort((np.arange(2**m), cost))
    for first in [int(mask) for mask in order if mask][:64]:
        chosen: tuple[int, ...] = (first,)
        while len(chosen) < b:
            have = _span(chosen) | {0}
            left = [mask for mask in range(1, 2**m) if mask not in have]
            total = [sum(cost[mask ^ other] for other in have) for mask in left]
            chosen = (*chosen, left[int(np.argmin(np.round(total, 6)))])
        worth = float(sum(cost[mask] for mask in _span(chosen)))
        if worth < least * (1 - 1e-12):
            least, best = worth, chosen
    return best


def central_composite(
    k: int, blocks: int, centres: int | None, *, face: bool, rotatable: bool, fraction: Array | None = None
) -> Blocked | None:
    """A central composite plan in blocks: the cube, or a fraction of it, in one or more, the star in the last one.

    Unless the axial trials have to be on the faces or rotatable, they lie where blocks are orthogonal to every
    quadratic term (Box & Hunter 1957): reach^2 = F (2k + a) / (2 (F + c)), F cube points with c centre points among
    them, a centre points with the star. None where the cube does not part into `blocks` - 1 even blocks clear of first
    and second order terms.
    """
    cube, parts = two_level(k) if fraction is None else fraction, blocks - 1
    pairs = [cube[:, i] * cube[:, j] for i, j in combinations(range(k), 2)]
    in_cube = np.zeros(len(cube), dtype=np.intp)
    if parts > 1:
        found = confounded(cube, parts, np.column_stack([cube, *pairs]))
        if found is None or min(len(word) for word in found[1]) < 3:
            return None
        in_cube = found[0]
    each, star = _CENTRES.get((k, parts), (2, 2)) if fraction is None else (2, 2)
    if centres is not None:
        each = centres // blocks
        star = centres - each * parts
    reach = float(np.sqrt(len(cube) * (2 * k + star) / (2 * (len(cube) + each * parts))))
    reach = 1.0 if face else len(cube) ** 0.25 if rotatable else reach
    axial = np.concatenate([reach * np.eye(k), -reach * np.eye(k)])
    rows = np.concatenate([cube, axial, np.zeros((each * parts + star, k))])
    middle = [b for b in range(parts) for _ in range(each)] + [parts] * star
    block = np.concatenate([in_cube, np.full(2 * k, parts), np.array(middle, dtype=np.intp)])
    return Blocked(rows, block.astype(np.intp), reach)
