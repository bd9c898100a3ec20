"""Pass or fail: logistic regression with Firth's penalty, which stays finite where the trials separate the two.

A new batch passes when its linear predictor plus logistic noise is above 0; the noise is taken as a t law, so that
chance and its uncertainty have the same form as elsewhere. Passes of one whole plot, or of one of many blocks, may
share a score (see `optimise.models.scores`).
"""

from __future__ import annotations

import numpy as np
from scipy.linalg import block_diag
from scipy.special import expit

from doe.problems import Problem, Unavailable
from optimise.models.batchdata import BatchData
from optimise.models.findings import say
from optimise.models.fittask import FitTask
from optimise.models.fitted import FittedModel
from optimise.models.scales import Scale
from optimise.models.scores import (
    HELD,
    GroupVariance,
    Kind,
    ScoreColumns,
    ScoreFit,
    ScoreSummary,
    from_effects,
    from_sd,
    group_findings,
    score_columns,
    score_model,
    score_trials,
    without_constant,
)
from optimise.statistics.firth import Firth, firth
from optimise.statistics.ordinal_shared import ordinal_shared


def fit_passes(task: FitTask) -> FittedModel:
    """A pass-or-fail response fitted on first-order terms; estimates on the logit scale, p from the normal law."""
    data, columns = task.data, score_columns(task)
    found, between = _fitted(columns, data)
    p, chance = len(columns.terms), found.chance
    fit = ScoreFit(found.estimate[:p], found.covariance[:p, :p], found.log_likelihood, between)
    none = Unavailable("a pass-or-fail response has no scatter of its own", "read the chance instead")
    pearson = (data.y - chance) / np.sqrt(chance * (1 - chance))
    summary = ScoreSummary(
        kind="pass", scale=Scale("logit"), scale_why="logit: pass or fail", criterion="penalised likelihood",
        batch=none, df=data.y.size - p - columns.blocks.shape[1], no_scatter=none, window=_window(task.response.aim),
        trials=score_trials(data, chance, none, pearson), findings=_findings(task.where, data, columns, fit),
    )  # fmt: skip
    return score_model(task, columns, fit, summary)


def _fitted(columns: ScoreColumns, data: BatchData) -> tuple[Firth, dict[Kind, GroupVariance]]:
    """The fit on terms, then blocks; and the variance between groups, a score that they share where one can be seen."""
    p, both = len(columns.terms), np.column_stack([columns.rows, columns.blocks])
    between: dict[Kind, GroupVariance] = {}
    fit: Firth | None = None
    if data.shared is not None:
        between[data.shared.kind] = GroupVariance(count=len(set(data.shared.names)))
        found = _with_shared_score(columns, data, data.shared.names)
        if found is not None:
            fit, between[data.shared.kind] = found
    fit = firth(both, data.y) if fit is None else fit
    if both.shape[1] > p:
        between["block"] = from_effects(data.block_names, fit.estimate[p:], fit.covariance[p:, p:])
    return fit, between


def _with_shared_score(
    columns: ScoreColumns, data: BatchData, names: tuple[str, ...]
) -> tuple[Firth, GroupVariance] | None:
    """The fit where passes of one group share a score, held by a weak prior; None where groups show no such score.

    A batch of several readings counts by the share of them that passed.
    """
    turned = without_constant(columns.rows)
    if turned is None or np.ptp(data.y) == 0:
        return None
    others, to_terms = turned
    rows = np.column_stack([columns.rows[:, others], columns.blocks])
    passed = np.repeat([1, 0], len(rows))
    share = np.concatenate([data.y, 1 - data.y])
    seen = share > 0
    try:
        shared = ordinal_shared(
            np.vstack([rows, rows])[seen], passed[seen], 2, None, HELD, np.tile(names, 2)[seen], share[seen]
        )
    except ValueError:
        return None
    if shared.outer_sd == 0:
        return None
    whole = block_diag(to_terms, np.eye(columns.blocks.shape[1]))
    estimate = whole @ np.append(shared.fit.thresholds, shared.fit.estimate)
    covariance = whole @ shared.fit.covariance @ whole.T
    chance = np.asarray(expit(np.column_stack([columns.rows, columns.blocks]) @ estimate), dtype=float)
    between = from_sd(names, shared.outer_sd, shared.outer_sd_error)
    return Firth(estimate, covariance, chance, shared.fit.log_likelihood), between


def _findings(where: str, data: BatchData, columns: ScoreColumns, fit: ScoreFit) -> tuple[Problem, ...]:
    passed = float(np.sum(data.y))
    got = f"{passed:g} of {data.y.size} batches passed; fitted by a penalised logistic model of first-order terms"
    do = "a measured value says far more per batch, where there is one"
    notes = [*data.findings, *columns.notes, say("pass-or-fail", "inform", where, got, do)]
    for kind, between in fit.between.items():
        notes += group_findings(where, between, kind)
    if passed in (0.0, float(data.y.size)):
        always = "passed" if passed else "failed"
        notes.append(say("no-contrast", "warn", where, f"every batch {always}, so nothing says what it depends on",
                         "make a trial at the edge where it might not"))  # fmt: skip
    return tuple(notes)


def _window(aim: str) -> tuple[float | None, float | None]:
    """Passing is above 0 on the logit scale, failing below; "below" asks for a fail."""
    return {"watch": (None, None), "below": (None, 0.0)}.get(aim, (0.0, None))
