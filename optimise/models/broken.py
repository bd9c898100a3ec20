"""Which limits of the study a recipe breaks, and on which it stands."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.problems import Problem
from doe.region.limits import TOTAL, number
from doe.region.pieces import Pieces
from doe.region.region import Region
from doe.study import Study

Array = npt.NDArray[np.float64]

BROKEN = "breaks-a-limit"
_CLOSE = 1e-6


def broken_limits(study: Study, recipe: pd.Series) -> tuple[str, ...]:
    """The bounds and limits of `study` that a whole recipe does not keep, as they are labelled, each once.

    Held to 1e-6 of the size of the terms of each, as what is stored and read back may differ in a last digit.
    """
    region, barred = _holding(study, recipe)
    if not region.names:
        return barred
    x = recipe[list(region.names)].to_numpy(dtype=float)
    over = [*_labels(region, region.A @ x - region.b > _size(region.A, x))]
    off = np.abs(region.E @ x - region.e) > _size(region.E, x)
    equal = [label for label, flag in zip(region.equal_labels, off, strict=True) if flag]
    held = _off_fixed(study, recipe)
    # What is given where it should stand fixed leaves more or less to all that varies: that is one fault.
    equal = [label for label in equal if not (held and label.startswith(TOTAL))]
    return tuple(dict.fromkeys((*barred, *over, *held, *equal)))


def touched_limits(study: Study, recipe: pd.Series) -> tuple[str, ...]:
    """The bounds and limits on which a whole recipe stands; those on which every recipe stands do not count."""
    region, _ = _holding(study, recipe)
    if not region.names:
        return ()
    x = recipe[list(region.names)].to_numpy(dtype=float)
    on = np.abs(region.A @ x - region.b) <= _size(region.A, x)
    on[list(region.frame.tight_rows)] = False
    return tuple(dict.fromkeys(_labels(region, on)))


def broken_told(study: Study, recipe: pd.Series) -> list[Problem]:
    """A finding for each bound and limit that a whole recipe breaks, with what it was given for."""
    return [_told(study, label) for label in broken_limits(study, recipe)]


def _off_fixed(study: Study, recipe: pd.Series) -> list[str]:
    fixed = [(item.name, float(item.level or 0.0)) for item in study.fixed if item.name in recipe.index]
    return [f"{name} fixed at {number(at)}" for name, at in fixed if abs(float(recipe[name]) - at) > _CLOSE]


def _told(study: Study, label: str) -> Problem:
    rules = sorted((one for one in study.limits if label.startswith(one.rule)), key=lambda one: -len(one.rule))
    why = rules[0].why if rules else ""
    do = "change the levels; or the limit in study.toml, if it was not meant for this"
    return Problem(BROKEN, "stop", label, "is broken", f"it was set because: {why}" if why else "", do)


def _holding(study: Study, recipe: pd.Series) -> tuple[Region, tuple[str, ...]]:
    """The region at the choices of a recipe, and the limits on choices that these break, in words."""
    frame = recipe.to_frame().T
    chosen = {name: str(levels[0]) for name, levels in study.region.chosen(frame).items()}
    bars = study.region.bars if isinstance(study.region, Pieces) else ()
    return study.region.holding(frame), tuple(bar.words for bar in bars if bar.holds(chosen))


def _size(rows: Array, x: Array) -> Array:
    return np.asarray(_CLOSE * np.maximum(1.0, np.abs(rows) @ np.abs(x)), dtype=np.float64)


def _labels(region: Region, flags: npt.NDArray[np.bool_]) -> list[str]:
    return [label for label, flag in zip(region.labels, flags, strict=True) if flag]
