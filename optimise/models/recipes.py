"""Recipes given for prediction, made whole and checked, in the words of the study."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from doe.definition.keys import nearest
from doe.problems import ModelError, Problem, StudyError
from doe.study import Study


def recipes(study: Study, frame: pd.DataFrame) -> pd.DataFrame:
    """Whole recipes from a frame of levels (varied ingredients and factors at least); it is not changed.

    The fill takes up the rest; fixed ingredients stand at their level unless given. Columns that are no names of the
    study are left alone, but for what looks like a misspelt one. Raises ModelError with every column that is absent or
    misspelt, every cell that is not a number and every category that is not known.
    """
    if not hasattr(frame, "columns"):
        got, do = f"a {type(frame).__name__}", "of one recipe as levels by name: pd.DataFrame([levels])"
        raise ModelError([_problem("recipes", got, "a DataFrame, one row a recipe", do)])
    problems = _misspelt(study, frame)
    needed = [i.name for i in study.varied if i.role == "varied"] + [f.name for f in study.numeric_factors]
    levels = pd.DataFrame(index=frame.index)
    for name in frame.columns:
        levels[name] = frame[name]
    for name in needed:
        if name not in frame.columns:
            problems.append(_problem(name, "no column", "a level for each recipe", "add the column"))
            continue
        values = pd.to_numeric(frame[name], errors="coerce").to_numpy(dtype=float)
        bad = ~np.isfinite(values)
        if bad.any():
            label, value = frame.index[bad][0], frame[name][bad].iloc[0]
            got = f"{str(value)!r} in recipe {label}"
            problems.append(_problem(name, got, "a number", "give the level"))
        levels[name] = values
    for factor in (f for f in study.category_factors if f.of is None):
        if factor.name not in frame.columns:
            problems.append(_problem(factor.name, "no column", "one of " + ", ".join(factor.levels), "add the column"))
            continue
        strange = sorted({str(v) for v in frame[factor.name]} - set(factor.levels))
        if strange:
            problems.append(
                _problem(factor.name, strange[0], "one of " + ", ".join(factor.levels), "choose one of them")
            )
    if problems:
        raise ModelError(problems)
    try:
        return study.complete(levels)
    except StudyError as error:
        raise ModelError(error.problems) from None


def _misspelt(study: Study, frame: pd.DataFrame) -> list[Problem]:
    """Columns that are no names of the study, each much like one that the frame does not have."""
    absent = tuple(name for name in study.columns if name not in frame.columns)
    own = {*study.columns, *(response.name for response in study.responses)}
    near = {str(name): nearest(str(name), absent) for name in frame.columns if name not in own}
    return [
        _problem(name, "no name of this study", "names of study.toml", f"did you mean {other}?")
        for name, other in near.items()
        if other is not None
    ]


def level_of(value: Any) -> str | float:
    """A cell of a frame of recipes as a plain level: the name of a category as it is, else a number."""
    return value if isinstance(value, str) else float(value)


def off_steps(study: Study, levels: Mapping[str, Any]) -> list[Problem]:
    """A finding for each given level that is no whole number of weighable steps; `levels` may be part of a recipe."""
    categories = study.region.categories
    combo = {name: str(levels.get(name, known[0])) for name, known in categories.items()}
    steps = study.steps_at(combo)
    fill = study.fill.name if study.fill is not None else None
    out = []
    for name, value in levels.items():
        step = steps.get(name)
        if step is None or name == fill or isinstance(value, str):
            continue
        whole = round(float(value) / step) * step
        if abs(whole - float(value)) > 1e-6 * step:
            got, allowed = f"{float(value):g} is no whole number of steps", f"steps of {step:g}"
            out.append(Problem("off-step", "warn", name, got, allowed, f"take {whole:.12g}, or change its step"))
    return out


def _problem(where: str, got: str, allowed: str, do: str) -> Problem:
    return Problem("bad-levels", "stop", where, got, allowed, do)
