"""The allocation of trials: which to repeat, which block (day) each is made in, and in which order."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from doe.search.exchange import RIDGE, Criterion, first_best
from doe.search.grouped import gains

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]


def repeats(criterion: Criterion, G: Array, count: int, allowed: Sequence[int]) -> list[int]:
    """Which rows of the model matrix G (n, p) to make again, `count` of them, one at a time by what gains most.

    Each is repeated once before any is repeated twice. Ties go by index.
    """
    A = G.T @ G + criterion.prior
    A = A + 1e-9 * np.trace(A) / len(A) * np.eye(len(A))
    times = np.zeros(len(G), dtype=int)
    out: list[int] = []
    for _ in range(count):
        V = np.linalg.inv(A)
        spent = np.array([times[i] for i in allowed])
        open_now = [i for i, used in zip(allowed, spent, strict=True) if used == spent.min()]
        F = G[open_now]
        v = np.einsum("ij,jk,ik->i", F, V, F)
        if criterion.kind == "D":
            gain = v
        else:
            FV = F @ V
            gain = np.einsum("ij,jk,ik->i", FV, criterion.weight, FV) / (1 + v)
        pick = open_now[int(first_best(gain))]
        times[pick] += 1
        out.append(pick)
        A = A + np.outer(G[pick], G[pick])
    return out


def moved_repeats(criterion: Criterion, G: Array, times: Array) -> Array:
    """How often (n,) to make each row of the model matrix G (n, p): repeats moved from row to row while that gains.

    `times` is how often each is made now, once at least. Ties go by index.
    """
    times = times.copy()
    for _ in range(4 * len(times)):
        A = G.T @ (times[:, None] * G) + criterion.prior + RIDGE * np.eye(G.shape[1])
        V = np.asarray(np.linalg.inv(A), dtype=np.float64)[None]
        spare = np.flatnonzero(times > 1)
        gain = np.array([gains(criterion, V, (G - G[i])[None], G[i][None, None], np.ones((1, 1)))[0] for i in spare])
        if not gain.size or gain.max() < 1e-6:
            break
        source, target = divmod(int(first_best(gain.reshape(-1))), len(G))
        times[spare[source]] -= 1
        times[target] += 1
    return times


def sizes(n: int, blocks: int) -> list[int]:
    """`n` things shared out evenly, the earlier ones taking one more."""
    return [n // blocks + (i < n % blocks) for i in range(blocks)]


def in_blocks(F: Array, groups: Sequence[int], room: Sequence[int], seed: int) -> Indices:
    """Block (n,) of each run with model matrix F (n, p), so that terms differ as little as can be between blocks.

    Runs of one group (a whole plot) stay together. What is made small is the sum over blocks of the block's size times
    the squared distance of its mean row from the overall mean, in the metric of the plan: 0 where the blocks are
    orthogonal to every term. By swaps from 20 random starts.
    """
    n, blocks = len(F), len(room)
    labels = sorted(set(groups))
    members = [np.flatnonzero(np.asarray(groups) == g) for g in labels]
    centred = F - F.mean(axis=0)
    u, s, _ = np.linalg.svd(centred, full_matrices=False)
    Z = u[:, s > 1e-9 * max(1.0, float(s.max(initial=0.0)))]
    sums = np.array([Z[m].sum(axis=0) for m in members]).reshape(len(members), Z.shape[1])
    count = np.array([len(m) for m in members])
    rng = np.random.default_rng(np.random.SeedSequence([seed, 31]))
    best, best_loss = np.zeros(len(members), dtype=np.intp), np.inf
    for _ in range(20):
        where = _dealt(count, room, rng)
        loss = _improved(sums, count, where, blocks)
        if loss < best_loss - 1e-10:
            best, best_loss = where, loss
    out = np.zeros(n, dtype=np.intp)
    for place, rows in zip(best, members, strict=True):
        out[rows] = place
    return out


def _dealt(count: Indices, room: Sequence[int], rng: np.random.Generator) -> Indices:
    """A random allocation of groups to blocks, the larger ones first, each to the block with most room left."""
    left = np.array(room, dtype=float)
    where = np.zeros(len(count), dtype=np.intp)
    mixed = rng.permutation(len(count))
    for g in mixed[np.argsort(-count[mixed], kind="stable")]:
        where[g] = int(left.argmax())
        left[where[g]] -= count[g]
    return where


def _spread(sums: Array, count: Indices, where: Indices, blocks: int) -> float:
    total = 0.0
    for b in range(blocks):
        on = where == b
        if on.any():
            total += float((sums[on].sum(axis=0) ** 2).sum()) / int(count[on].sum())
    return total


def _improved(sums: Array, count: Indices, where: Indices, blocks: int) -> float:
    """Swap groups of equal size between blocks while that brings the blocks together; `where` is changed in place."""
    loss = _spread(sums, count, where, blocks)
    gained = True
    while gained:
        gained = False
        for i in range(len(where)):
            for j in range(i + 1, len(where)):
                if where[i] == where[j] or count[i] != count[j]:
                    continue
                where[i], where[j] = where[j], where[i]
                tried = _spread(sums, count, where, blocks)
                if tried < loss - 1e-10:
                    loss, gained = tried, True
                else:
                    where[i], where[j] = where[j], where[i]
    return loss


def in_order(
    block: Sequence[int], plot: Sequence[int], standards: Sequence[int], seed: int, first: Sequence[int] = ()
) -> list[int]:
    """The runs in the order to be made: blocks one after another, random within; whole plots kept together.

    Runs in `standards` stand at the start, the middle and the end of their block, but never within a whole plot. Runs
    in `first` that are in the first block lead it, in random order among themselves, unless it is made in whole plots;
    elsewhere they keep the place that the lot gave them.
    """
    rng = np.random.default_rng(np.random.SeedSequence([seed, 32]))
    out: list[int] = []
    for b in sorted(set(block)):
        mine = [i for i in range(len(block)) if block[i] == b and i not in standards]
        plots = sorted({plot[i] for i in mine})
        ordered: list[int] = []
        # With one whole plot for all there is none.
        gaps = list(range(len(mine) + 1)) if len(plots) == 1 else [0]
        for p in rng.permutation(len(plots)):
            runs = [i for i in mine if plot[i] == plots[p]]
            ordered += [runs[int(k)] for k in rng.permutation(len(runs))]
            gaps.append(len(ordered))
        if len(plots) == 1 and not out:
            ordered = [i for i in ordered if i in first] + [i for i in ordered if i not in first]
        watch = [i for i in standards if block[i] == b]
        for k, run in enumerate(watch):
            aim = k / max(1, len(watch) - 1) * len(mine)
            place = min(gaps, key=lambda gap: (abs(gap - aim), gap))
            ordered.insert(place + k, run)
        out += ordered
    return out
