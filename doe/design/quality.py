"""How good a plan is, before any batch is made."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats
from scipy.optimize import brentq

from doe.definition.categories import short
from doe.definition.parts import Response
from doe.design.aliasing import two_level
from doe.groups.wholeplots import Hard, blocks_kept, ceiling, reading_of
from doe.ideal.bestpossible import BestPossible
from doe.plain import plain
from doe.problems import Unavailable
from doe.recipes.costs import cost_per_kg
from doe.search import candidates
from doe.search.spaces import Layout, relations
from doe.search.strata import Contrasts, Strata, freedom
from doe.shown import Shown

if TYPE_CHECKING:
    from doe.study import Study

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]
Figure = float | Unavailable

POWER, SIZE = 0.80, 0.05  # of the two-sided t test by which a difference is seen; common practice, no source
LOST = 100.0  # what trials show is off by so many batch sds: no number means anything; our own choice
MADE = "made "  # how trials made before a plan are called in it, by number
_GROUPS = ("whole_plots", "blocks", "steps", "two_level", "filling")


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Quality(Shown):
    """The figures of `plan --json`, "quality".

    `d_efficiency`, `i_efficiency`: against the best approximate plan found over the region. `best_possible`: for each
    the proven bracket [low, high] in which the plan's efficiency against the true optimum lies. `prediction_sd`, `fds`:
    sd of a predicted mean in units of the batch-to-batch sd. `aliases`: terms that are sums of others on these
    trials. `can_see`: see `visible`. `condition`: of the model matrix in the coding named by `coding`. `tried`: the
    lowest and highest level in the plan. Trials already made that the plan builds on count in all but days and cost.

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
            name: _not_estimable() if per_trial is None else float(per_trial[k]) for k, name in enumerate(trials.ids)
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


def _not_estimable() -> Unavailable:
    return Unavailable(
        "these trials cannot tell all terms apart", "plan more trials, fewer terms, or make some terms maybe"
    )


def hardly_told() -> Unavailable:
    """Why no number is given where trials tell terms apart by a hair only, so that something is off by `LOST`."""
    reason = f"these trials hardly tell some terms apart, so that what they show may be off by {LOST:.0f} batch sd"
    return Unavailable(reason, "go by what the fit says, or plan more trials, fewer terms, or make some terms maybe")


def _condition(F: Array, rank: int) -> Figure:
    s = np.linalg.svd(F, compute_uv=False)
    if rank < F.shape[1] or len(s) < F.shape[1] or s[-1] <= 0:
        return _not_estimable()
    return float(s[0] / s[-1])


def recipe_numbers(U: Array, C: Indices) -> Indices:
    """A number for each distinct recipe, in order of first appearance, (n,)."""
    rows = np.column_stack([np.round(U, 7) + 0.0, C])
    _, first, inverse = np.unique(rows, axis=0, return_index=True, return_inverse=True)
    rank = np.argsort(np.argsort(first))
    numbers: Indices = rank[inverse.reshape(-1)].astype(np.intp)
    return numbers


def _prediction(plan: Layout, V: Array | None) -> tuple[dict[str, Figure], tuple[tuple[float, float], ...]]:
    """Mean and greatest sd of a predicted mean over the region, and its curve over shares of the region."""
    if V is None:
        missing = _not_estimable()
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
        missing = _not_estimable()
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


def without_sd(response: Response) -> Unavailable:
    """Why nothing can be said of what a plan sees in a response without an sd."""
    if response.kind in ("grade", "pass"):
        counted = "grades have" if response.kind == "grade" else "a pass or fail has"
        return Unavailable(f"{counted} no sd", "a measured value in its place sees more per batch")
    return Unavailable(
        f"the sd between replicate batches of {response.name} is not given", 'give sd, for example sd = "10 %"'
    )


def visible(plan: Layout, trials: Trials, response: Response) -> dict[str, Any] | Unavailable:
    """What the plan can see in a response.

    For each free ingredient or factor, take the difference between the mean responses at both ends of its chord
    through the overall centroid (an ingredient moving against the one that takes up the rest), all terms in the
    model. It is seen when a two-sided t test at 5 % finds it. `difference` is the smallest true difference seen with
    a chance of 80 %, for the column where that is worst; `chance` is the chance there to see the difference that
    `matters`. By the noncentral t distribution with the residual degrees of freedom of the plan. Where there are
    potential terms, only sure ones are taken into the model. `difference` is in the response's unit, or, when
    `relative`, a fraction of the value.
    """
    if response.sd is None:
        return without_sd(response)
    judged = _chords(plan, trials)
    if judged is None:
        return _not_estimable()
    if not judged:
        return Unavailable("the model has no terms of what varies", "give a model, or terms, with more in it")
    blind = [name for name, (_, left) in judged.items() if left < 1]
    if blind and trials.strata.ratio:
        return _unjudged(plan, trials, blind)
    if blind:
        return Unavailable("no trials are left over to measure the batch-to-batch sd", "plan at least one trial more")
    sd, relative = response.sd
    logs = relative and response.scale == "log"
    sigma = math.sqrt(math.log1p(sd**2)) if logs else sd
    shifts = {left: _shift(left) for _, left in judged.values()}
    if max(shifts[left] * error for error, left in judged.values()) > LOST:
        return hardly_told()
    seen = {column: shifts[left] * error * sigma for column, (error, left) in judged.items()}
    worst = max(seen, key=lambda column: (round(seen[column], 9), column))
    error, left = judged[worst]
    out: dict[str, Any] = {
        "difference": math.expm1(seen[worst]) if logs else seen[worst],
        "relative": relative,
        "worst_for": worst,
        "df": left,
        "chance": _chance_of(response, sigma * error, logs, left),
        "by_column": {column: math.expm1(value) if logs else value for column, value in seen.items()},
    }
    if trials.strata.ratio:
        out["df_by_column"] = {column: left for column, (_, left) in judged.items()}
    return out


