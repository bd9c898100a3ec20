"""Trials on the way up (or down) of one response: evenly spaced from the middle outwards, on weighable levels."""

from __future__ import annotations

import numpy as np
import pandas as pd

from doe.problems import ModelError, Problem, Unavailable
from doe.search.grids import grids
from doe.study import Study
from optimise.models.coefficients import way_out
from optimise.models.fitted import FittedModel


def trials_on_way(study: Study, model: FittedModel, count: int) -> pd.DataFrame:
    """Up to `count` whole recipes on the path of steepest ascent (or descent), nearest first; fewer where steps meet.

    Box & Wilson (1951) J. R. Stat. Soc. B 13, 1-45; for a bent surface the ridge of Draper (1963). Raises ModelError
    where the fit has no way, or none that leads away from the middle.
    """
    whole = model.way
    if isinstance(whole, Unavailable) or model.core is None:
        reason = whole if isinstance(whole, Unavailable) else Unavailable("nothing was fitted", "measure it")
        raise ModelError([_no_way(model.response, reason.reason, reason.do)])
    if len(whole) < 2:
        got = "no way leads on from the middle of the region: it is predicted best there"
        raise ModelError(
            [_no_way(model.response, got, "confirm the middle, or learn where the chance gains (--learn)")]
        )
    last = float(whole[-1]["distance"])
    stops = last * np.arange(1, count + 1) / count
    way = way_out(study, model.core, model.scale, study.response(model.response), stops)
    if isinstance(way, Unavailable):
        raise ModelError([_no_way(model.response, way.reason, way.do)])
    region = study.region
    X = np.array([[step["at"][name] for name in region.names] for step in way[1:]])
    combo = region.combinations[0]
    index = np.array([[region.categories[name].index(level) for name, level in combo.items()]] * len(X), dtype=np.intp)
    U, _ = grids(region, study.steps_at).snapped(region.coded(X), index.reshape(len(X), len(combo)))
    frame = pd.DataFrame(region.decoded(U), columns=list(region.names)).assign(**combo)
    return study.complete(frame.drop_duplicates(ignore_index=True))


def _no_way(response: str, got: str, do: str) -> Problem:
    return Problem("no-way", "stop", f"way of {response}", got, "a response wanted high or low, with a way to go", do)
