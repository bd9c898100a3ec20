"""Which potential terms to keep, by AICc under heredity: all subsets of up to 20 terms, beyond that a beam.

Sums of squares of subsets come from the Gram matrix of the columns left after the sure terms are taken out, of all
subsets at once (`subsets`) or in batches; a last, exact least-squares fit is made of the chosen set only, elsewhere.
AICc: Hurvich & Tsai (1989) Biometrika 76, 297-307. Heredity: Chipman (1996) Can. J. Stat. 24, 17-36 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from optimise.statistics.leastsq import Array, independent
from optimise.statistics.subsets import bits, every_subset

Sets = npt.NDArray[np.bool_]

_EXHAUSTIVE = 20  # free terms up to which every subset is looked at: a million models
_LEADING = 2000  # of those, how many best ones are kept to be set against each other
_BEAM = 60  # models that a beam search goes on from
_NEAR = 2.0  # AICc within which models are near-equal (Burnham & Anderson 2002, section 2.6)
_CHUNK = 4096  # models worked out at a time
_DEPENDENT = 1e-10  # squared distance of a unit column from the others


@dataclass(frozen=True, slots=True)
class Choice:
    """`chosen`: column numbers of the set kept; `near`: sets within 2 AICc with it, best first; `how` in words.

    `share` (p,): how often each column was kept when the batches were drawn anew.
    """

    chosen: tuple[int, ...]
    aicc: float
    near: tuple[tuple[float, tuple[int, ...]], ...]
    share: Array
    how: str
    looked_at: int


def aicc(rss: npt.ArrayLike, n: int, k: npt.ArrayLike) -> Array:
    """Corrected AIC, n log(rss/n) + 2 m + 2 m (m + 1) / (n - m - 1), m = k + 1; inf where n <= m + 1.

    For n values and k columns with residual sums of squares `rss`, of their shape (Hurvich & Tsai 1989).
    """
    m = np.asarray(k, dtype=float) + 1
    spare = n - m - 1
    penalty = np.where(spare > 0, 2 * m + 2 * m * (m + 1) / np.where(spare > 0, spare, 1.0), np.inf)
    return np.asarray(n * np.log(np.maximum(np.asarray(rss, dtype=float), 1e-300) / n) + penalty, dtype=float)


def choose(
    X: Array,
    y: Array,
    sure: Sequence[bool],
    parents: Sequence[frozenset[int]],
    draws: int = 60,
) -> Choice:
    """The best set of columns of X (n, p) for y (n,): every sure one, and of the others those that pay by AICc.

    `parents[j]` are the columns that must be in before column j may be (itself never among them). Sure columns are in
    whatever their parents. Deterministic: the `draws` resamples of the batches are always the same.
    """
    problem = _problem(X, y, sure, parents)
    sets, score, looked_at, how = _searched(problem, y.size)
    order = np.lexsort((np.arange(score.size), sets.sum(axis=1), np.round(score, 9)))
    sets, score = sets[order], score[order]
    within = np.flatnonzero(score <= score[0] + _NEAR)[:25] if np.isfinite(score[0]) else np.array([0])
    near = tuple((float(score[i]), problem.columns(sets[i])) for i in within)
    share = _shares(problem, sets, score, X, y, draws)
    return Choice(problem.columns(sets[0]), float(score[0]), near, share, how, looked_at)


@dataclass(frozen=True, slots=True)
class _Problem:
    base: tuple[int, ...]  # sure columns that are independent
    free: tuple[int, ...]  # potential columns
    rows: Array  # free columns after the sure ones, unit length (n, f)
    target: Array  # y after the sure ones, unit length (n,)
    parents: Sets  # (f, f): row j marks the free parents of free column j
    barred: Sets  # (f,) columns that can never be in
    p: int

    def columns(self, member: Sets) -> tuple[int, ...]:
        return tuple(sorted(self.base + tuple(j for j, has in zip(self.free, member, strict=True) if has)))

    def allowed(self, sets: Sets) -> Sets:
        lacking = (~sets).astype(np.int64) @ self.parents.T.astype(np.int64)
        return np.asarray(~((sets & ((lacking > 0) | self.barred)).any(axis=1)), dtype=bool)

    def rss(self, sets: Sets) -> Array:
        return residual_ss(self.rows.T @ self.rows, self.rows.T @ self.target, float(self.target @ self.target), sets)


def residual_ss(gram: Array, cross: Array, total: float, sets: Sets) -> Array:
    """Residual sums of squares (m,) of regressions on each row of `sets` (m, f), from cross-products of unit columns.

    Columns outside a set are replaced by unit columns of their own, so that all systems of one batch have one size.
    A set whose columns are dependent gets infinity.
    """
    out = np.empty(len(sets))
    f = gram.shape[0]
    for start in range(0, len(sets), _CHUNK):
        part = sets[start : start + _CHUNK]
        both = part[:, :, None] & part[:, None, :]
        systems = np.where(both, gram, 0.0)
        index = np.arange(f)
        systems[:, index, index] = np.where(part, gram[index, index], 1.0)
        right = np.where(part, cross, 0.0)
        good = _well_posed(systems) if f else np.ones(len(part), dtype=bool)
        systems[~good] = np.eye(f)
        beta = np.linalg.solve(systems, right[:, :, None])[:, :, 0] if f else right
        rss = total - np.einsum("ij,ij->i", beta, right)
        out[start : start + _CHUNK] = np.where(good, np.maximum(rss, total * 1e-14), np.inf)
    return out


def _well_posed(systems: Array) -> Sets:
    """Which of the systems (m, f, f), unit on their diagonals, have columns that are not made up of the others."""
    try:
        root = np.linalg.cholesky(systems)
    except np.linalg.LinAlgError:
        smallest = np.linalg.eigvalsh(systems)[:, 0]
        well: Sets = smallest > _DEPENDENT
        return well
    diagonal = np.diagonal(root, axis1=1, axis2=2)
    return np.asarray(diagonal.min(axis=1) ** 2 > _DEPENDENT, dtype=bool)


def _problem(X: Array, y: Array, sure: Sequence[bool], parents: Sequence[frozenset[int]]) -> _Problem:
    p = X.shape[1]
    sure_columns = np.array([j for j in range(p) if sure[j]], dtype=np.intp)
    base = sure_columns[independent(X[:, sure_columns])[0]] if sure_columns.size else sure_columns
    free = [j for j in range(p) if not sure[j]]
    place = {j: i for i, j in enumerate(free)}
    size = np.linalg.norm(X, axis=0)
    unit = X / np.where(size > 0, size, 1.0)
    q = np.linalg.qr(unit[:, base])[0] if base.size else np.empty((y.size, 0))
    left = unit[:, free] - q @ (q.T @ unit[:, free])
    left = left - q @ (q.T @ left)
    length = np.linalg.norm(left, axis=0)
    barred = length <= 1e-9
    rows = np.where(barred, 0.0, left / np.where(barred, 1.0, length))
    target = y / (float(np.max(np.abs(y), initial=0.0)) or 1.0)
    target = target - q @ (q.T @ target)
    among = np.zeros((len(free), len(free)), dtype=bool)
    for j in free:
        for parent in parents[j]:
            if parent in place:
                among[place[j], place[parent]] = True
            elif parent not in set(base.tolist()):
                barred[place[j]] = True
    return _Problem(tuple(int(j) for j in base), tuple(free), rows, target, among, barred, p)


def _searched(problem: _Problem, n: int) -> tuple[Sets, Array, int, str]:
    """Leading sets (m, f), their scores (m,), how many sets were looked at, and how in words."""
    f = len(problem.free)
    most = n - len(problem.base) - 3  # AICc needs n > parameters + 1, the variance being one
    if most < 1:
        sets, how = np.zeros((1, f), dtype=bool), "too few batches to choose: only the sure terms were fitted"
    elif f <= _EXHAUSTIVE:
        return _every_one(problem, n, most)
    else:
        sets = _beam(problem, min(most, f))
        how = f"a beam search, {_BEAM} models wide, over {f} potential terms ({len(sets)} models looked at), by AICc"
    return sets, _scores(problem, sets, problem.rss(sets)), len(sets), how


def _every_one(problem: _Problem, n: int, most: int) -> tuple[Sets, Array, int, str]:
    f = len(problem.free)
    codes = np.arange(2**f)
    terms = np.zeros(2**f, dtype=np.int64)
    fine = np.ones(2**f, dtype=bool)
    for j in range(f):
        has = (codes >> j) & 1 == 1
        terms += has
        needs = int(np.sum(1 << np.flatnonzero(problem.parents[j])))
        fine &= ~has | ((codes & needs == needs) & (not problem.barred[j]))
    fine &= terms <= most
    rows, target = problem.rows, problem.target
    rss = every_subset(rows.T @ rows, rows.T @ target, float(target @ target))[fine]
    score = aicc(rss, n, terms[fine] + len(problem.base))
    score = np.where(np.isfinite(rss), score, np.inf)
    looked_at = int(fine.sum())
    lead = np.arange(looked_at)
    if looked_at > _LEADING:
        # By rounded score, then place: a last digit cannot change which models are kept.
        lead = np.lexsort((lead, np.round(score, 9)))[:_LEADING]
    how = f"every one of the {looked_at} models that keep a product only with its factors, by AICc"
    if looked_at == 1:
        how = "no choice was open, there is one model"
    return bits(codes[fine][lead], f), score[lead], looked_at, how


def _beam(problem: _Problem, most: int) -> Sets:
    """Forward beam by rising size, then one round of exchanges and deletions around the best."""
    f = len(problem.free)
    start = np.zeros((1, f), dtype=bool)
    seen: dict[bytes, npt.NDArray[np.bool_]] = {start[0].tobytes(): start[0]}
    beam = start
    stale, best = 0, float(_scores(problem, start, problem.rss(start))[0])
    for _ in range(most):
        grown = _fresh(problem, _grown(beam), seen)
        if not len(grown):
            break
        score = _scores(problem, grown, problem.rss(grown))
        order = np.argsort(np.round(score, 9), kind="stable")
        beam = grown[order[:_BEAM]]
        stale = 0 if score[order[0]] < best - 1e-9 else stale + 1
        best = min(best, float(score[order[0]]))
        if stale >= 4:
            break
    for _ in range(2):
        everything = np.array(list(seen.values()))
        score = _scores(problem, everything, problem.rss(everything))
        top = everything[np.argsort(np.round(score, 9), kind="stable")[: _BEAM // 2]]
        _fresh(
            problem,
            np.vstack([_shrunk(top), _grown(top), _grown(_shrunk(top[:5]))]),
            seen,
            most=most,
        )
    return np.array(list(seen.values()))


def _grown(sets: Sets) -> Sets:
    f = sets.shape[1]
    wide: Sets = (sets[:, None, :] | np.eye(f, dtype=bool)[None]).reshape(-1, f)
    return wide


def _shrunk(sets: Sets) -> Sets:
    f = sets.shape[1]
    narrow: Sets = (sets[:, None, :] & ~np.eye(f, dtype=bool)[None]).reshape(-1, f)
    return narrow


def _fresh(
    problem: _Problem,
    sets: Sets,
    seen: dict[bytes, npt.NDArray[np.bool_]],
    most: int | None = None,
) -> Sets:
    """The allowed rows of `sets` not seen before, which are seen now; parents of a term are brought in with it."""
    closed = sets.copy()
    for _ in range(3):
        closed |= (closed.astype(np.int64) @ problem.parents.astype(np.int64)) > 0
    closed = closed[problem.allowed(closed)]
    if most is not None:
        closed = closed[closed.sum(axis=1) <= most]
    new: list[npt.NDArray[np.bool_]] = []
    for row in closed:
        key = row.tobytes()
        if key not in seen:
            new.append(row)
            seen[key] = row
    return np.array(new, dtype=bool).reshape(-1, sets.shape[1])


def _scores(problem: _Problem, sets: Sets, rss: Array) -> Array:
    n = problem.target.size
    score = aicc(rss, n, sets.sum(axis=1) + len(problem.base))
    return np.asarray(np.where(np.isfinite(rss), score, np.inf), dtype=float)


def _shares(problem: _Problem, sets: Sets, score: Array, X: Array, y: Array, draws: int) -> Array:
    """How often each column is in the best of the leading models when batches are drawn with replacement.

    The 300 leading models of the whole data are set against each other in each draw, by random weights of the batches
    (Bayesian bootstrap, Rubin 1981, Ann. Stat. 9, 130-134), which keeps every term estimable.
    """
    share = np.zeros(problem.p)
    share[list(problem.base)] = 1.0
    leading = sets[np.isfinite(score)][:300]
    if not len(leading) or not problem.free or draws < 1:
        return share
    rng = np.random.default_rng(np.random.SeedSequence(1))
    columns = np.column_stack([X[:, list(problem.base)], problem.rows])
    size = np.linalg.norm(columns, axis=0)
    columns = columns / np.where(size > 0, size, 1.0)
    y_unit = y / (float(np.max(np.abs(y), initial=0.0)) or 1.0)
    base = len(problem.base)
    votes = np.zeros(len(problem.free))
    for _ in range(draws):
        weight = rng.dirichlet(np.ones(y.size)) * y.size
        root = np.sqrt(weight)[:, None]
        q = np.linalg.qr(columns[:, :base] * root)[0]
        left = columns[:, base:] * root
        left = left - q @ (q.T @ left)
        target = y_unit * root[:, 0]
        target = target - q @ (q.T @ target)
        length = np.linalg.norm(left, axis=0)
        left = left / np.where(length > 1e-9, length, 1.0)
        rss = residual_ss(left.T @ left, left.T @ target, float(target @ target), leading)
        votes += leading[int(np.argmin(np.round(_scores(problem, leading, rss), 9)))]
    share[list(problem.free)] = votes / draws
    return share
