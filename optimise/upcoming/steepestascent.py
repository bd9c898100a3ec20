"""Trials on the path of steepest ascent (or descent) of one response, evenly spaced from the centre, weighable."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from doe.definition.categories import short
from doe.problems import ModelError, Problem, Unavailable, rounded
from doe.search.grids import grids
from doe.study import Study
from optimise.models.coefficients import by_category, way_out
from optimise.models.fitted import FittedModel

_Way = Sequence[Mapping[str, Any]]


def trials_of_steepest_ascent(study: Study, model: FittedModel, count: int) -> tuple[pd.DataFrame, tuple[Problem, ...]]:
    """Up to `count` whole recipes on the path of steepest ascent (or descent), nearest first; fewer where steps meet.

    Box & Wilson (1951) J. R. Stat. Soc. B 13, 1-45; for a bent surface the ridge of Draper (1963). Where the surface
    differs between categories, the way is that within the levels where it ends best, which is said. Raises ModelError
    where the fit has no way, or none that leads away from the middle.
    """
    combo, whole, said = _best(study, model)
    if model.core is None or len(whole) < 2:
        got = "no way leads on from the middle of the region: it is predicted best there"
        raise ModelError(
            [_no_way(model.response, got, "confirm the middle, or learn where the chance gains (--learn)")]
        )
    last = float(whole[-1]["distance"])
    stops = last * np.arange(1, count + 1) / count
    within = combo if by_category(model.core) else None
    way = way_out(study, model.core, model.scale, study.response(model.response), stops, within)
    if isinstance(way, Unavailable):
        raise ModelError([_no_way(model.response, way.reason, way.do)])
    region = study.region
    X = np.array([[step["at"][name] for name in region.names] for step in way[1:]])
    index = np.array([[region.categories[name].index(level) for name, level in combo.items()]] * len(X), dtype=np.intp)
    U, _ = grids(region, study.steps_at).snapped(region.coded(X), index.reshape(len(X), len(combo)))
    frame = pd.DataFrame(region.decoded(U), columns=list(region.names)).assign(**combo)
    return study.complete(frame.drop_duplicates(ignore_index=True)), said


def _best(study: Study, model: FittedModel) -> tuple[Mapping[str, str], _Way, tuple[Problem, ...]]:
    """The levels of categories, the way within them, and, where there are others, why these."""
    first = study.region.combinations[0]
    if model.core is None or not by_category(model.core):
        if isinstance(model.way, Unavailable):
            raise ModelError([_no_way(model.response, model.way.reason, model.way.do)])
        return first, model.way, ()
    response = study.response(model.response)
    found = []
    for combo in study.region.combinations:
        way = way_out(study, model.core, model.scale, response, combo=combo)
        if not isinstance(way, Unavailable):
            found.append((float(way[-1]["predicted"]), combo, way))
        elif combo == study.region.combinations[-1] and not found:
            raise ModelError([_no_way(model.response, way.reason, way.do)])
    found.sort(key=lambda one: one[0], reverse=response.aim == "above")
    value, combo, way = found[0]
    others = "; ".join(f"{_named(other)} {rounded(end, 4)}" for end, other, _ in found[1:4])
    others += f"; {len(found) - 4} more" if len(found) > 4 else ""
    got = f"the way within {_named(combo)}, at whose end {model.response} is predicted best: {rounded(value, 4)}"
    got += f" ({others})"
    do = "make a trial in another of these as well where they lie close together"
    return combo, way, (Problem("way-within", "inform", f"way of {model.response}", got, "", do),)


def _named(combo: Mapping[str, str]) -> str:
    return ", ".join(f"{short(name)} {level}" for name, level in combo.items())


def _no_way(response: str, got: str, do: str) -> Problem:
    return Problem("no-way", "stop", f"way of {response}", got, "a response wanted high or low, with a way to go", do)
