"""The region of a study: what its ingredients, factors and limits leave to be tried."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from doe.definition.categories import NONE, material_of
from doe.definition.consistency import left_over
from doe.definition.parts import Ingredient, Limit
from doe.region.limits import LimitRow
from doe.region.pieces import Bar, Condition, pieces
from doe.region.region import Region
from doe.region.rewriting import ACTIVE

if TYPE_CHECKING:
    from doe.definition.definition import Parts


def region_of(read: Parts) -> Region:
    """The region of a definition as read. Raises StudyError where no recipe is left."""
    blend = [i for i in read.ingredients if i.role in ("varied", "fill")]
    rest = left_over(read.total, read.ingredients)
    held = {i.name: i.level or 0.0 for i in read.ingredients if i.role in ("fixed", "adjuster")}
    if not any(i.role == "varied" for i in blend):
        held |= {i.name: rest for i in blend}
        blend = []
    numeric = [f for f in read.factors if not f.is_category]
    low = [i.low or 0.0 for i in blend] + [f.low for f in numeric]
    high = [np.inf if i.high is None else i.high for i in blend] + [f.high for f in numeric]
    materials = {material_of(i.name): i for i in blend if i.materials}
    everywhere: list[LimitRow] = []
    conditions = [c for name, item in materials.items() for c in _ends(name, item)]
    for limit in (one for one in read.limits if one.bars is None):
        if limit.condition is None and not _by_material(limit, materials):
            everywhere.append(_row(limit, limit.weights, held))
        else:
            conditions += _limited(limit, materials, held)
    common = {
        "names": tuple([i.name for i in blend] + [f.name for f in numeric]),
        "blend": tuple(i.name for i in blend),
        "blend_total": rest if blend else None,
        "fill": next((i.name for i in blend if i.role == "fill"), None),
        "low": np.array(low, dtype=float),
        "high": np.array(high, dtype=float),
        "rows": everywhere,
    }
    categories = {name: item.materials for name, item in materials.items()}
    categories |= {f.name: f.levels for f in read.factors if f.is_category and f.name not in categories}
    # What is withdrawn keeps its materials in the model, and none of them in any later plan.
    shut = {name: (NONE,) for name, item in materials.items() if item.withdrawn}
    bars = [bar for limit in read.limits if (bar := _bar(limit)) is not None]
    return pieces(common, conditions, categories, shut, bars)


def _bar(limit: Limit) -> Bar | None:
    """The choices that a limit on a choice takes out; None for a limit on levels, or one that bars nothing."""
    if limit.bars is None:
        return None
    (category, levels), where = limit.bars, dict([limit.condition] if limit.condition else [])
    where[category] = tuple(level for level in levels if level in where.get(category, levels))
    words = limit.rule + (f" when {limit.when}" if limit.when else "")
    return Bar(where, words) if where[category] else None


def _ends(category: str, item: Ingredient) -> list[Condition]:
    """The lowest and highest level of each material, where they are not the same for all."""
    ends = {material: item.ends(material) for material in item.materials}
    if len(set(ends.values())) < 2:
        return []
    return [Condition({category: (material,)}, bounds={item.name: pair}) for material, pair in ends.items()]


def _row(limit: Limit, weights: Mapping[str, float], held: Mapping[str, float]) -> LimitRow:
    """A limit over what varies: what is held counts towards its sides."""
    shift = sum(weight * held.get(name, 0.0) for name, weight in weights.items())
    over = {name: weight for name, weight in weights.items() if name not in held}
    low, high = (None if side is None else float(f"{side - shift:.12g}") for side in (limit.low, limit.high))
    return over, low, high, limit.rule + (ACTIVE if limit.on == "active" else "")


def _by_material(limit: Limit, materials: Mapping[str, Ingredient]) -> list[str]:
    """The categories whose materials count differently in a limit of active parts."""
    if limit.on != "active":
        return []
    return [
        name
        for name, item in materials.items()
        if item.name in limit.weights and len({m.assay for m in item.choice} | {item.assay}) > 1
    ]


def _limited(limit: Limit, materials: Mapping[str, Ingredient], held: Mapping[str, float]) -> list[Condition]:
    """A limit that holds only at some levels, or counts each material by its own assay."""
    asked = dict([limit.condition]) if limit.condition else {}
    by = _by_material(limit, materials)
    out = []
    for chosen in product(*(materials[name].materials for name in by)):
        weights = dict(limit.weights)
        for name, material in zip(by, chosen, strict=True):
            item = materials[name]
            weights[item.name] *= item.of(material).assay / item.assay
        where = {**asked, **{name: (material,) for name, material in zip(by, chosen, strict=True)}}
        if all(set(levels) & set(asked.get(name, levels)) for name, levels in where.items()):
            out.append(Condition(where, rows=(_row(limit, weights, held),)))
    return out
