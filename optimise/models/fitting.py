"""Builds one response's `FittedModel`: batches, scale, terms, least squares, diagnosis, and what predicts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.definition.categories import material_of, short
from doe.definition.parts import Response
from doe.problems import ModelError, Problem, Unavailable, listed
from doe.results.results import Results
from doe.study import Study
from doe.terms.codings import Coding
from doe.terms.terms import Form, Terms
from optimise.models import findings
from optimise.models.batchdata import BatchData, gather
from optimise.models.censored import by_likelihood, likely, with_bounds
from optimise.models.choosing import Chosen, TermsChoice, pick
from optimise.models.coefficients import coefficient_table, stationary_point, way_out
from optimise.models.fewblocks import FewBlocks, block_finding, block_of, few_blocks
from optimise.models.findings import blocks_confounded, blocks_left_out, say
from optimise.models.fitted import Core, FittedModel, anova_frame, number_column
from optimise.models.grades import fit_grades
from optimise.models.grouped import NO_LACK, allowed_for, as_if_alone, in_use, with_groups
from optimise.models.passes import fit_passes
from optimise.models.predictors import LeastSquaresPredictor, PosteriorPredictor, Predictor, axes_of, coordinates
from optimise.models.scales import Scale, box_cox, scale_for
from optimise.statistics import diagnosis
from optimise.statistics.censored_shared import SharedCensoredFit
from optimise.statistics.diagnosis import Number
from optimise.statistics.imputation import completions
from optimise.statistics.leastsq import ALONE, Array, Influence, LeastSquares, independent, solve
from optimise.statistics.marginal import Groups
from optimise.statistics.mixed import MixedFit
from optimise.statistics.posterior import Posterior
from optimise.statistics.whitened import Whitened, sharing

# Levels that differ by a thousandth of their range differ by no more than they are weighed and timed: a term that
# rests on that alone would be nothing but noise, many times enlarged (common practice, no source).
_FIRM = 1e-3
_NAMED = 3  # terms that another is said to move with
_AS_SETTLED = 0.02  # of a level: how far weighing moves one that its material settles (common practice, no source)


_Solved = tuple[Core, list[str], list[Problem]]


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
    if data.y.size and bounds_fit and (data.low != data.high).any():
        found = _fitted(study, response, planned, choice, coding, data)
        if found is not None:
            return found
        data = gather(study, results, response, out_of, exact_only=True)
    if not data.y.size:
        return nothing_fitted(study, response, planned, coding, data)
    if response.kind == "pass":
        return fit_passes(study, response, planned, coding, data)
    if response.kind == "grade":
        graded = fit_grades(study, response, planned, coding, data, results)
        if not isinstance(graded, Unavailable):
            return graded
        data = replace(data, findings=(*data.findings, _as_numbers(response, graded)))
    found = _fitted(study, response, planned, choice, coding, data)
    return nothing_fitted(study, response, planned, coding, data) if found is None else found


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


def _fitted(
    study: Study, response: Response, planned: Terms, choice: TermsChoice, coding: str, data: BatchData
) -> FittedModel | None:
    """The fit of measured values, or None where bounds among them leave the likelihood without a maximum."""
    base = planned.fitting_coding(study.region)
    rows = np.column_stack([planned.rows(data.X, data.chosen, base), data.blocks])
    exact = data.low == data.high
    if not exact.any():
        return None
    modest = _modest(planned, rows)
    scale, why, wrong = scale_for(response.scale, modest[exact], data.y[exact], response.unit)
    notes = list(data.findings)
    if wrong:
        do = "correct the values or the scale"
        notes.append(say("scale", "warn", response.name, f"fitted on the linear scale: {wrong}", do))
    low, high = scale.forward(data.low), scale.forward(data.high)
    y = low
    if not exact.all():
        first = np.flatnonzero(planned.first_order)
        guess = likely(modest, low, high) or likely(rows[:, first], low, high)
        if guess is None:
            return None
        y = guess[0]
    seen_by, values = rows, y
    if data.shared is not None:
        seen_by, values = as_if_alone(modest, rows, y, data.shared)
    picked = pick(planned, seen_by, values, choice, response.name)
    solved = _solved(picked.terms, base, data, y, response, scale)
    joint: SharedCensoredFit | None = None
    mixed: MixedFit | None = None
    if not exact.all():
        found = _by_bounds(planned, picked, solved, data, (low, high), response, scale, choice)
        if found is None:
            return None
        picked, (core, aliased, said), y, joint = found
        notes += said
    else:
        core, aliased, said = solved
        notes += said
        if data.shared is not None and core.fit.has_error:
            mixed, said = allowed_for(_columns(core, data), y, data.shared, response.name)
            notes += said
            core = core if mixed is None else replace(core, other=in_use(mixed))
    columns = _columns(core, data)
    errors = mixed if joint is None else joint
    seen = None
    if errors is not None and data.shared is not None:
        ratio = float(errors.variance[0] / errors.variance[-1])
        seen = Whitened.of(columns, y, sharing(data.shared.names, ratio))
    notes += picked.notes
    model = _assembled(
        study, response, scale, why, data, y, core, aliased, picked, notes, coding, (low, high), choice, seen
    )
    if mixed is not None and data.shared is not None and seen is not None:
        groups = term_groups(core.terms)
        model = with_groups(model, mixed, core, data, data.shared, y, groups, columns, seen)
    model = with_bounds(model, core, data, low, high, joint)
    return replace(model, findings=(*model.findings, *findings.choice_findings(model)))


def _by_bounds(
    planned: Terms, picked: Chosen, solved: _Solved, data: BatchData, ends: tuple[Array, Array], response: Response,
    scale: Scale, choice: TermsChoice,
) -> tuple[Chosen, _Solved, Array, SharedCensoredFit | None] | None:  # fmt: skip
    """The terms that the bounds carry, their fit by likelihood, all values as completed, and what is shared beside.

    None where not even the first-order terms can be had.
    """
    core, aliased, said = solved
    where, averaged = response.name, choice == "select"
    last = by_likelihood(_columns(core, data), *ends, data.shared, where, averaged)
    if last is None and not all(core.terms.first_order):
        # The bounds leave the further terms open: the first-order ones alone may still be had.
        picked = replace(picked, terms=planned.only(planned.first_order))
        core, aliased, said = _solved(picked.terms, core.coding, data, core.fit.fitted + core.fit.residual, response,
                                      scale)  # fmt: skip
        last = by_likelihood(_columns(core, data), *ends, data.shared, where, averaged)
    if last is None:
        return None
    found, told = last
    # Influence and codings rest on the values as last completed, not on the first guess.
    core = replace(core, fit=solve(_columns(core, data), found.values), other=found.used)
    return picked, (core, aliased, [*said, *told]), found.values, found.joint


def _columns(core: Core, data: BatchData) -> Array:
    """The columns that are fitted, blocks last, (n, r)."""
    return np.column_stack([core.terms.rows(data.X, data.chosen, core.coding), _kept_blocks(data, core)])


def nothing_fitted(study: Study, response: Response, planned: Terms, coding: str, data: BatchData) -> FittedModel:
    """The result where no batch can be used: every number says why."""
    none = Unavailable(f"no batch with a usable value of {response.name}", "measure it, or correct what was read")
    note = say("nothing-read", "warn", response.name, none.reason, none.do)
    empty = pd.DataFrame(columns=["term", "powers", "estimate", "se", "t", "df", "p"])
    return FittedModel(
        response=response.name, unit=response.unit, scale=Scale(), scale_why="nothing was fitted", coding=coding,
        form=planned.form, n=0, excluded=data.excluded, terms=empty, covariance=none, residual_sd=none, df_residual=0,
        variance={"batch": none}, anova=anova_frame(()), r2=none, r2_adjusted=none, r2_predicted=none, press=none,
        log_likelihood=none, lack_of_fit=none, stationary=none, way=none,
        trials=pd.DataFrame(columns=list(TRIAL_COLUMNS)),
        selection={"how": "nothing was fitted", "criterion": "AICc", "near": [], "chosen_share": {}},
        findings=(*data.findings, note), core=None, predictor=none, window=(None, None), study=study,
        kind=response.kind,
    )  # fmt: skip


TRIAL_COLUMNS = (
    "trial", "batch", "order", "observed", "bound", "to", "fitted", "residual", "leverage", "studentised", "deleted",
    "cook",
)  # fmt: skip


def _modest(planned: Terms, rows: Array) -> Array:
    """The columns by which linear and log are compared: the planned ones if batches are to spare, else first order."""
    if len(rows) >= rows.shape[1] + 3:
        return rows
    return rows[:, np.flatnonzero(planned.first_order)]


def _solved(terms: Terms, base: Coding, data: BatchData, y: Array, response: Response, scale: Scale) -> _Solved:
    """The fit, the terms that cannot be told apart from earlier ones, and what there is to say."""
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
    return core, aliased, notes


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
    study: Study, response: Response, scale: Scale, why: str, data: BatchData, y: Array, core: Core,
    aliased: list[str], picked: Chosen, notes: list[Problem], coding: str, ends: tuple[Array, Array],
    choice: TermsChoice, seen: Whitened | None,
) -> FittedModel:  # fmt: skip
    """The model as plain least squares has it; outliers, trends and the power by what was `seen` of shared errors."""
    fit = core.fit
    if fit.exact:
        # What is left is rounding: nothing is to be read into it.
        fit = replace(fit, residual=np.zeros(fit.n), rss=0.0)
    blocks = _kept_blocks(data, core)
    columns, block_count = np.column_stack([core.terms.rows(data.X, data.chosen, core.coding), blocks]), blocks.shape[1]
    pure = diagnosis.pure_error(y, data.groups, blocks)
    lack = diagnosis.lack_of_fit(fit, pure) if core.other is None else NO_LACK
    lines = diagnosis.analysis_of_variance(columns, y, fit, term_groups(core.terms), pure, block_count)
    r2, adjusted, predicted, press = diagnosis.r_squared(y, fit)
    where = response.name
    table, covariance, used_coding, coding_notes = coefficient_table(study, core, data, y, coding, aliased, where)
    blocked = few_blocks(core, data, columns[:, : len(core.terms)], y)
    predictor, predictor_notes = _predictor(where, core, data, y, ends, choice, blocked)
    if aliased and not fit.has_error and isinstance(predictor, LeastSquaresPredictor):
        # A stated sd says how batches scatter, not what terms do that the batches say nothing of.
        got = f"{fit.n} {'batch says' if fit.n == 1 else 'batches say'} nothing of {', '.join(aliased)}"
        predictor, predictor_notes = Unavailable(got, "make more of the planned batches"), []
    said = [
        *notes,
        *findings.quality_findings(where, fit, r2, predicted, lack),
        *_seen_findings(where, columns, y, fit, data, scale, seen),
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
        response=where, unit=response.unit, scale=scale, scale_why=why, coding=used_coding, form=core.terms.form,
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


def _seen_findings(
    where: str, columns: Array, y: Array, fit: LeastSquares, data: BatchData, scale: Scale, seen: Whitened | None
) -> list[Problem]:
    """Outliers and trends; where batches share errors, by residuals from which these are taken."""
    names, order = data.batches, data.order
    if seen is None:
        outliers = findings.outlier_findings(where, columns, y, fit, fit.influence(), names, scale)
        return outliers + findings.trend_findings(where, columns, y, fit, order, scale)
    outliers = findings.outlier_findings(where, columns, y, seen.each, seen.influence, names, scale, seen.without)
    return outliers + findings.trend_findings(where, seen.columns, seen.values, seen.alone, order, scale, seen.turn)


def _kept_blocks(data: BatchData, core: Core) -> Array:
    return data.blocks[:, : core.fit.rank - len(core.terms)]


def _predictor(
    where: str, core: Core, data: BatchData, y: Array, ends: tuple[Array, Array], choice: TermsChoice,
    blocked: FewBlocks | None,
) -> tuple[Predictor | Unavailable, list[Problem]]:  # fmt: skip
    """What predicts: the averaged posterior for chosen terms, least squares for all of them; or why nothing can."""
    if choice == "select" and not core.fit.exact:
        try:
            z = coordinates(data.region, data.X, data.chosen)
            groups, axes = _groups_of(data), axes_of(data.region)
            values = y if (ends[0] == ends[1]).all() else completions(z, *ends, y, groups, axes)
            found = Posterior.fit(z, values, groups, axes=axes)
            return PosteriorPredictor(found, data.region), []
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
        notes.append(say("stated-sd", "warn", where, got, "make replicate batches"))
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


def term_groups(terms: Terms) -> dict[str, list[int]]:
    """Column numbers by kind of term, for partial sums of squares; a Scheffé blend's linear terms hold its mean.

    The contrasts of one category, or of one product of it, are tested together, under its name: `[Coating]`,
    `Gum × [Coating]`. Each by itself depends on which level the others are compared with.
    """
    groups: dict[str, list[int]] = {}
    for j, term in enumerate(terms.terms):
        if term.order == 0 or (terms.form == "scheffe" and term.order == 1):
            continue
        if term.level and term.order < 3:
            name = " × ".join([*(name for name, _ in term.powers), *(f"[{short(name)}]" for name, _ in term.level)])
        elif term.order == 1:
            name = "linear terms"
        elif term.order == 2:
            name = "squares" if len(term.powers) == 1 else "products"
        else:
            name = "higher terms"
        groups.setdefault(name, []).append(j)
    return groups


def trial_table(data: BatchData, fit: LeastSquares, scale: Scale, influence: Influence | None = None) -> pd.DataFrame:
    """Observed and fitted in the response's unit, residual on the model scale, and the influence of each batch."""
    influence = fit.influence() if influence is None else influence
    alone = Unavailable("this batch alone decides a term", "make a further batch near it")
    nothing = diagnosis.no_error(fit)
    few = Unavailable("one degree of freedom is left, so nothing remains without this batch", "make further batches")

    def shown(values: Array, defined: npt.NDArray[np.bool_], otherwise: Unavailable) -> list[Number]:
        reason = otherwise if fit.has_error else nothing
        return [
            float(v) if ok else (alone if fit.has_error and h >= 1 - ALONE else reason)
            for v, ok, h in zip(values, defined, fit.leverage, strict=True)
        ]

    order = data.order if data.order is not None else [None] * fit.n
    columns: dict[str, Any] = {
        "trial": list(data.trials),
        "batch": list(data.batches),
        "order": [None if value is None else int(value) for value in order],
        "observed": data.y,
        "bound": list(data.bound),
        "to": [float(end) if kind == "between" else None for kind, end in zip(data.bound, data.high, strict=True)],
        "fitted": scale.back(fit.fitted),
        "residual": fit.residual,
        "leverage": fit.leverage,
        "studentised": number_column(shown(influence.studentised, influence.defined, few)),
        "deleted": number_column(shown(influence.deleted, influence.deleted_defined, few)),
        "cook": number_column(shown(influence.cook, influence.defined, few)),
    }
    return pd.DataFrame(columns, columns=list(TRIAL_COLUMNS))
