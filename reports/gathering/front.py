"""The front as facts: formulas that trade one aim for another, and where the chosen one stands."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from doe import Study
from optimise import Optimum
from reports.facts import (
    Formula,
    FrontAim,
)


def front_facts(study: Study, best: Optimum | None, formula: Formula | None) -> dict[str, Any]:
    """The front and its two aims: which of its points is the formula, or where the formula lies beside it."""
    if best is None or formula is None:
        return {}
    up, across = best.front_of
    now = best.levels.iloc[0]
    front = []
    for row in best.to_dict()["front"]:
        x, y = (_on_front(row, name) for name in (across, up))
        levels = {**row["blend"], **row["factors"]}
        same = all(_same_level(value, now[name]) for name, value in levels.items() if name in now)
        front += [(float(x), float(y), same)] if isinstance(x, float) and isinstance(y, float) else []
    own = None if any(same for *_, same in front) else tuple(_of_formula(formula, best, name) for name in (across, up))
    beside = own if own is not None and all(isinstance(v, float) for v in own) else None
    return {"front": tuple(front), "front_of": (_aim(study, up), _aim(study, across)), "front_beside": beside}


def _same_level(one: Any, other: Any) -> bool:
    if isinstance(one, str) or isinstance(other, str):
        return str(one) == str(other)
    return abs(float(one) - float(other)) <= 1e-6 * max(1.0, abs(float(other)))


def _of_formula(formula: Formula, best: Optimum, name: str) -> Any:
    """What the formula has of an aim of the front, a response by the centre that the front has of it."""
    own = {"chance": formula.chance, "desirability": formula.desirability, "cost_per_kg": formula.cost_per_kg}
    return own[name] if name in own else best.responses.get(name, {}).get("predicted")


_FRONT_KEYS = {"chance": "chance_all", "desirability": "desirability", "cost_per_kg": "cost_per_kg"}


def _on_front(row: Mapping[str, Any], name: str) -> Any:
    values = row.get("values", {})
    return values[name] if name in values else row[_FRONT_KEYS[name]]


def _aim(study: Study, name: str) -> FrontAim:
    if name == "cost_per_kg":
        return FrontAim("cost", f"{study.currency}/kg")
    if name in _FRONT_KEYS:
        return FrontAim("chance that a new batch passes everything" if name == "chance" else name, share=True)
    return FrontAim(name, study.response(name).unit)