def _unjudged(plan: Layout, trials: Trials, blind: Sequence[str]) -> Unavailable:
    """Why effects in whole plots cannot be judged: nothing left within set-ups, or too few of them."""
    G = plan.space.model(trials.U, trials.C)
    left = freedom(G, trials.strata, recipe_numbers(trials.U, trials.C), int(np.linalg.matrix_rank(G)))
    within, between = left["lack_of_fit"] + left["pure_error"], left["whole_plot_error"]
    got = f"nothing is left over to judge {', '.join(blind)} against"
    if within and not between:
        return Unavailable(f"{got}: too few whole plots for the terms in them", "give more whole_plots")
    if between and not within:
        why = "every batch within a set-up goes to the terms, so that the scatter of batches is not measured"
        return Unavailable(f"{got}: {why}", "give more runs, so that set-ups hold more batches")
    return Unavailable(f"{got}: there are too few trials for the terms", "give more runs, and whole_plots with them")


def _shift(left: float) -> float:
    """The true effect in standard errors that is seen with a chance of 80 %."""
    return float(brentq(lambda x: seen_chance(x, left) - POWER, 0.0, 500.0))


def _chance_of(response: Response, error: float, logs: bool, left: float) -> Figure:
    """The chance to see the difference that matters, `error` being the standard error of the contrast."""
    matters = matters_of(response)
    if isinstance(matters, Unavailable):
        return matters
    return seen_chance((math.log1p(matters) if logs else matters) / error, left)


def matters_of(response: Response) -> Figure:
    """The difference that matters in the terms of `sd`: a fraction of the value where sd is relative, else in the unit.

    Between the two it is taken at the target, or without one at the middle of the limits.
    """
    if response.matters is None or response.sd is None:
        return Unavailable(f"no difference that matters is given for {response.name}", 'give matters, e.g. "20 %"')
    matters, relative = response.matters
    if relative == response.sd[1]:
        return matters
    centre = response.target if response.target is not None else _middle(response)
    if centre is None or centre == 0:
        return Unavailable(
            "sd and matters are not in the same terms", "give both in % of the value, or both in the unit"
        )
    return matters * abs(centre) if relative else matters / abs(centre)


def _middle(response: Response) -> float | None:
    ends = [v for v in (response.low, response.high) if v is not None]
    return sum(ends) / len(ends) if ends else None


def seen_chance(shift: float, df: float) -> float:
    """Power of a two-sided 5 % t test with `df`, the true effect being `shift` standard errors."""
    if shift > 38:
        return 1.0
    edge = stats.t.isf(SIZE / 2, df)
    # The far tail of the noncentral t is nothing for shifts above 3, and its routine loses digits there.
    far = float(stats.nct.cdf(-edge, df, shift)) if shift < 3 else 0.0
    return float(stats.nct.sf(edge, df, shift)) + far


def _chords(plan: Layout, trials: Trials) -> dict[str, tuple[float, float]] | None:
    """For each free column the standard error, in batch sds, of the contrast along it, and the df behind it."""
    keep = np.array(plan.terms.sure) if not all(plan.terms.sure) else np.ones(len(plan.terms), dtype=bool)
    F = plan.raw(trials.U, trials.C)[:, keep]
    scale = np.linalg.norm(F, axis=0)
    scale = np.where(scale > 0, scale, 1.0)
    Q, R = np.linalg.qr(F / scale)
    if len(F) < F.shape[1] or np.abs(np.diag(R)).min(initial=np.inf) < 1e-8:
        return None
    # What blocks differ by may take up a whole term, as that of a factor set once a block.
    if np.linalg.svd(np.column_stack([Q, trials.strata.block_columns]), compute_uv=False)[-1] < 1e-8:
        return None
    judge = Contrasts(Q, trials.strata)
    middle = candidates.centroid(plan.pieces[0][0], plan.region)
    level = plan.pieces[0][1][:1]

    out: dict[str, tuple[float, float]] = {}

    def take(name: str, ends: Array, levels: Indices) -> None:
        rows = plan.raw(ends, levels)[:, keep] / scale
        # What the model has no terms in makes no difference there.
        if np.abs(rows[1] - rows[0]).max() <= 1e-9 * np.abs(rows).max():
            return
        variance, df = judge.judge(np.linalg.solve(R.T, rows[1] - rows[0]))
        out[name] = math.sqrt(variance), round(df) if abs(df - round(df)) < 1e-6 else df

    for j, name in enumerate(plan.region.free):
        direction = np.zeros((1, plan.region.dimension))
        direction[0, j] = 1.0
        low, high = plan.space.ranges(middle, direction, level)
        ends = np.concatenate([middle + low[:, None] * direction, middle + high[:, None] * direction])
        take(name, ends, np.repeat(level, 2, axis=0))
    for j, name in enumerate(plan.factors):
        for value in range(1, plan.space.levels[j]):
            other = level.copy()
            other[0, j] = value
            # The same recipe, or as near to it as the limits at that level allow.
            there = plan.space.entered(middle, other)
            if not plan.space.inside(there, other)[0]:
                continue
            label = f"{short(name)}: {plan.region.categories[name][value]}"
            take(label, np.concatenate([middle, there]), np.concatenate([level, other]))
    return out
