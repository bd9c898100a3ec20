"""What a two-level plan mixes up: its resolution, its defining words, and which effects share a column.

A product of columns that is constant over the trials is a defining word (Box & Hunter 1961, Technometrics 3, 311-351);
the shortest has as many factors as the resolution. Where products are only partly alike, as in the plans of Plackett &
Burman, the resolution is the generalised one of Deng & Tang (1999, Statistica Sinica 9, 1071-1082): r + 1 - J/n for the
shortest length r at which a product of columns adds up to J, other than 0, over n trials.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

_LONGEST = 5  # letters of a word that is looked for: with longer ones only, products of two are free of each other
_MOST_FACTORS = 15  # beyond, the words are too many to go through


def two_level(U: Array, names: Sequence[str]) -> dict[str, Any]:
    """How effects are mixed up in the trials U (n, k) at -1 and +1, centre points left out; empty for other plans.

    `resolution` (None where no product of up to five columns is mixed up), `words` of up to five factors, `chains` of
    main effects and products of two that share a column, each {effect: sign}, and `partial`, the largest share of one
    such effect that falls on another without being all of it.
    """
    corners = U[~(np.abs(U) < 1e-9).all(axis=1)]
    n, k = corners.shape
    if k < 2 or k > _MOST_FACTORS or n < 4 or not np.allclose(np.abs(corners), 1, atol=1e-9):
        return {}
    resolution, words = None, []
    for length in range(1, min(_LONGEST, k) + 1):
        sums = [(chosen, corners[:, chosen].prod(axis=1).sum()) for chosen in combinations(range(k), length)]
        largest = max(abs(total) for _, total in sums) / n
        if resolution is None and largest > 1e-9:
            resolution = length + 1 - float(largest)
        words += [
            {"factors": [names[j] for j in chosen], "sign": int(np.sign(total))}
            for chosen, total in sums
            if abs(total) > n * (1 - 1e-9)
        ]
    chains, partial = _chains(corners, names)
    return {"resolution": resolution, "words": words, "chains": chains, "partial": partial}


def _chains(corners: Array, names: Sequence[str]) -> tuple[list[dict[str, int]], float]:
    """Groups of main effects and products of two that share a column, and the largest partial likeness of two."""
    n, k = corners.shape
    pairs = list(combinations(range(k), 2))
    labels = [*names, *(f"{names[i]} × {names[j]}" for i, j in pairs)]
    columns = np.column_stack([corners, *(corners[:, i] * corners[:, j] for i, j in pairs)])
    alike = columns.T @ columns / n
    chains, done = [], set()
    for i in range(len(labels)):
        if i in done:
            continue
        same = [j for j in range(i, len(labels)) if abs(alike[i, j]) > 1 - 1e-9]
        done |= set(same)
        if len(same) > 1:
            chains.append({labels[j]: int(np.sign(alike[i, j])) for j in same})
    off = np.abs(alike - np.diag(np.diag(alike)))
    return chains, float(off[off < 1 - 1e-9].max(initial=0.0))
