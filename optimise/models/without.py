"""A look at a fit without some trials: what changes when they go. Nothing is decided by it, and nothing is kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from doe.plain import plain
from doe.problems import Unavailable
from optimise.models.fitted import FittedModel
from optimise.models.models import Models
from optimise.statistics.diagnosis import Number


@dataclass(frozen=True, slots=True)
class Changed:
    """One response with and without some trials: (before, after) pairs, terms that came and went, and predictions.

    `moved` is the largest change of a predicted mean over the batches made, in batch sd, at `moved_at`; `left_out` is
    (batch, observed, fitted with it, predicted without it) of each batch that went.
    """

    response: str
    batches: tuple[int, int]
    residual_sd: tuple[Number, Number]
    r2_predicted: tuple[Number, Number]
    came: tuple[str, ...]
    went: tuple[str, ...]
    moved: Number
    moved_at: str
    left_out: tuple[tuple[str, float, Number, Number], ...]

    def to_dict(self) -> dict[str, Any]:
        """The form of `changes` in `fit --without --json`."""
        names = ("batch", "observed", "fitted_with", "predicted_without")
        return {
            "batches": list(self.batches),
            "residual_sd": plain(self.residual_sd),
            "r2_predicted": plain(self.r2_predicted),
            "terms_that_came": list(self.came),
            "terms_that_went": list(self.went),
            "moved": plain(self.moved),
            "moved_at": self.moved_at,
            "left_out": [plain(dict(zip(names, row, strict=True))) for row in self.left_out],
        }


def changes(before: Models, after: Models, trials: Sequence[str]) -> dict[str, Changed]:
    """What leaving `trials` out changes in each response that was fitted both times."""
    return {name: _changed(before, after, name, set(trials)) for name in before if name in after}


def _changed(before: Models, after: Models, name: str, gone: set[str]) -> Changed:
    one, two = before[name], after[name]
    terms = [list(model.terms["term"]) for model in (one, two)]
    moved, where = _moved(before, one, two)
    return Changed(
        response=name,
        batches=(one.n, two.n),
        residual_sd=(one.residual_sd, two.residual_sd),
        r2_predicted=(one.r2_predicted, two.r2_predicted),
        came=tuple(term for term in terms[1] if term not in terms[0]),
        went=tuple(term for term in terms[0] if term not in terms[1]),
        moved=moved,
        moved_at=where,
        left_out=_left_out(before, one, two, gone),
    )


def _moved(before: Models, one: FittedModel, two: FittedModel) -> tuple[Number, str]:
    frame = before.tried
    if any(isinstance(model.predictor, Unavailable) for model in (one, two)) or not len(frame):
        return Unavailable("nothing predicts this response with and without them", "make more batches"), ""
    if one.scale != two.scale:
        return Unavailable("the scale is another without them", "compare in the study's units"), ""
    laws = [model.predictive(frame) for model in (one, two)]
    sd = float(laws[0].residual @ laws[0].weights)
    if not sd > 0:
        return Unavailable("there is no error of a batch to measure it by", "make more batches"), ""
    apart = np.abs(laws[1].median() - laws[0].median()) / sd
    worst = int(np.argmax(np.round(apart, 9)))
    return float(apart[worst]), str(frame.index[worst])


def _left_out(
    before: Models, one: FittedModel, two: FittedModel, gone: set[str]
) -> tuple[tuple[str, float, Number, Number], ...]:
    rows = one.trials[[str(trial) in gone for trial in one.trials["trial"]]]
    none = Unavailable("nothing predicts this response without it", "make more batches")
    frame = before.tried
    out = []
    for row in rows.to_dict("records"):
        batch = str(row["batch"])
        predicted: Number = none
        if not isinstance(two.predictor, Unavailable) and batch in frame.index:
            predicted = float(two.scale.back(two.predictive(frame.loc[[batch]]).median())[0])
        out.append((batch, float(row["observed"]), row["fitted"], predicted))
    return tuple(out)
