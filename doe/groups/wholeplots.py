"""What whole plots can tell: the part of a model in hard-to-change factors alone, and the best that is possible.

Let w be the functions of the model that depend on hard-to-change factors only (the intercept among them). For any plan
in whole plots of m trials or more, with M the information of its recipes per trial were they independent, its
information is at most n [M - k M_.w M_ww^-1 M_w.], k = m ratio / (1 + m ratio): the means of whole plots tell at least
what w tells of them, and what they tell is worth less by k. Hence, with p_w functions in w,

    det A <= n^p det M (1 + m ratio)^-p_w    and    trace(A^-1 B) >= [trace(M^-1 B) + m ratio trace(M_ww^-1 B_ww)] / n,

which holds with a prior of potential terms too where w is taken among the sure ones. The best approximate plans for
the whole model and for w alone then bound every plan. A balanced two-level plan in whole plots meets the bound.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
from scipy.linalg import null_space

from doe.ideal.bestpossible import BestPossible
from doe.search.spaces import Layout
from doe.search.strata import Strata

if TYPE_CHECKING:
    from doe.study import Study

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Hard:
    """Which free numeric columns and which categories are hard to change."""

    columns: tuple[int, ...]
    levels: tuple[int, ...]

    @classmethod
    def of(cls, study: Study, plan: Layout) -> Hard:
        """Those of a study that still vary."""
        names = [f.name for f in study.factors if f.hard_to_change]
        free = plan.region.free
        return cls(
            tuple(free.index(n) for n in names if n in free),
            tuple(plan.factors.index(n) for n in names if n in plan.factors),
        )

    def __bool__(self) -> bool:
        return bool(self.columns or self.levels)

    def settings(self, U: Array, C: Indices) -> list[tuple[float, ...]]:
        """The setting of what is hard to change in each recipe U (n, d), C (n, c): equal tuples for equal settings."""
        rows = np.column_stack([np.round(U[:, self.columns], 7) + 0.0, C[:, self.levels]])
        return [tuple(row) for row in rows.tolist()]


def hard_functions(plan: Layout, hard: Hard) -> Array:
    """The sure functions of the model that depend on hard-to-change factors only, (p, p_w), in the working basis.

    Found from random pairs of points that agree in these factors and in nothing else: a combination of terms that is
    the same at both points of every pair depends on them alone. One with prior precision is not sure, and left out.
    """
    p, d = len(plan.terms), plan.region.dimension
    rng = np.random.default_rng(np.random.SeedSequence([41, p, d]))
    pairs = 3 * p + 10
    U = rng.uniform(-1, 1, (2, pairs, d))
    C = np.stack([[rng.integers(n, size=pairs) for n in plan.space.levels] for _ in range(2)]).reshape(2, -1, pairs)
    U[1][:, hard.columns] = U[0][:, hard.columns]
    C[1][list(hard.levels)] = C[0][list(hard.levels)]
    one, two = (plan.space.model(u, c.T.astype(np.intp)) for u, c in zip(U, C, strict=True))
    scale = np.linalg.norm(one, axis=0) / np.sqrt(pairs)
    scale = np.where(scale > 0, scale, 1.0)
    basis = null_space(np.vstack([(one - two) / scale, np.sqrt(pairs) * plan.prior / scale]), rcond=1e-8)
    out: Array = basis / scale[:, None]
    return out


@dataclass(frozen=True, slots=True, eq=False)
class Ceiling:
    """What no plan in whole plots of `least` trials or more can exceed.

    `d`: greatest log det(A / n) / p. `i`: least n trace(A^-1 B). `sure_d`, `sure_i`: proven fractions, 0..1, that these
    may be off, because the approximate optima are found and not proven to the last digit.
    """

    d: float
    i: float
    sure_d: float
    sure_i: float


def ceiling(best_possible: BestPossible, hard: Hard, strata: Strata) -> Ceiling:
    """The bounds above for trials in these whole plots, from the best approximate plans for the model."""
    plan, n = best_possible.plan, len(strata.plots)
    d, i = best_possible.best("D", n).value, best_possible.best("I", n).value
    sure_d, sure_i = best_possible.proven("D", n), best_possible.proven("I", n)
    more = int(strata.sizes.min()) * strata.ratio
    if not more:
        return Ceiling(d, i, sure_d, sure_i)
    N = hard_functions(plan, hard)
    p, p_w = N.shape
    alone = BestPossible(_alone(plan, N))
    part, sure_part = alone.best("I", n).value, alone.proven("I", n)
    top = Ceiling(d - p_w / p * float(np.log1p(more)), i + more * part, sure_d, sure_i)
    return replace(top, sure_i=(i * sure_i + more * part * sure_part) / top.i)


def _alone(plan: Layout, N: Array) -> Layout:
    """The layout with the functions N (p, p_w) for its model."""
    model = plan.space.model
    space = replace(plan.space, model=lambda U, C: model(U, C) @ N)
    p_w = N.shape[1]
    return replace(plan, space=space, basis=plan.basis @ N, moment=N.T @ plan.moment @ N, prior=np.zeros((p_w, p_w)))


def reading_of(
    plan: Layout, strata: Strata, G: Array, hard: Hard, new: int, df: Mapping[str, int]
) -> dict[str, Any]:  # fmt: skip
    """What there is to say of whole plots, of the `new` last trials as far as they are counted; {} without any.

    G (n, p) are the model rows of all trials, `df` their degrees of freedom by stratum.

    `resets`: times the hard-to-change factors are set up, the first included, each for a whole plot of its own even
    where the level stays. `terms`: functions of them in the model, with the intercept. `error_df`: what these are
    judged against. `against_randomised`: for D and I, the information of the plan against that of the same trials
    each set up on its own, which has variance 1 + ratio: (det A / det A_r)^(1/p), trace(A_r^-1 B) / trace(A^-1 B).
    """
    if not strata.ratio and not hard:
        return {}
    own = strata.plots[len(strata.plots) - new :]
    sizes = [int(np.sum(own == p)) for p in dict.fromkeys(own.tolist())]
    apart = Strata(np.arange(len(strata.plots)), strata.blocks, strata.ratio)
    A, R = (G.T @ one.weight() @ G + plan.prior for one in (strata, apart))
    told: dict[str, Any] = {
        "count": len(sizes),
        "sizes": sizes,
        "resets": len(sizes),
        "ratio": strata.ratio,
        "terms": hard_functions(plan, hard).shape[1],
        "error_df": df.get("whole_plot_error", 0),
    }
    if max(np.linalg.cond(A), np.linalg.cond(R)) > 1e12:
        return told
    d = float(np.exp((np.linalg.slogdet(A)[1] - np.linalg.slogdet(R)[1]) / len(A)))
    i = float(np.trace(np.linalg.solve(R, plan.moment)) / np.trace(np.linalg.solve(A, plan.moment)))
    return {**told, "against_randomised": {"d": d, "i": i}}


def blocks_kept(plan: Layout, strata: Strata, G: Array) -> dict[str, Any]:
    """How orthogonal the blocks are to the terms, by the model rows G (n, p) of all trials; {} without blocks.

    `kept`: the share of information on the terms that is left after block effects, (det A / det A_0)^(1/p), A_0 being
    what it were if blocks did not differ; 1 where blocks are orthogonal to every term. `worst`: the term whose
    coefficient loses most, and the share of its precision that is left; `alike` there: others that lose as much.
    """
    if strata.n_blocks < 2:
        return {}
    A, A0 = (G.T @ strata.weight(with_blocks=on) @ G + plan.prior for on in (True, False))
    told: dict[str, Any] = {"count": strata.n_blocks}
    if max(np.linalg.cond(A), np.linalg.cond(A0)) > 1e12:
        return told
    told["kept"] = min(1.0, float(np.exp((np.linalg.slogdet(A)[1] - np.linalg.slogdet(A0)[1]) / len(A))))
    after, before = (np.einsum("ij,jk,ik->i", plan.basis, np.linalg.inv(M), plan.basis) for M in (A, A0))
    share = np.where([t.order > 0 for t in plan.terms.terms], before / after, np.inf)
    j = int((share <= share.min() * (1 + 1e-9)).argmax())
    if np.isfinite(share[j]):
        told["worst"] = {"term": plan.terms.labels[j], "kept": min(1.0, float(share[j]))}
        alike = [plan.terms.labels[k] for k in np.flatnonzero(share <= share[j] * (1 + 1e-6)) if k != j]
        told["worst"] |= {"alike": alike} if alike and share[j] < 1 - 1e-6 else {}
    return told
