"""A few blocks, such as days: what each differed by, and what a new batch, made in a new block, owes to that.

Each of a few blocks has an effect of its own in the fit, so that terms are judged within blocks. A new batch stands in
a block not yet seen: its error is that between blocks and that of a batch, however few blocks there were to learn from.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, sqrt

import numpy as np

from doe.problems import Problem, rounded
from optimise.models.batchdata import BatchData
from optimise.models.findings import say
from optimise.models.fitted import Core, Estimate
from optimise.statistics.leastsq import Array, solve


@dataclass(frozen=True, slots=True)
class FewBlocks:
    """What b blocks show: `effects` by name about their mean, `variance` between blocks (not below 0), and `ahead`.

    `ahead` predicts one new batch of a new block: coefficients of the terms, their covariance with that of the level
    of the blocks, sd of a batch about its mean and degrees of freedom.
    """

    effects: dict[str, float]
    variance: float
    ahead: Estimate


def few_blocks(core: Core, data: BatchData, rows: Array, y: Array) -> FewBlocks | None:
    """The blocks of a fit of y (n,) by term columns `rows` (n, p) and all block columns; None where it has not both.

    By fitting constants (Henderson 1953, Biometrics 9, method 3): with M what the terms leave, Z the blocks and S what
    the fit loses without them, E(S) = (b - 1) batch + tr(Z'MZ) block. Their sum is a mean square over k = tr / (b - 1)
    and a share of the batch's, its degrees of freedom by Satterthwaite (1946, Biometrics Bulletin 2, 110-114).
    """
    b, p, error = len(data.block_names), rows.shape[1], core.error
    if b < 2 or error is None or core.fit.rank != p + b - 1:
        return None
    own = core.fit.estimate[p:]
    effects = dict(zip(data.block_names, map(float, [*own, -own.sum()]), strict=True))
    member = membership(data)
    lost = member - np.column_stack([solve(rows, column).fitted for column in member.T])
    k = float((member * lost).sum()) / (b - 1)
    batch, df = error[0] ** 2, error[1]
    square = max(float(solve(rows, y).rss) - float(core.fit.rss), 0.0) / (b - 1)
    between = (square - batch) / k
    if between <= 0:
        shared = 0.0 if core.other is None else core.other.shared
        return FewBlocks(effects, 0.0, Estimate(core.beta, core.unscaled * batch, sqrt(batch), df, shared))
    parts = ((square / k, b - 1), ((1 - 1 / k) * batch, df))
    total = between + batch
    freedom = total**2 / sum(part**2 / its for part, its in parts)
    # The level that the blocks seen have in common is itself off by that of b draws.
    level = np.linalg.lstsq(rows, np.ones(len(y)), rcond=None)[0]
    covariance = core.unscaled * batch + between / b * np.outer(level, level)
    shared = hypot(sqrt(between), 0.0 if core.other is None else core.other.shared)
    return FewBlocks(effects, between, Estimate(core.beta, covariance, sqrt(total), freedom, shared))


def membership(data: BatchData) -> Array:
    """Which block each batch is of, (n, b), 1 or 0."""
    last = np.asarray((data.blocks < 0).all(axis=1), dtype=bool)
    out: Array = np.column_stack([np.where(last[:, None], 0.0, data.blocks), last.astype(float)])
    return out


def block_of(data: BatchData) -> tuple[str, ...]:
    """The name of the block of each batch, (n,)."""
    return tuple(data.block_names[j] for j in membership(data).argmax(axis=1))


def block_finding(blocks: FewBlocks, sd: float, where: str, scale: str) -> Problem:
    """The finding that tells how far a few blocks lie apart, beside the `sd` of batches within them."""
    count = len(blocks.effects)
    got = f"batches were made in {count} blocks"
    if blocks.variance > 0:
        got += f", sd {rounded(sqrt(blocks.variance))} from one to the next and {rounded(sd)} between batches of one"
        got += "" if scale == "linear" else f" on the {scale} scale"
        got += "; intervals and the chance are those of a batch in a new block, and allow for both"
    else:
        got += f" that differ no more than their batches do (sd {rounded(sd)}); so few cannot show that they never do"
    return say("blocks", "inform", where, got, f"{count} blocks say little of how much blocks differ; make more")
