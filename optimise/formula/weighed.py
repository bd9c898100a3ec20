"""The chance when a batch is weighed as well as a bench weighs, not as exactly as it is written."""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.stats import qmc

from doe.problems import Problem, Unavailable
from optimise.models.models import Models
from optimise.models.recipes import recipes

Array = npt.NDArray[np.float64]

_DRAWS = 64
_LITTLE, _MUCH = 0.01, 0.05


def weighed_chance(models: Models, frame: pd.DataFrame, tolerance: float | None = None) -> Array | Unavailable:
    """The joint chance of each recipe, (n,), averaged over weighings that are each off by up to `tolerance` of theirs.

    `tolerance` is a fraction; without one that of `[make]`. Errors are independent and rectangular within the tolerance
    (JCGM 100:2008, 4.3.7), for all ingredients alike; what was made is then taken as shares of the whole, as a fit
    takes it. Exact quantities, as the cost, are those of the recipe as written. 64 fixed draws (Sobol), the same for
    every recipe. Unavailable where `Models.joint` is.
    """
    study = models.study
    share = study.make.weigh_tolerance if tolerance is None else tolerance
    whole = recipes(study, frame)
    plain = models.joint_chance(whole)
    if isinstance(plain, Unavailable):
        return plain
    names = [item.name for item in study.ingredients]
    if not names or share <= 0:
        return plain
    unit = qmc.Sobol(len(names), scramble=True, seed=np.random.default_rng(60)).random(_DRAWS)
    off = 1 + share * (2 * unit - 1)
    out = np.empty(len(whole))
    for i in range(len(whole)):
        made = whole.iloc[[i] * _DRAWS].reset_index(drop=True)
        grams = made[names].to_numpy(dtype=float) * off
        made[names] = grams / grams.sum(axis=1, keepdims=True) * study.total
        found = models.joint_chance(whole.iloc[[i]], made if study.fill is None else made.drop(columns=study.fill.name))
        if isinstance(found, Unavailable):
            return found
        out[i] = float(found.mean())
    return out


def weighed_told(models: Models, frame: pd.DataFrame, chance: float) -> list[Problem]:
    """What weighing within the tolerance of `[make]` takes from the `chance` of one recipe, where that is a point."""
    found = weighed_chance(models, frame)
    if isinstance(found, Unavailable) or chance - float(found[0]) <= _LITTLE:
        return []
    share = 100 * models.study.make.weigh_tolerance
    got = f"with every weighing off by up to {share:g} % of it the chance is {100 * float(found[0]):.0f} %"
    do = "weigh more closely (weigh_tolerance in [make]) or make larger batches"
    level: Literal["warn", "inform"] = "warn" if chance - float(found[0]) > _MUCH else "inform"
    return [Problem("weighing", level, "optimise", got, "", do)]
