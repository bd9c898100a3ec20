"""The chance when a batch is weighed as well as a bench weighs, not as exactly as it is written."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.stats import qmc

from doe.problems import Unavailable
from optimise.models.models import Models
from optimise.models.recipes import recipes

Array = npt.NDArray[np.float64]

_DRAWS = 64


def weighed_chance(models: Models, frame: pd.DataFrame, tolerance: float | None = None) -> Array | Unavailable:
    """The joint chance of each recipe, (n,), averaged over weighings that are each off by up to `tolerance` of theirs.

    `tolerance` is a fraction; without one that of `[make]`. Errors are independent and rectangular within the tolerance
    (JCGM 100:2008, 4.3.7), for all ingredients alike; what was made is then taken as shares of the whole, as a fit
    takes it. 64 fixed draws (Sobol), the same for every recipe. Unavailable where `Models.joint` is.
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
        found = models.joint_chance(made if study.fill is None else made.drop(columns=study.fill.name))
        if isinstance(found, Unavailable):
            return found
        out[i] = float(found.mean())
    return out
