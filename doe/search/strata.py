"""Trials that are made together: whole plots share the setting of what is hard to change, blocks share a day.

Within a whole plot the errors of two batches are correlated: the variance of the readings is s2 (I + ratio Z Z'), Z
telling which whole plot a batch belongs to and `ratio` how large the variance between whole plots is against that of
batches within one (Goos & Vandebroek 2001, J. Qual. Technol. 33; 1 where nothing is known, common practice in the
literature of split-plot plans). What blocks differ by is a fixed effect of each, and what it takes from the model is
taken off. Both make one matrix of weights W: the information of model rows F is F'WF (generalised least squares).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

_NOT_KNOWN = 0.01  # the share of a variance that may be unmeasured (see `Contrasts.judge`)


@dataclass(frozen=True, slots=True, eq=False)
class Strata:
    """Which whole plot and which block each of n trials belongs to, as numbers from 0; `ratio` as above.

    Without whole plots every trial is a whole plot of its own and `ratio` is 0.
    """

    plots: Indices
    blocks: Indices
    ratio: float = 0.0

    @classmethod
    def of(cls, plots: Sequence[int] | Indices, blocks: Sequence[int] | Indices, ratio: float) -> Strata:
        """The strata of n trials from labels of any kind: numbered from 0, in order of first appearance."""
        return cls(_numbered(plots), _numbered(blocks), ratio)

    @classmethod
    def none(cls, n: int) -> Strata:
        """Independent trials of one block."""
        return cls(np.arange(n), np.zeros(n, dtype=np.intp))

    @property
    def n_plots(self) -> int:
        """How many whole plots there are."""
        return int(self.plots.max(initial=-1)) + 1

    @property
    def n_blocks(self) -> int:
        """How many blocks there are."""
        return int(self.blocks.max(initial=-1)) + 1

    @property
    def is_plain(self) -> bool:
        """Whether W is the identity."""
        return self.ratio == 0 and self.n_blocks < 2

    @property
    def sizes(self) -> Indices:
        """How many trials each whole plot holds, (n_plots,)."""
        return np.bincount(self.plots, minlength=self.n_plots)

    @property
    def precision(self) -> Array:
        """The inverse of I + ratio Z Z', (n, n): I less ratio / (1 + m ratio) within each whole plot of m trials."""
        together = self.plots[:, None] == self.plots
        out: Array = np.eye(len(self.plots)) - together * (self.ratio / (1 + self.sizes[self.plots] * self.ratio))
        return out

    @property
    def block_columns(self) -> Array:
        """What blocks differ by, (n, b - 1), in columns that the intercept is free of: it stands for their average.

        Each block counts in that average by the precision of its mean.
        """
        n, b = len(self.blocks), self.n_blocks
        if b < 2:
            return np.zeros((n, 0))
        B = (self.blocks[:, None] == np.arange(b)).astype(float)
        share = self.precision.sum(axis=0) @ B
        columns: Array = B[:, 1:] - share[1:] / share.sum()
        return columns

    def weight(self, *, with_blocks: bool = True) -> Array:
        """W (n, n). Without blocks: as if they did not differ."""
        P, K = self.precision, self.block_columns
        if not with_blocks or not K.shape[1]:
            return P
        PK = P @ K
        W = P - PK @ np.linalg.pinv(K.T @ PK, rcond=1e-10, hermitian=True) @ PK.T
        out: Array = (W + W.T) / 2
        return out


def _numbered(labels: Sequence[int] | Indices) -> Indices:
    known = {label: i for i, label in enumerate(dict.fromkeys(np.asarray(labels).tolist()))}
    return np.array([known[label] for label in np.asarray(labels).tolist()], dtype=np.intp)


def repeats_within(recipe: Indices, groups: Indices) -> int:
    """Degrees of freedom of pure error: what recipes and groups (whole plots, blocks) together leave of n trials.

    The rank of the incidence of recipes and groups is their number less that of the parts that hang together.
    """
    parent = {("r", int(r)): ("r", int(r)) for r in recipe} | {("g", int(g)): ("g", int(g)) for g in groups}

    def root(node: tuple[str, int]) -> tuple[str, int]:
        while parent[node] != node:
            node = parent[node]
        return node

    for r, g in zip(recipe.tolist(), groups.tolist(), strict=True):
        a, b = root(("r", r)), root(("g", g))
        if a != b:
            parent[a] = b
    parts = len({root(node) for node in parent})
    return len(recipe) - len(parent) + parts


