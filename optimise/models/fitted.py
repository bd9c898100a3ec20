"""One response's fit: coefficients, diagnosis and what it says of itself. Built by `optimise.models.fitting`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.plain import plain
from doe.problems import ModelError, Problem, Unavailable
from doe.shown import Shown
from doe.study import Study
from doe.terms.codings import Coding
from doe.terms.terms import Terms
from optimise.models.predictors import PosteriorPredictor, Predictor, split_levels
from optimise.models.recipes import recipes
from optimise.models.scales import BoxCox, Scale
from optimise.statistics.diagnosis import LackOfFit, Number
from optimise.statistics.leastsq import Array, LeastSquares
from optimise.statistics.predictive import TMixture

Chosen = Mapping[str, npt.NDArray[Any]]

SD_LEVEL = 0.90  # of the limits of a batch sd
_NO_POWER = Unavailable("a power is looked for where values were measured", "nothing to do")


@dataclass(frozen=True, slots=True, eq=False)
class Stationary:
    """Where a fitted quadratic has no slope: levels `at`, `kind`, eigenvalues in `coordinates`, value there, inside.

    `eigenvalue_se` are their standard errors; `confidence` gives by name how far the 95 % region of the place reaches,
    `beyond` the names in which that is beyond the limits of the study, `impossible` those in which it is an amount that
    no blend can have.
    """

    at: Mapping[str, float]
    kind: str
    eigenvalues: tuple[float, ...]
    predicted: float | Unavailable
    inside: bool
    coordinates: str
    eigenvalue_se: tuple[float, ...] | Unavailable
    confidence: Mapping[str, tuple[float, float]] | Unavailable
    beyond: tuple[str, ...] = ()
    impossible: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """The form promised for `--json`."""
        return {
            "at": dict(self.at),
            "kind": self.kind,
            "eigenvalues": list(self.eigenvalues),
            "predicted": plain(self.predicted),
            "inside": self.inside,
            "coordinates": self.coordinates,
            "eigenvalue_se": plain(self.eigenvalue_se),
            "confidence": plain(self.confidence),
            "beyond": list(self.beyond),
            "impossible": list(self.impossible),
        }


@dataclass(frozen=True, slots=True, eq=False)
class Estimate:
    """What takes the place of plain least squares: `beta` (r,), `covariance` (r, r), `sd` of a new batch, `df`.

    `shared` is the part of `sd` that batches made together have in common.
    """

    beta: Array
    covariance: Array
    sd: float
    df: float
    shared: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Core:
    """What computes: the terms kept, their well-scaled coding, block columns beside them, and the least-squares fit.

    `terms` holds the independent terms only; the first `len(terms)` kept columns of `fit` are theirs, the rest blocks.
    `stated_sd` is the batch sd of the study file on the model scale, where it has to stand in for a measured one.
    `other` is the fit that takes its place where batches share whole plots or readings are bounds, same columns.
    """

    terms: Terms
    coding: Coding
    fit: LeastSquares
    stated_sd: float | None = None
    other: Estimate | None = None

    @property
    def error(self) -> tuple[float, float] | None:
        """Sd of a batch and its degrees of freedom; infinite ones for a stated sd; None where there is neither."""
        if self.other is not None:
            return self.other.sd, self.other.df
        if self.fit.has_error:
            return self.fit.sd, float(self.fit.df)
        return None if self.stated_sd is None else (self.stated_sd, np.inf)

    @property
    def beta(self) -> Array:
        """Coefficients of the terms in the well-scaled coding, (p,)."""
        estimate = self.fit.estimate if self.other is None else self.other.beta
        return estimate[: len(self.terms)]

    @property
    def unscaled(self) -> Array:
        """Covariance of the terms in units of the squared error, blocks allowed for, (p, p)."""
        p = len(self.terms)
        if self.other is not None:
            return self.other.covariance[:p, :p] / self.other.sd**2
        return self.fit.unscaled[:p, :p]


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class FittedModel(Shown):
    """One response fitted to batches. Numbers that do not exist are `Unavailable`, with reason and remedy.

    `terms`: DataFrame (term, powers, estimate, se, t, df, p) in `coding`, on the model `scale`; `covariance` (p, p) of
    those estimates. `trials`: one row a batch used: trial, batch, order, observed and fitted in the response's unit,
    residual on the model scale, leverage, studentised, deleted, cook. `anova`: source, df, df_error (of what it
    is set against), ss, ms, f, p about the mean.
    `way`: from the middle of the region outwards the places predicted best, of a response wanted high or low.
    `excluded`: batches left out of this fit, with the reason. `log_likelihood` is on the model scale. `core` is None
    where no least squares stands behind it; `predictor` is what predicts (the averaged posterior, or least squares).
    `box_cox` is the power of the values that these terms would fit best. `blocks`: where blocks are few, what each
    adds to their mean, on the model scale. `thresholds` of grades: below, above (the grades it parts), estimate and se
    measured from the one the aim rests on, of_the_aim.
    """

    response: str
    unit: str
    scale: Scale
    scale_why: str
    coding: str
    form: str
    n: int
    excluded: tuple[Mapping[str, str], ...]
    terms: pd.DataFrame
    covariance: Array | Unavailable
    residual_sd: Number
    df_residual: int
    variance: Mapping[str, Number]
    anova: pd.DataFrame
    r2: Number
    r2_adjusted: Number
    r2_predicted: Number
    press: Number
    log_likelihood: Number
    lack_of_fit: LackOfFit | Unavailable
    stationary: Stationary | Unavailable
    way: tuple[Mapping[str, Any], ...] | Unavailable
    trials: pd.DataFrame
    selection: Mapping[str, Any]
    findings: tuple[Problem, ...]
    core: Core | None
    predictor: Predictor | Unavailable
    window: tuple[float | None, float | None]
    study: Study
    kind: str = "number"
    box_cox: BoxCox | Unavailable = _NO_POWER
    blocks: Mapping[str, float] = field(default_factory=dict)
    thresholds: pd.DataFrame = field(default_factory=pd.DataFrame)

    def predictive(self, frame: pd.DataFrame) -> TMixture:
        """What the model says of recipes `frame` (n rows), on the model scale. Raises ModelError where it cannot."""
        return self.predictive_at(*split_levels(recipes(self.study, frame), self.study.region))

    def predictive_at(self, X: Array, chosen: Chosen) -> TMixture:
        """The same at levels X (n, k) in the order of the region's names. Raises ModelError as `predictive` does."""
        if isinstance(self.predictor, Unavailable):
            raise ModelError(
                [
                    Problem(
                        "no-prediction",
                        "stop",
                        self.response,
                        self.predictor.reason,
                        "a fit with an error",
                        self.predictor.do,
                    )
                ]
            )
        return self.predictor.at(X, chosen)

    def leverage(self, frame: pd.DataFrame) -> Array:
        """Variance of the mean at recipes `frame` in units of the batch variance, under these terms, (n,).

        Raises ModelError where no least squares stands behind the model.
        """
        if self.core is None:
            raise ModelError([Problem("no-fit", "stop", self.response, "nothing was fitted", "results", "measure it")])
        X, chosen = split_levels(recipes(self.study, frame), self.study.region)
        rows = self.core.terms.rows(X, chosen, self.core.coding)
        return np.asarray(np.einsum("ij,jk,ik->i", rows, self.core.unscaled, rows), dtype=float)

    @property
    def model(self) -> str:
        """The model in words: its terms, joined by plus signs."""
        return " + ".join(str(term) for term in self.terms["term"]) if len(self.terms) else "no model"

    @property
    def predicts_by(self) -> str | Unavailable:
        """What predicts: the averaged posterior, or the terms of the fit themselves; or why nothing does."""
        if isinstance(self.predictor, Unavailable):
            return self.predictor
        return "averaged posterior" if isinstance(self.predictor, PosteriorPredictor) else "these terms"

    @property
    def batch_sd(self) -> Mapping[str, Any] | Unavailable:
        """The sd of a batch that the averaged posterior reckons with, on the model scale: `sd`, `limits`, `level`.

        The median of its posterior and the limits that it lies within with 90 % chance. Where batches share an error it
        is that of batches made together, as `residual_sd` is.
        """
        if not isinstance(self.predictor, PosteriorPredictor):
            return Unavailable("no averaged posterior stands behind it", "read residual_sd")
        law = self.predictor.posterior.at(self.predictor.posterior.z[:1])
        low, sd, high = (law.batch_sd(share) for share in ((1 - SD_LEVEL) / 2, 0.5, (1 + SD_LEVEL) / 2))
        return {"sd": sd, "limits": (low, high), "level": SD_LEVEL}

    @property
    def chosen(self) -> tuple[str, ...]:
        """The terms in the fit that its own batches chose."""
        sure = set(self.selection.get("always", ()))
        open_to_choice = self.selection.get("chosen_share", {})
        return tuple(term for term in self.terms["term"] if term in open_to_choice and term not in sure)

    def to_dict(self) -> dict[str, Any]:
        """The entry of `fit --json`."""
        return {
            "kind": self.kind,
            "predicts_by": plain(self.predicts_by),
            "scale": self.scale.name,
            "scale_why": self.scale_why,
            "box_cox": self.box_cox.to_dict(),
            "unit": self.unit,
            "model": self.model,
            "form": self.form,
            "coding": self.coding,
            "n": self.n,
            "excluded": [dict(entry) for entry in self.excluded],
            "terms": _records(self.terms),
            "thresholds": _records(self.thresholds),
            "covariance": plain(self.covariance),
            "residual_sd": plain(self.residual_sd),
            "df_residual": self.df_residual,
            "batch_sd": plain(self.batch_sd),
            "variance": plain(self.variance),
            "blocks": dict(self.blocks),
            "anova": _records(self.anova),
            "r2": plain(self.r2),
            "r2_adjusted": plain(self.r2_adjusted),
            "r2_predicted": plain(self.r2_predicted),
            "press": plain(self.press),
            "log_likelihood": plain(self.log_likelihood),
            "lack_of_fit": self.lack_of_fit.to_dict(),
            "stationary": self.stationary.to_dict(),
            "way": plain(self.way),
            "trials": _records(self.trials),
            "selection": plain(self.selection),
            "findings": [finding.to_dict() for finding in self.findings],
        }

    def __str__(self) -> str:
        sd = self.residual_sd if isinstance(self.residual_sd, Unavailable) else format(self.residual_sd, ".4g")
        return f"{self.response}: {self.n} batches, {len(self.terms)} terms, residual sd {sd}"

    __repr__ = __str__


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [plain(row) for row in frame.to_dict(orient="records")]
