"""Plans as facts: what each round is for, and which of its trials are to be made first."""

from __future__ import annotations

from types import MappingProxyType
from typing import Any

import numpy as np

from doe import Study
from doe.design.design import Design
from doe.design.reading import PlanReading
from reports.facts import PlanFacts, Purpose
from reports.numbers import listed


def plan_facts(study: Study, design: Design, *, is_first: bool = True) -> PlanFacts:
    """One round's plan."""
    trials = []
    for trial, levels in design.table.iterrows():
        run = design.runs.loc[str(trial)]
        trials.append({"trial": str(trial), **{k: known(run[k]) for k in run.index}, "levels": levels.to_dict()})
    return PlanFacts(
        round=design.round,
        seed=design.seed,
        columns=tuple(str(c) for c in design.table.columns),
        trials=tuple(trials),
        quality=MappingProxyType(design.quality.to_dict()),
        terms=tuple(t for t, sure in zip(design.terms.labels, design.terms.sure, strict=True) if sure),
        maybe=tuple(t for t, sure in zip(design.terms.labels, design.terms.sure, strict=True) if not sure),
        digest=design.digest,
        purpose=purpose_of(design, is_first=is_first),
        reading=PlanReading.of(study, design),
        findings=tuple(design.findings),
        extremes=extremes(study, design),
        lead=leads(design),
    )


def known(value: Any) -> Any:
    """A cell, None where it is empty or not a number."""
    return None if value is None or value != value else value


def purpose_of(design: Design, *, is_first: bool) -> Purpose:
    """What a round is for, read off its recipes: several of one recipe confirm it."""
    alone = len(design.table.drop_duplicates()) == 1 and (len(design.table) > 1 or not is_first)
    return "confirm" if alone else "learn" if is_first else "more"


def leads(design: Design) -> bool:
    """Whether the order of making begins with the trials to make first, but for a standard recipe."""
    if not design.make_first:
        return False
    ahead = design.runs.loc[list(design.make_first), "order"].astype(int).max()
    return bool(ahead <= len(design.make_first) + 1)


def extremes(study: Study, design: Design) -> tuple[tuple[str, str], ...]:
    """The trials to make first, each with what makes it extreme: `most Gum, least Wax`."""
    reach = study.region.reach
    names = [n for n in study.region.names if n in design.table.columns and reach[n][1] > reach[n][0]]
    low, high = np.array([reach[n] for n in names], dtype=float).reshape(len(names), 2).T
    X = 2 * (design.table[names].to_numpy(dtype=float) - low) / (high - low) - 1
    rows = {str(trial): x for trial, x in zip(design.table.index, X, strict=True)}
    return tuple((trial, _extremes(rows[trial], names)) for trial in design.make_first)


def _extremes(x: np.ndarray[Any, np.dtype[np.float64]], names: list[str]) -> str:
    most = [n for n, v in zip(names, x, strict=True) if v > 0.98]
    least = [n for n, v in zip(names, x, strict=True) if v < -0.98]
    parts = [f"most {_some(most)}"] if most else []
    parts += [f"least {_some(least)}"] if least else []
    return ", ".join(parts) or "far from the middle"


def _some(names: list[str]) -> str:
    """All of a few names, the first three of many."""
    return listed(names) if len(names) <= 4 else f"{', '.join(names[:3])} and {len(names) - 3} more"
