"""Builds one response's `FittedModel`: batches, scale, terms, least squares, diagnosis, and what predicts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from doe.definition.categories import material_of
from doe.definition.parts import Response
from doe.problems import ModelError, Problem, Unavailable, listed
from doe.results.results import Results
from doe.study import Study
from doe.terms.codings import Coding
from doe.terms.term import Form
from doe.terms.terms import Terms
from optimise.models import findings
from optimise.models.batchdata import BatchData, gather
from optimise.models.censored import by_likelihood, likely, with_bounds
from optimise.models.choosing import Chosen, TermsChoice, pick
from optimise.models.coefficients import coefficient_table, stationary_point, way_out
from optimise.models.fewblocks import FewBlocks, block_finding, block_of, few_blocks
from optimise.models.findings import blocks_confounded, blocks_left_out, say
from optimise.models.fittask import FitTask
from optimise.models.fitted import Core, FittedModel
from optimise.models.frames import TRIAL_COLUMNS, anova_frame, term_groups, trial_table
from optimise.models.grades import fit_grades
from optimise.models.grouped import NO_LACK, allowed_for, as_if_alone, in_use, with_groups
from optimise.models.passes import fit_passes
from optimise.models.predictors import LeastSquaresPredictor, PosteriorPredictor, Predictor, axes_of, coordinates
from optimise.models.scales import Scale, box_cox, scale_for
from optimise.statistics import diagnosis
from optimise.statistics.censored_shared import SharedCensoredFit
from optimise.statistics.diagnosis import Number
from optimise.statistics.imputation import completions
from optimise.statistics.leastsq import Array, LeastSquares, independent, solve
from optimise.statistics.marginal import Groups
from optimise.statistics.mixed import MixedFit
from optimise.statistics.posterior import Posterior
from optimise.statistics.whitened import Whitened, sharing

# Levels that differ by a thousandth of their range differ by no more than they are weighed and timed: a term that
# rests on that alone would be nothing but noise, many times enlarged (common practice, no source).
_FIRM = 1e-3
_NAMED = 3  # terms that another is said to move with
_AS_SETTLED = 0.02  # of a level: how far weighing moves one that its material settles (common practice, no source)


@dataclass(frozen=True, slots=True, eq=False)
class _Values:
    """The n values of a response on its model `scale`, taken for the reason `why`: each between `low` and `high` (n,).

    The ends are equal but for readings that are only bounds.
    """

    scale: Scale
    why: str
    low: Array
    high: Array


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """Terms fitted to y (n,), in which readings that are bounds are completed.

    `aliased`: terms that cannot be told apart from earlier ones; `said`: findings. Where batches share an error,
    `mixed` is the fit that allows for it, and `joint` the one that allows for bounds as well.
    """

    core: Core
    y: Array
    aliased: tuple[str, ...]
    said: tuple[Problem, ...]
    mixed: MixedFit | None = None
    joint: SharedCensoredFit | None = None

    def columns(self, data: BatchData) -> Array:
        """The columns that are fitted, blocks last, (n, r)."""
        core = self.core
        return np.column_stack([core.terms.rows(data.X, data.chosen, core.coding), _kept_blocks(data, core)])


def fit_response(
    study: Study,
    results: Results,
    response: Response,
    choice: TermsChoice,
    coding: str,
    out_of: Mapping[str, str] | None = None,
    form: Form | None = None,
) -> FittedModel:
    """Fit one response. What cannot be had is said in the result; only a coding that is not known raises ValueError.

    `form` asks for a blend's terms in that form (slack, scheffe) instead of its usual one.
    """
    bounds_fit = response.kind in ("number", "curve")
    data = gather(study, results, response, out_of, exact_only=not bounds_fit)
    planned = _told_by_material(study, study.terms(response.model, form), data)
    if data.y.size and bounds_fit and data.has_bounds:
        found = _fitted(FitTask(study, response, planned, coding, data), choice)
        if found is not None:
            return found
        data = gather(study, results, response, out_of, exact_only=True)
    task = FitTask(study, response, planned, coding, data)
    if not data.y.size:
        return _nothing_fitted(task)
    if response.kind == "pass":
        return fit_passes(task)
    if response.kind == "grade":
        graded = fit_grades(task, results)
        if not isinstance(graded, Unavailable):
            return graded
        task = replace(task, data=replace(data, findings=(*data.findings, _as_numbers(response, graded))))
    found = _fitted(task, choice)
    return _nothing_fitted(task) if found is None else found


def _told_by_material(study: Study, planned: Terms, data: BatchData) -> Terms:
    """The terms without levels that the materials settle, in these batches too: what was chosen says it all."""
    told = []
    for name in planned.settled(study.region) if data.y.size and not study.plan.terms else ():
        level, chosen = data.X[:, planned.names.index(name)], data.chosen[material_of(name)]
        groups = [level[chosen == one] for one in set(chosen)]
        if all(np.ptp(group) <= _AS_SETTLED * np.abs(group).max() for group in groups):
            told.append(name)
    return planned.without(told)


def _as_numbers(response: Response, why: Unavailable) -> Problem:
    got = (
        f"grades are treated as numbers, for {why.reason}: equal steps between grades are taken for granted, and"
        " predictions may lie between or beyond grades"
    )
    return say("grades-as-numbers", "inform", response.name, got, "read differences of less than a grade with care")


def _fitted(task: FitTask, choice: TermsChoice) -> FittedModel | None:
    """The fit of measured values, or None where bounds among them leave the likelihood without a maximum."""
    data, planned = task.data, task.planned
    base = planned.fitting_coding(task.study.region)
    rows = np.column_stack([planned.rows(data.X, data.chosen, base), data.blocks])
    if not (data.low == data.high).any():
        return None
    modest = _modest(planned, rows)
    values, notes = _on_scale(task, modest)
    y = values.low
    if data.has_bounds:
        first = np.flatnonzero(planned.first_order)
        guess = likely(modest, values.low, values.high) or likely(rows[:, first], values.low, values.high)
        if guess is None:
            return None
        y = guess[0]
    seen_by, seen_values = rows, y
    if data.shared is not None:
        seen_by, seen_values = as_if_alone(modest, rows, y, data.shared)
    picked = pick(planned, seen_by, seen_values, choice, task.where)
    fit = _solved(task, values.scale, picked.terms, base, y)
    if data.has_bounds:
        found = _by_bounds(task, values, picked, fit, choice)
        if found is None:
            return None
        picked, fit = found
    elif data.shared is not None and fit.core.fit.has_error:
        mixed, told = allowed_for(fit.columns(data), y, data.shared, task.where)
        core = fit.core if mixed is None else replace(fit.core, other=in_use(mixed))
        fit = replace(fit, core=core, mixed=mixed, said=(*fit.said, *told))
    seen = _seen(data, fit)
    notes = [*data.findings, *notes, *fit.said, *picked.notes]
    model = _assembled(task, values, picked, fit, seen, choice)
    model = replace(model, findings=(*notes, *model.findings))
    if fit.mixed is not None and seen is not None:
        model = with_groups(model, fit.mixed, fit.core, data, seen)
    model = with_bounds(model, fit.core, data, values.low, values.high, fit.joint)
    return replace(model, findings=(*model.findings, *findings.choice_findings(model)))


def _on_scale(task: FitTask, columns: Array) -> tuple[_Values, list[Problem]]:
    """The values on the scale of the model, which the exact ones decide where none is given; and what is wrong with it.

    Scales are compared by a fit on `columns` (n, r).
    """
    data, exact = task.data, task.data.low == task.data.high
    scale, why, wrong = scale_for(task.response.scale, columns[exact], data.y[exact], task.response.unit)
    told = []
    if wrong:
        got = f"fitted on the linear scale: {wrong}"
        told.append(say("scale", "warn", task.where, got, "correct the values or the scale"))
    return _Values(scale, why, scale.forward(data.low), scale.forward(data.high)), told


def _seen(data: BatchData, fit: _Fit) -> Whitened | None:
    """What single values show where batches share an error; None where each stands alone."""
    errors = fit.mixed if fit.joint is None else fit.joint
    if errors is None or data.shared is None:
        return None
    ratio = float(errors.variance[0] / errors.variance[-1])
    return Whitened.of(fit.columns(data), fit.y, sharing(data.shared.names, ratio))


def _by_bounds(
    task: FitTask, values: _Values, picked: Chosen, fit: _Fit, choice: TermsChoice
) -> tuple[Chosen, _Fit] | None:
    """The terms that the bounds carry, and their fit by likelihood; None where even first-order ones have none."""
    data, ends, averaged = task.data, (values.low, values.high), choice == "select"
    last = by_likelihood(fit.columns(data), *ends, data.shared, task.where, averaged)
    if last is None and not all(fit.core.terms.first_order):
        # The bounds leave the further terms open: the first-order ones alone may still be had.
        picked = replace(picked, terms=task.planned.only(task.planned.first_order))
        completed = fit.core.fit.fitted + fit.core.fit.residual
        fit = _solved(task, values.scale, picked.terms, fit.core.coding, completed)
        last = by_likelihood(fit.columns(data), *ends, data.shared, task.where, averaged)
    if last is None:
        return None
    found, told = last
    # Influence and codings rest on the values as last completed, not on the first guess.
    core = replace(fit.core, fit=solve(fit.columns(data), found.values), other=found.used)
    return picked, replace(fit, core=core, y=found.values, said=(*fit.said, *told), joint=found.joint)


def _nothing_fitted(task: FitTask) -> FittedModel:
    """The result where no batch can be used: every number says why."""
    response, data = task.response, task.data
    none = Unavailable(f"no batch with a usable value of {response.name}", "measure it, or correct what was read")
    note = say("nothing-read", "warn", response.name, none.reason, none.do)
    empty = pd.DataFrame(columns=["term", "powers", "estimate", "se", "t", "df", "p"])
    return FittedModel(
        response=response.name, unit=response.unit, scale=Scale(), scale_why="nothing was fitted", coding=task.coding,
        form=task.planned.form, n=0, excluded=data.excluded, terms=empty, covariance=none, residual_sd=none,
        df_residual=0,
        variance={"batch": none}, anova=anova_frame(()), r2=none, r2_adjusted=none, r2_predicted=none, press=none,
        log_likelihood=none, lack_of_fit=none, stationary=none, way=none,
        trials=pd.DataFrame(columns=list(TRIAL_COLUMNS)),
        selection={"how": "nothing was fitted", "criterion": "AICc", "near": [], "chosen_share": {}},
        findings=(*data.findings, note), core=None, predictor=none, window=(None, None), study=task.study,
        kind=response.kind,
    )  # fmt: skip


def _modest(planned: Terms, rows: Array) -> Array:
    """The columns by which linear and log are compared: the planned ones if batches are to spare, else first order."""
    if len(rows) >= rows.shape[1] + 3:
        return rows
    return rows[:, np.flatnonzero(planned.first_order)]


def _solved(task: FitTask, scale: Scale, terms: Terms, base: Coding, y: Array) -> _Fit:
    """The least-squares fit of `terms` in the coding `base` to y (n,), on `scale`."""
    data, response = task.data, task.response
    every, whole = terms, terms.rows(data.X, data.chosen, base)
    firm = set(independent(whole, _FIRM)[0].tolist())
    terms, rows = every.only(j in firm for j in range(len(every))), whole[:, sorted(firm)]
    blocks, notes = data.blocks, []
    if blocks.shape[1] and len(y) - rows.shape[1] - blocks.shape[1] < 1:
        notes.append(blocks_left_out(response.name, "the error"))
        blocks = blocks[:, :0]
    fit = solve(np.column_stack([rows, blocks]), y)
    p = rows.shape[1]
    own = [j in set(fit.kept.tolist()) for j in range(p)]
    core_terms = terms.only(own)
    aliased = [label for label in every.labels if label not in set(core_terms.labels)]
    if aliased:
        named = ", ".join(_moving_with(label, every, whole, core_terms.labels) for label in aliased)
        got = f"cannot be told apart from the terms before {'them' if len(aliased) > 1 else 'it'}: {named}"
        notes.append(
            say(
                "aliased",
                "warn",
                response.name,
                got,
                "make trials that tell them apart, or drop a term from the model",
            )
        )
    if (fit.dropped >= p).any():
        notes.append(blocks_confounded(response.name))
    core = Core(core_terms, base, fit, _stated_sd(response, scale, data.y))
    return _Fit(core, y, tuple(aliased), tuple(notes))


def _moving_with(label: str, terms: Terms, rows: Array, kept: Sequence[str]) -> str:
    """The label of a term that was dropped, with the kept ones that move as it does where these are few."""
    place = {name: j for j, name in enumerate(terms.labels)}
    others = rows[:, [place[name] for name in kept]]
    share = np.linalg.lstsq(others, rows[:, place[label]], rcond=None)[0] * np.ptp(others, axis=0)
    width = float(np.ptp(rows[:, place[label]]))
    if width == 0:
        return f"{label} (the same in every batch)"
    partners = [name for name, part in zip(kept, share, strict=True) if abs(part) > 10 * _FIRM * width]
    return f"{label} (it moves with {listed(partners)})" if 0 < len(partners) <= _NAMED else label


def _stated_sd(response: Response, scale: Scale, values: Array) -> float | None:
    """The batch sd stated in the study, on the model scale at the middle of the values."""
    if response.sd is None:
        return None
    number, relative = response.sd
    middle = float(np.median(values))
    sd = number * abs(middle) if relative else number
    slope = abs(float(scale.back_slope(scale.forward(middle))))
    return sd / slope if sd > 0 and slope > 0 else None


def _assembled(
    task: FitTask, values: _Values, picked: Chosen, found: _Fit, seen: Whitened | None, choice: TermsChoice
) -> FittedModel:
    """The model as plain least squares has it; outliers, trends and the power by what was `seen` of shared errors."""
    study, response, data, scale = task.study, task.response, task.data, values.scale
    core, y = found.core, found.y
    fit = core.fit
    if fit.exact:
        # What is left is rounding: nothing is to be read into it.
        fit = replace(fit, residual=np.zeros(fit.n), rss=0.0)
    columns, blocks = found.columns(data), _kept_blocks(data, core)
    pure = diagnosis.pure_error(y, data.groups, blocks)
    lack = diagnosis.lack_of_fit(fit, pure) if core.other is None else NO_LACK
    lines = diagnosis.analysis_of_variance(columns, y, fit, term_groups(core.terms), pure, blocks.shape[1])
    r2, adjusted, predicted, press = diagnosis.r_squared(y, fit)
    where = task.where
    table, covariance, used_coding, coding_notes = coefficient_table(task, core, y, found.aliased)
    blocked = few_blocks(core, data, columns[:, : len(core.terms)], y)
    predictor, predictor_notes = _predictor(task, values, found, choice, blocked)
    if found.aliased and not fit.has_error and isinstance(predictor, LeastSquaresPredictor):
        # A stated sd says how batches scatter, not what terms do that the batches say nothing of.
        got = f"{fit.n} {'batch says' if fit.n == 1 else 'batches say'} nothing of {', '.join(found.aliased)}"
        predictor, predictor_notes = Unavailable(got, "make more of the planned batches"), []
    said = [
        *findings.quality_findings(where, fit, r2, predicted, lack),
        *_seen_findings(task, scale, found, fit, seen),
        *coding_notes,
        *predictor_notes,
    ]
    variance: dict[str, Number] = {"batch": fit.sd**2 if fit.has_error else diagnosis.no_error(fit)}
    if blocked is not None and core.error is not None:
        variance["block"] = blocked.variance
        said.append(block_finding(blocked, core.error[0], where, scale.name))
    no_error = diagnosis.no_error(fit)
    power = box_cox(columns, data.y, turn=None if seen is None else seen.turn)
    said += findings.scale_findings(where, scale, power)
    return FittedModel(
        response=where, unit=response.unit, scale=scale, scale_why=values.why, coding=used_coding, form=core.terms.form,
        n=fit.n, excluded=data.excluded, terms=table, covariance=covariance,
        residual_sd=fit.sd if fit.has_error else no_error, df_residual=fit.df,
        variance=variance, anova=anova_frame(lines),
        r2=r2, r2_adjusted=adjusted, r2_predicted=predicted, press=press,
        log_likelihood=fit.log_likelihood if fit.has_error else no_error, lack_of_fit=lack,
        stationary=stationary_point(study, core, scale), way=way_out(study, core, scale, response),
        trials=trial_table(data, fit, scale) if seen is None
        else trial_table(data, replace(seen.each, residual=y - seen.each.fitted), scale, seen.influence),
        selection=picked.selection, findings=tuple(said), core=core, predictor=predictor,
        window=scale.window(*response.window), study=study, kind=response.kind, box_cox=power,
        blocks={} if blocked is None else blocked.effects,
    )  # fmt: skip


def _seen_findings(task: FitTask, scale: Scale, found: _Fit, fit: LeastSquares, seen: Whitened | None) -> list[Problem]:
    """Outliers and trends by the least squares `fit`; where batches share errors, by residuals free of these."""
    data, columns, y, where = task.data, found.columns(task.data), found.y, task.where
    names, order = data.batches, data.order
    if seen is None:
        outliers = findings.outlier_findings(where, columns, y, fit, fit.influence(), names, scale)
        return outliers + findings.trend_findings(where, columns, y, fit, order, scale)
    outliers = findings.outlier_findings(where, columns, y, seen.each, seen.influence, names, scale, seen.without)
    return outliers + findings.trend_findings(where, seen.columns, seen.values, seen.alone, order, scale, seen.turn)


def _kept_blocks(data: BatchData, core: Core) -> Array:
    return data.blocks[:, : core.fit.rank - len(core.terms)]


def _predictor(
    task: FitTask, values: _Values, found: _Fit, choice: TermsChoice, blocked: FewBlocks | None
) -> tuple[Predictor | Unavailable, list[Problem]]:
    """What predicts: the averaged posterior for chosen terms, least squares for all of them; or why nothing can."""
    core, data = found.core, task.data
    if choice == "select" and not core.fit.exact:
        try:
            z = coordinates(data.region, data.X, data.chosen)
            groups, axes = _groups_of(data), axes_of(data.region)
            y, low, high = found.y, values.low, values.high
            y = y if (low == high).all() else completions(z, low, high, y, groups, axes)
            return PosteriorPredictor(Posterior.fit(z, y, groups, axes=axes), data.region), []
        except ModelError:
            pass
    error = core.error
    if error is None:
        return Unavailable(
            "the results leave nothing to judge the error of a batch by",
            "make further batches, or state the sd expected between batches (sd in the study)",
        ), []
    notes = []
    if not core.fit.has_error:
        got = (
            f"the sd of a batch is that stated in the study ({error[0]:.3g} on the model scale): the results show none"
        )
        notes.append(say("stated-sd", "warn", task.where, got, "make replicate batches"))
    if blocked is not None:
        ahead = blocked.ahead
        unscaled = ahead.covariance / ahead.sd**2
        return LeastSquaresPredictor(
            core.terms, core.coding, ahead.beta, unscaled, ahead.sd, ahead.df, ahead.shared
        ), notes
    shared = 0.0 if core.other is None else core.other.shared
    return LeastSquaresPredictor(core.terms, core.coding, core.beta, core.unscaled, *error, shared), notes


def _groups_of(data: BatchData) -> Groups:
    """Which batches share errors. A new batch is one of a new whole plot and a new block, so that both are drawn."""
    columns = data.blocks if data.blocks.shape[1] else None
    blocks = None if columns is None else block_of(data)
    if data.shared is not None:
        return Groups(columns, data.shared.names, blocks=blocks)
    return Groups(plots=blocks, few=True)
