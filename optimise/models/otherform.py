"""A blend's model in its other form: with the fill left out (slack) beside Scheffé's, and whether the two agree.

With the fill left out a coefficient says what an ingredient does in its place; in Scheffé's form all ingredients stand
alike. With every planned term both are one model (Cornell 2002, Experiments with Mixtures, section 6.6; from memory).
Where terms are chosen they need not be: which squares and products stand for a bend depends on the form.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from doe.definition.parts import Response
from doe.problems import Unavailable, rounded
from doe.results.results import Results
from doe.study import Study
from doe.terms.term import Form
from optimise.models.batchdata import shares
from optimise.models.choosing import TermsChoice
from optimise.models.fitted import Core, FittedModel
from optimise.models.fitting import fit_response
from optimise.models.predictors import LeastSquaresPredictor
from optimise.statistics.leastsq import Array

Chosen = Mapping[str, npt.NDArray[Any]]

_SAME = 1e-6  # of a batch sd: one model, but for rounding
_HARDLY = 0.05  # of a batch sd: no difference that anyone would see
_PLACES = 400  # at which the two forms are compared, corners among them
_LISTED = 8  # dimensions up to which corners are listed as well
_NAMED = {"slack": "the form with the fill left out", "scheffe": "Scheffé's form"}


@dataclass(frozen=True, slots=True, eq=False)
class OtherForm:
    """The same response fitted in the other form, `model`, and how far predictions of the two lie apart.

    `largest` and `typical` (root mean square) differences are in batch sd, over the batches made and places spread over
    the region; `at` is where the largest stands. `beyond` is the share of these places at which the other form lies
    outside the 95 % confidence limits of the mean.
    """

    model: FittedModel
    largest: float
    typical: float
    at: Mapping[str, Any]
    beyond: float

    @property
    def agree(self) -> bool:
        """Whether the other form lies nowhere outside the 95 % confidence limits of the mean."""
        return self.beyond == 0

    @property
    def says(self) -> str:
        """What comes of it, in words."""
        named = _NAMED[self.model.form]
        if self.largest <= _SAME:
            return f"{named} is the same model: predictions agree to rounding"
        if self.agree and self.largest < _HARDLY:
            return f"{named} is all but the same model: predictions lie less than {_HARDLY:g} batch sd apart"
        apart = f"{rounded(self.largest, 2)} batch sd apart at most, {rounded(self.typical, 2)} as a rule"
        if self.agree:
            return f"{named} agrees: predictions lie {apart}, everywhere within the 95 % confidence of this one"
        where = ", ".join(f"{k} {rounded(v, 4)}" if isinstance(v, float) else f"{k} {v}" for k, v in self.at.items())
        return (
            f"{named} differs: predictions lie {apart}, and at {max(100 * self.beyond, 1):.0f} % of the places looked"
            f" at beyond the 95 % confidence of this one; most at {where}, where a trial would tell which is right"
        )

    def to_dict(self) -> dict[str, Any]:
        """The form of `other_form` in `fit --json`."""
        entry = self.model.to_dict()
        kept = ("form", "model", "coding", "terms", "residual_sd", "df_residual", "r2_predicted")
        return {
            **{key: entry[key] for key in kept},
            "agree": self.agree,
            "largest": self.largest,
            "typical": self.typical,
            "beyond": self.beyond,
            "at": dict(self.at),
            "says": self.says,
        }


def other_form(study: Study, results: Results, model: FittedModel, choice: TermsChoice) -> OtherForm | Unavailable:
    """The other form of a fitted blend, or why there is none."""
    response = study.response(model.response)
    if not study.region.blend:
        return Unavailable("there is no blend in this study", "nothing to do: process models have one form")
    why = _only_form(study, response, model)
    if why is not None:
        return why
    if len(model.core.terms) < len(model.terms) if model.core is not None else False:
        return Unavailable(
            "these trials leave terms open, and each form fills that gap in its own way",
            "make trials that tell them apart",
        )
    form: Form = "scheffe" if model.form == "slack" else "slack"
    other = fit_response(study, results, response, choice, model.coding, form=form)
    told = not isinstance(model.predictor, Unavailable)
    if not told or model.core is None or other.core is None or model.core.error is None:
        return Unavailable("no error of a batch to measure a difference by", "make more batches than terms")
    return _compared(study, results, model, other, model.core, other.core)


def _only_form(study: Study, response: Response, model: FittedModel) -> Unavailable | None:
    if study.region.fill is None:
        return Unavailable(
            "no ingredient takes up the rest, so none can be left out", "mark one with qs = true if one does"
        )
    named = response.model is None and (study.plan.terms or not isinstance(study.plan.maybe, str | None))
    if named:
        return Unavailable("the study names its terms one by one, in this form", "name a model instead to see both")
    asked = response.model if response.model is not None else study.plan.model
    blend = asked.get("blend", "quadratic") if isinstance(asked, Mapping) else asked
    if blend == "special-cubic":
        return Unavailable("a special cubic has no form of its own with the fill left out", "nothing to do")
    if model.core is None:
        return Unavailable("no least squares stands behind this fit", "nothing to do")
    return None


def _compared(
    study: Study, results: Results, model: FittedModel, other: FittedModel, mine: Core, theirs: Core
) -> OtherForm:
    X, chosen = _places(study, results, model)
    error = mine.error or (1.0, np.inf)
    values = [core.terms.rows(X, chosen, core.coding) @ core.beta for core in (mine, theirs)]
    apart = np.abs(values[0] - values[1]) / error[0]
    worst = int(np.argmax(np.round(apart, 9)))
    at: dict[str, Any] = {name: float(v) for name, v in zip(study.region.names, X[worst], strict=True)}
    at |= {name: str(levels[worst]) for name, levels in chosen.items()}
    law = LeastSquaresPredictor(mine.terms, mine.coding, mine.beta, mine.unscaled, *error).at(X, chosen)
    ends = law.mean_interval()
    room = _SAME * error[0]
    beyond = (values[1] < ends[:, 0] - room) | (values[1] > ends[:, 1] + room)
    return OtherForm(other, float(apart[worst]), float(np.sqrt(np.mean(apart**2))), at, float(beyond.mean()))


def _places(study: Study, results: Results, model: FittedModel) -> tuple[Array, Chosen]:
    """Recipes as made, and places spread over the region with its corners where they can be listed."""
    region = study.region
    levels = results.levels(list(model.trials["batch"]))
    parts, chosen = [shares(region, levels)], [region.chosen(levels)]
    for combination in region.combinations:
        piece = region.at(combination)
        spread = piece.sample(max(_PLACES // len(region.combinations), 20), 17)
        if region.dimension <= _LISTED:
            spread = np.vstack([spread, piece.vertex_array[:_PLACES]])
        parts.append(spread)
        chosen.append({name: np.full(len(spread), level, dtype=object) for name, level in combination.items()})
    names = chosen[0].keys()
    return np.vstack(parts), {name: np.concatenate([one[name] for one in chosen]) for name in names}
