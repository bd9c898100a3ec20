"""Which limits of the study a recipe breaks, and on which it stands."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.problems import Problem
from doe.region.limits import TOTAL, number
from doe.region.pieces import Pieces
from doe.study import Study

Array = npt.NDArray[np.float64]

BROKEN = "breaks-a-limit"
_CLOSE = 1e-6  # how near a level is to a bound or limit on which it stands


@dataclass(frozen=True, slots=True)
class LimitStanding:
    """The bounds and limits that a whole recipe breaks, and those on which it stands, as they are labelled, each once.

    Limits on which every recipe stands do not count.
    """

    broken: tuple[str, ...]
    touched: tuple[str, ...]


def standings(study: Study, recipes: pd.DataFrame) -> list[LimitStanding]:
    """How whole recipes stand to the limits of a study, one after another.

    Held to 1e-6 of the size of the terms of each, as what is stored and read back may differ in a last digit.
    """
    levels = study.region.chosen(recipes)
    combos = list(zip(*levels.values(), strict=True)) if levels else [()] * len(recipes)
    out = [LimitStanding((), ())] * len(recipes)
    for combo in dict.fromkeys(combos):
        rows = [i for i, own in enumerate(combos) if own == combo]
        chosen = {name: str(level) for name, level in zip(levels, combo, strict=True)}
        for i, one in zip(rows, _at_one(study, recipes.iloc[rows], chosen), strict=True):
            out[i] = one
    return out


def _at_one(study: Study, recipes: pd.DataFrame, chosen: Mapping[str, str]) -> list[LimitStanding]:
    """The same for recipes that have their category levels in common."""
    region = study.region.at(chosen)
    bars = study.region.bars if isinstance(study.region, Pieces) else ()
    barred = tuple(bar.words for bar in bars if bar.holds(chosen))
    if not region.names:
        return [LimitStanding(barred, ())] * len(recipes)
    X = recipes[list(region.names)].to_numpy(dtype=float)
    past, size = X @ region.A.T - region.b, _size(region.A, X)
    on = np.abs(past) <= size
    on[:, list(region.frame.tight_rows)] = False
    off = np.abs(X @ region.E.T - region.e) > _size(region.E, X)
    out = []
    for i, held in enumerate(_off_fixed(study, recipes)):
        equal = _labels(region.equal_labels, off[i])
        # What is given where it should stand fixed leaves more or less to all that varies: that is one fault.
        equal = [label for label in equal if not (held and label.startswith(TOTAL))]
        over = _labels(region.labels, past[i] > size[i])
        broken = tuple(dict.fromkeys((*barred, *over, *held, *equal)))
        out.append(LimitStanding(broken, tuple(dict.fromkeys(_labels(region.labels, on[i])))))
    return out


def broken_findings(study: Study, broken: Sequence[str]) -> list[Problem]:
    """A finding for each bound and limit that a recipe breaks, with what it was given for."""
    return [_finding(study, label) for label in broken]


def _off_fixed(study: Study, recipes: pd.DataFrame) -> list[list[str]]:
    out: list[list[str]] = [[] for _ in range(len(recipes))]
    for item in study.fixed:
        if item.name in recipes:
            at = float(item.level or 0.0)
            for i in np.flatnonzero(np.abs(recipes[item.name].to_numpy(dtype=float) - at) > _CLOSE):
                out[i].append(f"{item.name} fixed at {number(at)}")
    return out


def _finding(study: Study, label: str) -> Problem:
    rules = sorted((one for one in study.limits if label.startswith(one.rule)), key=lambda one: -len(one.rule))
    why = rules[0].why if rules else ""
    do = "change the levels; or the limit in study.toml, if it was not meant for this"
    return Problem(BROKEN, "stop", label, "is broken", f"it was set because: {why}" if why else "", do)


def _size(rows: Array, X: Array) -> Array:
    return np.asarray(_CLOSE * np.maximum(1.0, np.abs(X) @ np.abs(rows).T), dtype=np.float64)


def _labels(labels: Sequence[str], flags: npt.NDArray[np.bool_]) -> list[str]:
    return [labels[int(i)] for i in np.flatnonzero(flags)]
