"""Lots with an active part of their own: what was weighed of one counts by its active part, not by its weight."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from doe.bench.levels import Levels
from doe.definition.categories import material_of
from doe.problems import Problem, listed

if TYPE_CHECKING:
    from doe.results.resultset import Results
    from doe.study import Study


def lot_factors(study: Study, levels: Levels, lots: Mapping[str, str]) -> dict[str, float]:
    """Active part of the lot over that declared (`assay`), by ingredient, for lots of which `lot_assay` says one."""
    out = {}
    for item in study.ingredients:
        whole = item.of(levels.get(material_of(item.name)))
        own = whole.facts.get("lot_assay", {}).get(lots.get(item.name))
        if own is not None and own != whole.assay:
            out[item.name] = own / whole.assay
    return out


def by_active_part(study: Study, levels: Levels, factors: Mapping[str, float]) -> Levels:
    """A recipe with each level times its factor, in terms of material with the declared active part.

    The sum does not change: what a weak lot brings instead of the active part counts as the fill (water, as a rule);
    without a fill all are scaled.
    """
    out: Levels = {name: value if isinstance(value, str) else value * factors.get(name, 1.0)
                   for name, value in levels.items()}  # fmt: skip
    names = [item.name for item in study.ingredients]
    total = sum(float(levels[name]) for name in names)
    moved = total - sum(float(out[name]) for name in names)
    if study.fill is not None:
        out[study.fill.name] = float(out[study.fill.name]) + moved
    elif moved:
        out.update({name: float(out[name]) * total / (total - moved) for name in names})
    return out


def of_record(study: Study, results: Results) -> list[Problem]:
    """What lots with an active part of their own did to the batches on record, as far as study.toml still says so."""
    batches = results.batches.loc[results.usable]
    names = [item.name for item in study.ingredients if f"lot: {item.name}" in batches]
    lots: dict[str, dict[str, str]] = {}
    factors: dict[str, dict[str, float]] = {}
    for batch, row in batches.iterrows():
        mine = {name: str(row[f"lot: {name}"]) for name in names if isinstance(row[f"lot: {name}"], str)}
        lots[str(batch)] = mine
        factors[str(batch)] = lot_factors(study, {c: row[c] for c in results.columns}, mine)
    since = "; by lot_assay as it stands now, what is on record stays as it was taken in"
    return [replace(one, do=one.do + since) for one in lot_findings(study, lots, factors)]


def lot_findings(
    study: Study, lots: Mapping[str, Mapping[str, str]], factors: Mapping[str, Mapping[str, float]]
) -> list[Problem]:
    """One finding for each ingredient and lot that counted otherwise than it was weighed; both by batch."""
    groups: dict[tuple[str, str, float], list[str]] = {}
    for batch, mine in factors.items():
        for name, factor in mine.items():
            groups.setdefault((name, lots[batch][name], factor), []).append(batch)
    rest = study.fill.name if study.fill else "all, in proportion"
    return [
        Problem("lot-assay", "inform", f"lot: {name}",
                f"{lot} in {listed(batches)} has its own active part (lot_assay)", f"assay of {name}",
                f"counts as {factor:.4g} times what was weighed; what is left counts as {rest}")
        for (name, lot, factor), batches in groups.items()
    ]  # fmt: skip
