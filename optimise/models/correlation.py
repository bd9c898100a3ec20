"""Correlation between responses of what batches differ by, beyond the models."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from optimise.models.fitted import FittedModel
from optimise.statistics.leastsq import Array

_LEAST_COMMON = 5  # batches that two responses have in common
_LEAST_EIGENVALUE = 1e-3  # of the matrix, which keeps it positive definite


def residual_correlation(models: Mapping[str, FittedModel]) -> pd.DataFrame:
    """Correlations of least-squares residuals over common batches, shrunk towards none.

    All are multiplied by 1 - k, k = sum of their sampling variances (1 - r^2)^2 / df over the sum of r^2, at most 1:
    the analytic shrinkage of Schäfer & Strimmer (2005), Stat. Appl. Genet. Mol. Biol. 4, 32 (from memory), with the
    residual degrees of freedom in the place of n. Pairs with fewer than 5 common batches have none, nor have passes.
    """
    names = list(models)
    raw, variance = np.eye(len(names)), np.zeros((len(names), len(names)))
    for i, a in enumerate(names):
        for j in range(i):
            found = _pair(models[a], models[names[j]])
            if found is not None:
                raw[i, j] = raw[j, i] = found[0]
                variance[i, j] = variance[j, i] = (1 - found[0] ** 2) ** 2 / found[1]
    off = ~np.eye(len(names), dtype=bool)
    squares = float(np.sum(raw[off] ** 2))
    kept = 1 - min(1.0, float(np.sum(variance[off])) / squares) if squares > 0 else 0.0
    shrunk = np.where(off, kept * raw, 1.0)
    return pd.DataFrame(_positive(shrunk), index=names, columns=names)


def _pair(a: FittedModel, b: FittedModel) -> tuple[float, int] | None:
    if a.core is None or b.core is None or not (a.core.fit.has_error and b.core.fit.has_error):
        return None
    first = pd.Series(a.core.fit.residual, index=list(a.trials["batch"]))
    second = pd.Series(b.core.fit.residual, index=list(b.trials["batch"]))
    common = [batch for batch in first.index if batch in second.index]
    df = min(a.core.fit.df, b.core.fit.df) - (max(len(first), len(second)) - len(common))
    if len(common) < _LEAST_COMMON or df < 2:
        return None
    x, y = first[common].to_numpy(), second[common].to_numpy()
    size = float(np.sqrt((x @ x) * (y @ y)))
    return (float(np.clip(x @ y / size, -1, 1)), df) if size > 0 else None


def _positive(matrix: Array) -> Array:
    """The matrix with eigenvalues lifted to a small positive one, scaled back to ones on its diagonal."""
    if not len(matrix):
        return matrix
    values, vectors = np.linalg.eigh(matrix)
    if values.min() >= _LEAST_EIGENVALUE:
        return matrix
    lifted = (vectors * np.maximum(values, _LEAST_EIGENVALUE)) @ vectors.T
    size = np.sqrt(np.diag(lifted))
    out: Array = lifted / np.outer(size, size)
    return out
