"""Power: which differences a plan can show in a response, and with what chance."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import stats
from scipy.optimize import brentq

from doe.definition.categories import short
from doe.definition.parts import Response
from doe.design.trials import Trials, recipe_numbers
from doe.problems import Unavailable
from doe.search import candidates
from doe.search.spaces import Layout
from doe.search.strata import Contrasts, freedom

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]
Figure = float | Unavailable

POWER, SIZE = 0.80, 0.05  # of the two-sided t test by which a difference is seen; common practice, no source
LOST = 100.0  # what trials show is off by so many batch sds: no number means anything; our own choice


def not_estimable() -> Unavailable:
    """Why a figure of the model does not exist where trials leave terms open."""
    return Unavailable(
        "these trials cannot tell all terms apart", "plan more trials, fewer terms, or make some terms maybe"
    )


def hardly_told() -> Unavailable:
    """Why no number is given where trials tell terms apart by a hair only, so that something is off by `LOST`."""
    reason = f"these trials hardly tell some terms apart, so that what they show may be off by {LOST:.0f} batch sd"
    return Unavailable(reason, "go by what the fit says, or plan more trials, fewer terms, or make some terms maybe")


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
        return not_estimable()
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
