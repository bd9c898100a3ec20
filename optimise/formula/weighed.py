"""The chance when a batch is weighed as well as a bench weighs, not as exactly as it is written."""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.stats import qmc

from doe.problems import Problem, Unavailable
from doe.study import Study
from optimise.models.aims import fitted_musts
from optimise.models.chance import joint_chance
from optimise.models.models import Models
from optimise.models.recipes import recipes

Array = npt.NDArray[np.float64]

_DRAWS = 64  # weighings of a recipe
_LITTLE, _MUCH = 0.01, 0.05  # losses of chance: told beyond the first, as a warning beyond the second


def weighed_chance(models: Models, frame: pd.DataFrame, tolerance: float | None = None) -> Array | Unavailable:
    """The joint chance of each recipe, (n,), averaged over weighings that are each off by up to `tolerance` of theirs.

    `tolerance` is a fraction; without one that of `[make]`. Errors are independent and rectangular within the tolerance
    (JCGM 100:2008, 4.3.7), for all ingredients alike; what was made is then taken as shares of the whole, as a fit
    takes it. Exact quantities, as the cost, are those of the recipe as written. 64 fixed draws (Sobol), the same for
    every recipe. Unavailable where `Models.joint` is, and where nothing is weighed.
    """
    study = models.study
    share = study.make.weigh_tolerance if tolerance is None else tolerance
    whole = recipes(study, frame)
    plain = models.joint_chance(whole)
    if isinstance(plain, Unavailable):
        return plain
    if not study.ingredients:
        return Unavailable("nothing is weighed in this study", "the chance without it holds")
    if share <= 0:
        return plain
    out = np.empty(len(whole))
    for i in range(len(whole)):
        found = models.joint_chance(whole.iloc[[i]], _weighings(study, whole, i, share))
        if isinstance(found, Unavailable):
            return found
        out[i] = float(found.mean())
    return out


def _weighings(study: Study, whole: pd.DataFrame, place: int, share: float) -> pd.DataFrame:
    """What comes of one recipe in each of the draws, as shares of the whole."""
    names = [item.name for item in study.ingredients]
    unit = qmc.Sobol(len(names), scramble=True, seed=np.random.default_rng(60)).random(_DRAWS)
    made = whole.iloc[[place] * _DRAWS].reset_index(drop=True)
    grams = made[names].to_numpy(dtype=float) * (1 + share * (2 * unit - 1))
    made[names] = grams / grams.sum(axis=1, keepdims=True) * study.total
    return made if study.fill is None else made.drop(columns=study.fill.name)


def weighed_most(models: Models, frame: pd.DataFrame) -> list[tuple[str, float, float] | None]:
    """For each recipe the fitted must whose own chance weighing takes most from: its name, as written, as weighed.

    By the tolerance of `[make]`, on the draws of `weighed_chance`. None where it takes less than a point from each, or
    nothing is weighed or predicted.
    """
    study, asked = models.study, fitted_musts(models.study)
    share = study.make.weigh_tolerance
    if not study.ingredients or share <= 0 or not asked:
        return [None] * len(frame)
    whole, out = recipes(study, frame), list[tuple[str, float, float] | None]()
    for i in range(len(whole)):
        as_written = _alone(models, whole.iloc[[i]])
        as_weighed = _alone(models, _weighings(study, whole, i, share))
        if as_written is None or as_weighed is None:
            return [None] * len(frame)
        then, now = as_written.mean(axis=0), as_weighed.mean(axis=0)
        k = int(np.argmax(np.round(then - now, 9)))
        out.append((asked[k].name, float(then[k]), float(now[k])) if then[k] - now[k] > _LITTLE else None)
    return out


def _alone(models: Models, frame: pd.DataFrame) -> Array | None:
    """The chance of each fitted must alone, (n, r)."""
    found = models.must_laws(frame)
    return None if isinstance(found, Unavailable) else joint_chance(*found).each


def weighed_findings(models: Models, frame: pd.DataFrame, chance: float) -> list[Problem]:
    """What weighing within the tolerance of `[make]` takes from the `chance` of one recipe, where that is a point."""
    found = weighed_chance(models, frame)
    if isinstance(found, Unavailable) or chance - float(found[0]) <= _LITTLE:
        return []
    share = 100 * models.study.make.weigh_tolerance
    got = f"with every weighing off by up to {share:g} % of it the chance is {100 * float(found[0]):.0f} %"
    most = weighed_most(models, frame)[0]
    if most is not None:
        got += f", mostly by {most[0]} ({100 * most[1]:.0f} % to {100 * most[2]:.0f} %)"
    do = "weigh more closely (weigh_tolerance in [make]) or make larger batches"
    level: Literal["warn", "inform"] = "warn" if chance - float(found[0]) > _MUCH else "inform"
    return [Problem("weighing", level, "optimise", got, "", do)]