def freedom(F: Array, strata: Strata, recipe: Indices, rank: int) -> dict[str, int]:
    """How n trials are spent: on the model, lack of fit, pure error, and on blocks and whole plots where there are any.

    F (n, p) is the model matrix, of `rank`; `recipe` (n,) numbers the distinct recipes. "whole_plot_error" is what
    whole plots differ by beyond the model and blocks: what effects of the hard-to-change factors are judged against.
    With whole plots, pure error is that of recipes repeated within one.
    """
    n = len(F)
    blocks = strata.n_blocks - 1
    split = strata.ratio > 0 or strata.n_plots < n
    pure = repeats_within(recipe, strata.plots if split else strata.blocks)
    if not split:
        out = {"model": rank, "lack_of_fit": max(0, n - rank - blocks - pure), "pure_error": pure}
        return {**out, "blocks": blocks} if blocks else out
    both = np.column_stack([F, strata.block_columns])
    below = _rank(both)
    with_plots = _rank(np.column_stack([both, strata.plots[:, None] == np.arange(strata.n_plots)]))
    out = {
        "model": rank,
        "lack_of_fit": max(0, n - with_plots - pure),
        "pure_error": min(pure, n - with_plots),
        "whole_plot_error": with_plots - below,
    }
    return {**out, "blocks": below - rank} if blocks else out


def _rank(M: Array) -> int:
    scale = np.linalg.norm(M, axis=0)
    return int(np.linalg.matrix_rank(M / np.where(scale > 0, scale, 1.0), tol=1e-7))


class Contrasts:
    """Variances of contrasts of a model fitted by generalised least squares, and the degrees of freedom behind each.

    Degrees of freedom after Satterthwaite (1946) from the expected information of restricted maximum likelihood on the
    two variances (Giesbrecht & Burns 1985, Biometrics 41; from memory): for a balanced plan those of the whole plots
    for what is between them, those of batches for what is within.
    """

    def __init__(self, F: Array, strata: Strata) -> None:
        X = np.column_stack([F, strata.block_columns])
        P = strata.precision
        Z = (strata.plots[:, None] == np.arange(strata.n_plots)).astype(float)
        parts = [np.eye(len(X)), Z @ Z.T] if strata.ratio > 0 else [np.eye(len(X))]
        self.theta = np.array([1.0, strata.ratio][: len(parts)])
        self.columns = F.shape[1]
        self.cov = np.linalg.inv(X.T @ P @ X)
        PX = P @ X
        Q = P - PX @ self.cov @ PX.T
        QV = [Q @ part for part in parts]
        self.slopes = [self.cov @ (PX.T @ part @ PX) @ self.cov for part in parts]
        self.information = np.array([[0.5 * np.einsum("ij,ji->", a, b) for b in QV] for a in QV])

    def judge(self, c: Array) -> tuple[float, float]:
        """Variance of c'b, c (p,), in units of that of batches, and its degrees of freedom; 0 where none measures it.

        A variance that nothing measures is passed over where it makes up less than 1 % of the contrast's own.
        """
        full = np.concatenate([c, np.zeros(len(self.cov) - self.columns)])
        slope = np.array([full @ S @ full for S in self.slopes])
        variance = float(slope @ self.theta)
        values, vectors = np.linalg.eigh(self.information)
        known = values > 1e-9 * max(1.0, float(values.max()))
        along = vectors.T @ slope
        hidden = slope @ (vectors[:, ~known] @ (vectors[:, ~known].T @ self.theta))
        if not known.any() or abs(hidden) > _NOT_KNOWN * variance:
            return variance, 0.0
        spread = float((along[known] ** 2 / values[known]).sum())
        return variance, 2 * variance**2 / spread if spread > 0 else 0.0
