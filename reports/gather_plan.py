"""A plan as facts, with the trials to make first: the corners most likely to be impossible at the bench."""

from __future__ import annotations

from types import MappingProxyType
from typing import Any

import numpy as np

from doe import Study
from doe.design import Design
from reports.facts import PlanFacts
from reports.numbers import listed

_CORNERS = 3


def plan_facts(study: Study, design: Design) -> PlanFacts:
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
        findings=tuple(design.findings),
        corners=corners(study, design),
    )


def known(value: Any) -> Any:
    """A cell, None where it is empty or not a number."""
    return None if value is None or value != value else value


def corners(study: Study, design: Design) -> tuple[str, ...]:
    """The most extreme trials in words, no two alike: the thickest, then those farthest from it and from the middle."""
    names = [n for n in study.region.names if n in design.table.columns]
    if not names or len(design.table) < 6:
        return ()
    reach = [study.region.reach[n] for n in names]
    low, high = np.array([r[0] for r in reach]), np.array([r[1] for r in reach])
    size = np.where(high > low, high - low, 1.0)
    X = 2 * (design.table[names].to_numpy(dtype=float) - low) / size - 1
    away = np.linalg.norm(X, axis=1)
    fill = study.region.fill
    # The recipe with the least fill holds most of everything else: the likeliest to be a paste.
    first = int(np.argmin(design.table[fill])) if fill in names else int(np.argmax(np.round(away, 9)))
    chosen: list[int] = [first]
    while len(chosen) < _CORNERS:
        apart = np.min([np.linalg.norm(X - X[i], axis=1) for i in chosen], axis=0)
        chosen.append(int(np.argmax(np.round(np.minimum(apart, away), 9))))
    return tuple(f"{design.table.index[i]} ({_extremes(X[i], names)})" for i in chosen)


def _extremes(x: np.ndarray[Any, np.dtype[np.float64]], names: list[str]) -> str:
    high = [n for n, v in zip(names, x, strict=True) if v > 0.98]
    low = [n for n, v in zip(names, x, strict=True) if v < -0.98]
    parts = [f"most {listed(high)}"] if high else []
    parts += [f"least {listed(low)}"] if low else []
    return ", ".join(parts) or "far from the middle"
