"""Which further trials teach most about the formulas worth making, and what they may be expected to gain."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.problems import StudyError
from doe.results.results import Results
from doe.study import Study
from optimise.formula.alternatives import limited_by
from optimise.formula.brief import Brief
from optimise.formula.peaks import Multistart, Peak
from optimise.formula.space import Space
from optimise.models.models import Models
from optimise.upcoming.augmentation import augment, by_variance, given
from optimise.upcoming.candidates import candidate_set, inside
from optimise.upcoming.due import Due, room
from optimise.upcoming.preposterior import MOST_FURTHER, Preposterior, Prospect

Array = npt.NDArray[np.float64]

Foretold = Literal["", "none", "little", "enough", "hopeless"]

LITTLE = 0.0025  # of the chance by a batch, below which other limits or ingredients do more; our choice
_HOPELESS = 0.1  # how likely what is wanted must be once all is known, for trials to be the way; our choice


@dataclass(frozen=True, slots=True, eq=False)
class Lesson:
    """Trials to make next: levels X (n, k) with category levels, the share of uncertainty they take away, and the gain.

    `taken_away` is the share of the prediction variance at promising formulas, weighted by their chance. `steps` are
    what the first trial, the first two, ... may be expected to bring, and further ones beside those; those that bring
    most come first. `pays` is how many are worth making: after those the gains level off. `ceiling` is what could be
    had if every must were known exactly.
    """

    X: Array
    combos: tuple[Mapping[str, str], ...]
    taken_away: float
    steps: tuple[Prospect, ...]
    pays: int
    ceiling: Prospect

    @property
    def gains(self) -> tuple[float, ...]:
        """The expected rise of the chance by the first trial, the first two, ..."""
        return tuple(step.gain for step in self.steps)


def further(study: Study, models: Models, recipe: pd.DataFrame, step: Due) -> tuple[Due, Mapping[str, Any]]:
    """What is due with the number of trials that are worth making, and what these and more would bring, as for `next`.

    `step` is what is due with a formula (one row); where that is no learning, or there is no chance, it stays as it is.
    """
    brief = Brief.of(study, models, "chance")
    if step.why != "short" or not brief.aimed:
        return step, {}
    _, lesson = lesson_for(brief, models.results, recipe, step)
    due = replace(step, batches=len(lesson.X)) if len(lesson.X) else step.flat()
    return due, gain_of(study, lesson)


def lesson_for(
    brief: Brief, results: Results, recipe: pd.DataFrame, step: Due, count: int | None = None
) -> tuple[Space, Lesson]:
    """What further trials would bring beside a formula (one row): `count` of them, or as many as are worth making.

    And the space they lie in. Of the musts of the brief one at least has a model.
    """
    study = brief.study
    try:
        space = Space.build(study, None, brief.exact)
    except StudyError:
        # No recipe keeps the exact limits: learn over the whole region instead.
        space = Space.build(study)
    combo = {name: str(levels[0]) for name, levels in study.region.chosen(recipe).items()}
    u = space.at(combo).region.coded(recipe[list(space.region.names)].to_numpy(dtype=float))[0]
    most = max(1, min(MOST_FURTHER, room(study, results)))
    formula = Peak(np.clip(u, -1.0, 1.0), combo, 0.0)
    return space, learn(Multistart(brief, space, "chance", None), formula, count, step.wanted, most)


def gain_of(study: Study, lesson: Lesson) -> dict[str, Any]:
    """What a lesson brings, as `Upcoming.gain` says it."""
    count = len(lesson.X)
    chance = lesson.gains[count - 1] if count else 0.0
    gain: dict[str, Any] = {
        "chance": chance, "per_batch": chance / max(count, 1), "variance": lesson.taken_away,
        "course": lesson.gains, "reached": tuple(step.reached for step in lesson.steps), "pays": lesson.pays,
        "ceiling": {"chance": lesson.ceiling.gain, "reached": lesson.ceiling.reached},
    }  # fmt: skip
    if study.batch_cost > 0 and chance > 0:
        gain["money_per_percent"] = study.batch_cost * count / (100 * chance)
    return gain


def foretold(step: Due, lesson: Lesson) -> Foretold:
    """What the batches may be expected to do about the chance that is wanted."""
    count, gains = len(lesson.X), (0.0, *lesson.gains)
    if not count:
        return "none"
    if gains[count] / count < LITTLE:
        return "little"
    if isinstance(step.chance, float) and step.chance < step.wanted:
        if step.wanted <= step.chance + gains[count]:
            return "enough"
        if lesson.ceiling.reached < _HOPELESS:
            return "hopeless"
    return ""


def enough(gains: npt.ArrayLike) -> int:
    """How many of the first batches are worth making: where `gains` (n,), by the first, the first two, ..., level off.

    From there on a further one brings less than one of all n does in the mean, or than `LITTLE` where that is more: the
    point of the curve of gains that lies farthest above its chord, or above a rise of `LITTLE` each.
    """
    risen = np.concatenate([[0.0], np.asarray(gains, dtype=float)])
    count = len(risen) - 1
    above = risen - np.arange(count + 1) * max(risen[-1] / max(count, 1), LITTLE)
    return int(np.flatnonzero(above >= above.max() - 1e-9)[-1])


def learn(multistart: Multistart, best: Peak, count: int | None, wanted: float, most: int) -> Lesson:
    """The `count` trials that raise the best chance most, as far as can be expected before they are made.

    Without a count as many as are worth making, of `most` whose gains are worked out. The search for the largest
    expected gain (see `preposterior`) starts from none, and from those that take away most of the prediction variance
    at the targets (each response counts by what it costs in chance at `best`).
    """
    here = candidate_set(multistart, best)
    weights = _response_weights(multistart, best)
    preposterior = Preposterior(here.views, here.targets, inside(multistart, here))
    found = augment(preposterior, by_variance(preposterior, weights, max(most, count or 1)), wanted, count, enough)
    before, after = (_uncertainty(preposterior, weights, rows) for rows in ((), found.picked))
    return Lesson(
        X=here.X[[here.targets + i for i in found.picked]],
        combos=tuple(here.combos[here.targets + i] for i in found.picked),
        taken_away=float(1 - after / before) if before > 0 else 0.0,
        steps=found.steps,
        pays=enough([step.gain for step in found.steps]),
        ceiling=preposterior.ceiling(wanted),
    )


def _response_weights(multistart: Multistart, best: Peak) -> Array:
    """What each response costs in chance at the best formula, an even share added so that none is forgotten."""
    x = multistart.space.at(best.combo).region.decoded(best.u[None])[0]
    costs = {entry["response"]: entry["costs"] for entry in limited_by(multistart.brief, x, best.combo)}
    weights = np.array([costs[one.response.name] for one in multistart.brief.aimed])
    total = float(weights.sum())
    even = np.full(len(weights), 1 / len(weights))
    return 0.5 * even + 0.5 * (weights / total if total > 0 else even)


def _uncertainty(preposterior: Preposterior, weights: Array, picked: Sequence[int]) -> float:
    """Chance-weighted prediction variance at the targets after the picked candidates, in batch variances."""
    t = preposterior.targets
    rows = [t + i for i in picked]
    left = [np.diag(given(view.covariance[0], rows))[:t] for view in preposterior.views]
    return float(weights @ [preposterior.now() @ np.maximum(variance, 0.0) for variance in left])
