"""The trials of a plan as coded arrays, with those made before that count beside them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.search.strata import Strata

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class Trials:
    """All trials that inform the model: coded recipes U (n, d), C (n, c); `ids` of each; and what is new about them.

    `levels` are whole recipes of the new trials, `batches_by_block` how many are made in each block, `strata` the whole
    plot and block of every trial.
    """

    U: Array
    C: Indices
    ids: Sequence[str]
    levels: pd.DataFrame
    batches_by_block: Sequence[int]
    strata: Strata


def recipe_numbers(U: Array, C: Indices) -> Indices:
    """A number for each distinct recipe, in order of first appearance, (n,)."""
    rows = np.column_stack([np.round(U, 7) + 0.0, C])
    _, first, inverse = np.unique(rows, axis=0, return_index=True, return_inverse=True)
    rank = np.argsort(np.argsort(first))
    numbers: Indices = rank[inverse.reshape(-1)].astype(np.intp)
    return numbers
