"""How good a plan is, before any batch is made."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.design.aliasing import two_level
from doe.design.power import not_estimable, visible
from doe.design.trials import Trials, recipe_numbers
from doe.groups.wholeplots import Hard, blocks_kept, ceiling, reading_of
from doe.ideal.bestpossible import BestPossible
from doe.plain import plain
from doe.problems import Unavailable
from doe.recipes.costs import cost_per_kg
from doe.search import candidates
from doe.search.spaces import Layout, relations
from doe.search.strata import freedom
from doe.shown import Shown

if TYPE_CHECKING:
    from doe.study import Study

Array = npt.NDArray[np.float64]
Figure = float | Unavailable

MADE = "made "  # how trials made before a plan are called in it, by number
_GROUPS = ("whole_plots", "blocks", "steps", "two_level", "filling")


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Quality(Shown):
    """The figures of `plan --json`, "quality".

    `d_efficiency`, `i_efficiency`: against the best approximate plan found over the region. `best_possible`: for each
    the proven bracket [low, high] in which the plan's efficiency against the true optimum lies. `prediction_sd`, `fds`:
    sd of a predicted mean in units of the batch-to-batch sd. `aliases`: terms that are sums of others on these
    trials. `can_see`: see `power.visible`. `condition`: of the model matrix in the coding named by `coding`. `tried`:
    the lowest and highest level in the plan. Trials already made that the plan builds on count in all but days and
    cost.

    With whole plots the errors are those of `doe.search.strata`, the sd is that of batches within one, and efficiencies
    are against the bound of `doe.groups.wholeplots`. `whole_plots` and `blocks` are empty where there are none; see
    `reading_of` and `blocks_kept`. `steps`: with weighable steps, the efficiency by the plan's own criterion that is
    kept against the same plan before it was put on them. `two_level`: of such a plan, what `aliasing.two_level` tells.
    `filling`: of a space-filling plan, what `filling.filling` tells.
    """

    terms: int
    rank: int
    condition: Figure
    coding: str
    d_efficiency: Figure
    i_efficiency: Figure
    best_possible: Mapping[str, tuple[float, float] | Unavailable]
    df: Mapping[str, int]
    prediction_sd: Mapping[str, Figure]
    fds: tuple[tuple[float, float], ...]
    aliases: tuple[Mapping[str, Any], ...]
    can_see: Mapping[str, Mapping[str, Any] | Unavailable]
    leverage: Mapping[str, Figure]
    tried: Mapping[str, tuple[float, float]]
    days: int
    cost: Figure
    whole_plots: Mapping[str, Any] = field(default_factory=dict)
    blocks: Mapping[str, Any] = field(default_factory=dict)
    steps: Mapping[str, Any] = field(default_factory=dict)
    two_level: Mapping[str, Any] = field(default_factory=dict)
    filling: Mapping[str, Any] = field(default_factory=dict)

    def __str__(self) -> str:
        shares = (("D", self.d_efficiency), ("I", self.i_efficiency))
        told = [f"{letter} efficiency {share:.3f}" for letter, share in shares if isinstance(share, float)]
        return ", ".join([f"Quality: {self.terms} terms", *told, f"{self.days} days"])

    __repr__ = __str__

    @property
    def made_before(self) -> int:
        """How many batches made before count in the figures."""
        return made_before(self.leverage)

    def to_dict(self) -> dict[str, Any]:
        """The figures as JSON holds them; one that does not exist says why."""
        values = {f.name: plain(getattr(self, f.name)) for f in fields(self)}
        return {name: value for name, value in values.items() if value or name not in _GROUPS}

    @classmethod
    def from_dict(cls, source: Mapping[str, Any]) -> Quality:
        """The figures as read back from plan.json."""
        values = {f.name: _read(source[f.name]) for f in fields(cls) if f.name in source or f.name not in _GROUPS}
        values["fds"] = tuple((row[0], row[1]) for row in values["fds"])
        values["aliases"] = tuple(values["aliases"])
        return cls(**values)


def _read(value: Any) -> Any:
    if isinstance(value, Mapping):
        if "unavailable" in value:
            return Unavailable(value["unavailable"], value.get("do", ""))
        return {k: _read(v) for k, v in value.items()}
    if isinstance(value, list):
        return tuple(_read(v) for v in value)
    return value


def assess(study: Study, plan: Layout, trials: Trials, best_possible: BestPossible | None, *, chosen: bool) -> Quality:
    """Work out every figure for `trials`, against the best possible plans for `plan` (found here where not given).

    Where every recipe was given (`chosen` is False) there is nothing to judge against the best possible plan.
    """
    F = plan.raw(trials.U, trials.C)
    G = plan.space.model(trials.U, trials.C)
    rank = int(np.linalg.matrix_rank(G, tol=1e-7 * max(1.0, float(np.linalg.norm(G, 2)))))
    W = trials.strata.weight()
    A = G.T @ W @ G + plan.prior
    sound = np.linalg.cond(A) < 1e12
    V = np.asarray(np.linalg.inv(A), dtype=np.float64) if sound else None
    df = freedom(G, trials.strata, recipe_numbers(trials.U, trials.C), rank)
    hard = Hard.of(study, plan)
    spread = _prediction(plan, V)
    per_trial = None if V is None else np.einsum("ij,ji->i", G @ V, G.T @ W)
    d, i, bracket = _efficiencies(trials, A, V, best_possible or BestPossible(plan), hard) if chosen else _given()
    cost = _cost(study, trials.levels)
    return Quality(
        terms=len(plan.terms),
        rank=rank,
        condition=_condition(F, rank),
        coding="l-pseudo" if plan.terms.form == "scheffe" else "coded",
        d_efficiency=d,
        i_efficiency=i,
        best_possible=bracket,
        df=df,
        prediction_sd=spread[0],
        fds=spread[1],
        aliases=tuple(relations(F, plan.terms.labels)),
        can_see={r.name: visible(plan, trials, r) for r in study.fitted_responses},
        leverage={
            name: not_estimable() if per_trial is None else float(per_trial[k]) for k, name in enumerate(trials.ids)
        },
        tried=_tried(trials.levels),
        days=sum(math.ceil(n / max(study.batches_per_day, 1e-9)) for n in trials.batches_by_block),
        cost=cost,
        whole_plots=reading_of(plan, trials.strata, G, hard, len(trials.levels), df),
        blocks=blocks_kept(plan, trials.strata, G),
        two_level={} if plan.region.blend else two_level(trials.U, plan.region.free),
    )


def made_before(leverage: Mapping[str, Any]) -> int:
    """How many of the trials in a leverage table were made before the plan."""
    return sum(name.startswith(MADE) for name in leverage)


def _condition(F: Array, rank: int) -> Figure:
    s = np.linalg.svd(F, compute_uv=False)
    if rank < F.shape[1] or len(s) < F.shape[1] or s[-1] <= 0:
        return not_estimable()
    return float(s[0] / s[-1])


def _prediction(plan: Layout, V: Array | None) -> tuple[dict[str, Figure], tuple[tuple[float, float], ...]]:
    """Mean and greatest sd of a predicted mean over the region, and its curve over shares of the region."""
    if V is None:
        missing = not_estimable()
        return {"mean": missing, "max": missing}, ()
    # The i-th point is one of the (i mod m)-th combination.
    U = plan.region.coded(plan.region.sample(2000, seed=1))
    combos = plan.combinations()
    C = combos[np.arange(len(U)) % len(combos)]
    H = plan.space.model(U, C)
    sd = np.sqrt(np.einsum("ij,jk,ik->i", H, V, H))
    edge = plan.space.model(*candidates.everywhere(plan.pieces, plan.region, candidates.rich))
    worst = float(np.sqrt(np.einsum("ij,jk,ik->i", edge, V, edge).max()))
    shares = np.linspace(0, 1, 21)
    curve = tuple((round(float(s), 2), float(q)) for s, q in zip(shares, np.quantile(sd, shares), strict=True))
    return {"mean": float(sd.mean()), "max": max(worst, float(sd.max()))}, curve


def _given() -> tuple[Figure, Figure, dict[str, tuple[float, float] | Unavailable]]:
    missing = Unavailable("every recipe was given, none was chosen", "look at the prediction sd")
    return missing, missing, {"d": missing, "i": missing}


def _efficiencies(
    trials: Trials, A: Array, V: Array | None, best_possible: BestPossible, hard: Hard
) -> tuple[Figure, Figure, dict[str, tuple[float, float] | Unavailable]]:
    """D and I efficiency of the trials and their proven brackets.

    D: (det A / det A*)^(1/p); I: trace(A*^-1 B) / trace(A^-1 B); A* = n M* + R belongs to the best approximate
    plan of as many runs, R is the prior of potential terms. With whole plots those of `doe.groups.wholeplots`
    stand in the place of A*: the best possible plan may be nearer than they tell, so that the bracket ends at 1.
    """
    plan = best_possible.plan
    if plan.confounded:
        missing = Unavailable(
            f"{', '.join(plan.confounded)} cannot be told from other terms anywhere in the region", "leave them out"
        )
        return missing, missing, {"d": missing, "i": missing}
    if V is None:
        missing = not_estimable()
        return missing, missing, {"d": missing, "i": missing}
    if not plan.space.inside(trials.U, trials.C, 1e-6).all():
        missing = Unavailable(
            "some trials lie outside the region between low and high", "compare plans by their prediction sd"
        )
        return missing, missing, {"d": missing, "i": missing}
    n, p = len(trials.U), len(A)
    top = ceiling(best_possible, hard, trials.strata)
    d = float(np.exp(np.linalg.slogdet(A)[1] / p - math.log(n) - top.d))
    i = float(top.i / (n * np.einsum("ij,ij->", V, plan.moment)))
    # A found optimum may be short of the true one by its own tolerance; no plan is better than the best.
    d, i = min(d, 1.0), min(i, 1.0)
    bracket: dict[str, tuple[float, float] | Unavailable] = {}
    for key, value, sure in (("d", d, top.sure_d), ("i", i, top.sure_i)):
        high = 1.0 if trials.strata.ratio else value
        bracket[key] = (value * sure, high)
    return d, i, bracket


def _cost(study: Study, levels: pd.DataFrame) -> Figure:
    """Money for the new trials: batches at batch_cost, and their materials."""
    made = len(levels) * study.batch_cost
    if not study.ingredients:
        return float(made) if study.batch_cost else Unavailable("no batch_cost is given", "add batch_cost to [study]")
    price = cost_per_kg(study, levels)
    if isinstance(price, Unavailable):
        return price
    return float(made + price.sum() * study.batch_g / 1000)


def _tried(levels: pd.DataFrame) -> dict[str, tuple[float, float]]:
    numeric = levels.select_dtypes("number")
    return {str(name): (float(numeric[name].min()), float(numeric[name].max())) for name in numeric}
