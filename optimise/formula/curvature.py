"""Curvature that no trial can show: said where first-order models predict a formula far from every trial."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from doe.problems import Problem, Unavailable, listed
from doe.study import Study
from doe.terms.term import Term
from doe.terms.terms import Terms
from optimise.formula.alternatives import APART
from optimise.models.aims import wanted
from optimise.models.predictors import split_levels

if TYPE_CHECKING:
    from optimise.models.models import Models

Array = npt.NDArray[np.float64]


def curvature_untested(study: Study, models: Models, x: Array) -> list[Problem]:
    """One finding for all responses planned without curvature, of a formula at levels `x` (k,) far from every trial.

    Far: more than 0.35 sqrt(d) in coded units, from the formula and from the centroid of the region; trials at the
    centre would have shown curvature. Empty where something nearer was tried, or where every planned model has it.
    """
    region = study.region
    straight = [r.name for r in wanted(study) if _modelled(models, r.name) and not _bends(study.terms(r.model))]
    tried = split_levels(models.tried, region)[0]
    if not straight or not region.dimension or not len(tried):
        return []
    middle = np.array([region.centroid[name] for name in region.names])
    places = region.coded(np.vstack([x, middle]))
    gaps = np.linalg.norm(region.coded(tried)[:, None] - places, axis=2)
    if (gaps <= APART * np.sqrt(region.dimension)).any():
        return []
    got = f"{listed(straight)} {'is' if len(straight) == 1 else 'are'} planned without a bend, and no trial lies near"
    got += " the formula or the middle: "
    if models.terms_choice == "all":
        got += "the chance takes it that there is none"
    else:
        got += "the chance allows for a bend that no batch has tested, and is less sure for it"
    do = "make batches of the formula itself, or some in the middle: they tell whether it bends"
    return [Problem("middle-untested", "warn", "optimise", got, "", do)]


def _modelled(models: Models, name: str) -> bool:
    model = models.get(name)
    return model is not None and not isinstance(model.predictor, Unavailable)


def _bends(terms: Terms) -> bool:
    """Whether any term makes the surface bend between two recipes: a square, or in a blend without a fill a product."""
    return any(_bent(term, terms) for term in terms.terms)


def _bent(term: Term, terms: Terms) -> bool:
    powers = [power for _, power in term.powers]
    blended = sum(power for name, power in term.powers if name in terms.blend)
    return max(powers, default=0) > 1 or (terms.form == "scheffe" and blended > 1)
