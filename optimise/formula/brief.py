"""What a search needs of study and models: what predicts each response, its window, and the fence of what was tried."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from doe.definition.parts import Response
from doe.problems import Problem, Unavailable, listed
from doe.study import Study
from doe.trade.stops import stop_limits
from optimise.formula.centres import Centres
from optimise.formula.exact import exact_form
from optimise.formula.goals import Aimed, ChanceGoal, Property
from optimise.models.aims import has_window, musts, wanted
from optimise.models.batchdata import shares
from optimise.models.fence import Fence
from optimise.models.models import Models
from optimise.models.predictors import Chosen
from optimise.models.scales import Scale

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Brief:
    """The musts that are fitted (`aimed`) and exact (`exact`), what desirability reads, the fence, the trials made.

    What the trade stops counts as exact musts. `goal` is the chance of the fitted musts, `centres` the values of what
    desirability reads.

    `missing` says by name why a must has no model; `trials` (n, k) with `tried` category levels are recipes as made.
    """

    study: Study
    aimed: tuple[Aimed, ...]
    goal: ChanceGoal
    exact: tuple[Response, ...]
    centres: Centres
    missing: Mapping[str, Unavailable]
    fence: Fence | None
    trials: Array
    tried: Chosen

    @property
    def properties(self) -> tuple[Property, ...]:
        """What desirability reads."""
        return self.centres.properties

    @classmethod
    def of(cls, study: Study, models: Models, objective: str) -> Brief:
        """The brief of a study and its models; for desirability with the centres of the planned least squares."""
        aimed, missing = [], {}
        for response in study.fitted_responses:
            if not response.is_must or not (has_window(response) or response.kind == "pass"):
                continue
            predictor = models.predictor(response.name)
            if isinstance(predictor, Unavailable):
                missing[response.name] = predictor
            else:
                aimed.append(Aimed(response, predictor, models[response.name].scale, *models[response.name].window))
        levels = models.results.levels()
        return cls(
            study=study,
            aimed=tuple(aimed),
            goal=ChanceGoal.of(aimed),
            exact=(*(r for r in musts(study) if r.is_exact), *stop_limits(study)),
            centres=Centres.of(tuple(_properties(study, models, objective == "desirability"))),
            missing=MappingProxyType(missing),
            fence=models.fence,
            trials=shares(study.region, levels),
            tried=study.region.chosen(levels),
        )


def _properties(study: Study, models: Models, planned: bool) -> Iterator[Property]:
    """What desirability reads, for every response with an aim that is fitted or exact."""
    for response in wanted(study):
        if response.is_exact:
            exact = exact_form(study, response)
            if not isinstance(exact, Unavailable):
                yield Property(response, None, Scale(), exact)
            continue
        predictor = models.predictor(response.name, planned=planned)
        if not isinstance(predictor, Unavailable):
            model = models.planned(response.name) if planned else models[response.name]
            yield Property(response, predictor, model.scale, None)


def searchable(study: Study, models: Models, objective: str) -> tuple[Brief, str, list[Problem]]:
    """The brief and what a search goes up: the objective, or what stands in for it where nothing of the kind is.

    What stands in is searched just as if it had been asked for. And what there is to say of that.
    """
    brief = Brief.of(study, models, objective)
    findings = [_no_model(name, why) for name, why in brief.missing.items()]
    if objective == "chance" and not brief.aimed and brief.properties:
        do = "mark what a batch has to meet as must = true"
        findings.append(
            _say("no-musts", "no fitted must with a limit", "the wishes' desirability was searched instead", do)
        )
        return Brief.of(study, models, "desirability"), "desirability", findings
    if objective == "desirability" and not brief.properties and brief.aimed:
        findings.append(_say("no-aims", "nothing with a desirability", "the chance was searched instead", "give aims"))
        return Brief.of(study, models, "chance"), "chance", findings
    if not brief.aimed and not brief.properties:
        asked, shown = wanted(study), "the middle of what may be searched is shown"
        if asked:
            got = f"of {listed([r.name for r in asked])} nothing can be predicted, so there is nothing to search by"
            findings.append(_say("empty-brief", got, shown, "make the batches that the findings of fit ask for"))
        else:
            findings.append(_say("empty-brief", "no response has an aim", shown, "give responses an aim and limits"))
    return brief, objective, findings


def _say(code: str, got: str, allowed: str, do: str) -> Problem:
    return Problem(code, "warn", "optimise", got, allowed, do)


def _no_model(name: str, why: Unavailable) -> Problem:
    return Problem("must-without-model", "warn", name, f"left out of the search: {why.reason}", "", why.do)
