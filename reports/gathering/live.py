"""What the live formula needs beside the models: the sheet's lines, the formulas to start from, the strips."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any

import pandas as pd

from doe.definition.categories import NONE, material_of
from doe.definition.process import phase_order
from doe.problems import Unavailable
from doe.study import Study
from optimise.formula.livemodel import live_model
from optimise.models.models import Models
from reports.facts import Formula, Spec, Strip
from reports.wording.grades import named

_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"


def live_of(
    study: Study,
    models: Models | None,
    formula: Formula | None,
    others: Sequence[Formula],
    compared: Sequence[Formula],
    ceiling: Spec | None,
) -> Mapping[str, Any]:
    """The live formula as plain data; empty where there is nothing to predict or nothing to move."""
    if models is None or formula is None or not _moves(study) or not _predicts(models):
        return MappingProxyType({})
    found = [("found", formula), *(("alternative", one) for one in others), *(("reference", one) for one in compared)]
    return MappingProxyType(
        {
            **live_model(study, models),
            "sheet": {
                "unit": study.unit,
                "total": study.total,
                "blend_total": study.blend_total,
                "currency": study.currency,
                "batch_g": study.batch_g,
                "balance_g": formula.balance_g,
                "pack_g": study.pack_g,
                "ceiling": ceiling.high if ceiling is not None else None,
                "lines": _lines(study, models),
                "settings": _settings(study, models),
            },
            "formulas": [_formula(study, kind, one) for kind, one in found],
            "strips": {strip.spec.name: _strip(strip) for strip in formula.strips},
            "grades": {one.name: list(known.items()) for one in study.responses if (known := named(one))},
            "whys": {limit.rule: limit.why for limit in study.limits if limit.why},
            "bars": _bars(study),
            "sign": _sign(study),
        }
    )


def _moves(study: Study) -> bool:
    return bool(study.region.names) or len(study.region.combinations) > 1


def _predicts(models: Models) -> bool:
    return any(not isinstance(models.predictor(name), Unavailable) for name in models)


def _lines(study: Study, models: Models) -> list[dict[str, Any]]:
    """The sheet's lines, phase by phase; `column` is the place among the levels that move, None for a fixed one."""
    phases = phase_order(study.steps, study.ingredients)
    names = list(study.region.names)
    out = []
    for item in sorted(study.ingredients, key=lambda i: phases.index(i.phase)):
        category = material_of(item.name)
        level = None if item.name in names else _fixed_level(study, item.name)
        out.append(
            {
                "name": item.name,
                "phase": item.phase,
                "role": item.role,
                "column": names.index(item.name) if item.name in names else None,
                "level": level,
                "category": category if category in study.region.categories else None,
                "tried": _tried(models, item.name, category) if item.name in names else {},
            }
        )
    return out


def _fixed_level(study: Study, name: str) -> float:
    row = study.complete(
        pd.DataFrame([{**study.region.centroid, **{n: levels[0] for n, levels in study.region.categories.items()}}])
    )
    return float(row[name].iloc[0])


def _settings(study: Study, models: Models) -> list[dict[str, Any]]:
    names = list(study.region.names)
    return [
        {
            "name": factor.name,
            "unit": factor.unit,
            "column": None if factor.is_category else names.index(factor.name),
            "category": factor.name if factor.is_category else None,
            "tried": {} if factor.is_category else _tried(models, factor.name, ""),
        }
        for factor in study.factors
        if factor.of is None
    ]


def _tried(models: Models, name: str, category: str) -> dict[str, list[float]]:
    """Lowest and highest level that was made: of all (""), and of each material that stood there."""
    every = models.tried
    groups = {"": every[name]}
    if category in every:
        groups |= {str(level): group[name] for level, group in every.groupby(category)}
    return {key: [float(v.min()), float(v.max())] for key, v in groups.items() if len(v)}


def _formula(study: Study, kind: str, one: Formula) -> dict[str, Any]:
    """A formula as the levels that move and the choice in each category."""
    levels: dict[str, Any] = {line.name: line.level for line in one.lines}
    levels |= {setting.name: setting.value for setting in one.settings}
    for line in one.lines:
        category = material_of(line.name)
        if category in study.region.categories and (line.material or study.ingredient(line.name).choice):
            levels[category] = line.material or NONE
    chosen = study.region.chosen(pd.DataFrame([levels]))
    keeps = {line.name: line.tolerance for line in one.lines} | {
        setting.name: setting.tolerance for setting in one.settings
    }
    return {
        "name": one.name,
        "kind": kind,
        "confirmed": one.confirmed is not None,
        "x": [float(levels[name]) for name in study.region.names],
        "levels": {name: str(value[0]) for name, value in chosen.items()},
        "measured": _measured(study, one.name) if kind == "reference" else {},
        "keeps": {name: list(ends) for name, ends in keeps.items() if ends is not None},
    }


def _measured(study: Study, name: str) -> dict[str, float]:
    """What was measured of a reference, in the responses' own units."""
    return next((dict(one.measured) for one in study.references if one.name == name), {})


def _bars(study: Study) -> list[dict[str, Any]]:
    """Limits on choices: the levels that a category may not take, and when (levels of another, none: always)."""
    return [
        {
            "category": limit.bars[0],
            "levels": list(limit.bars[1]),
            "when": [[limit.condition[0], list(limit.condition[1])]] if limit.condition is not None else [],
            "rule": limit.rule,
            "says": limit.when or "",
            "why": limit.why,
        }
        for limit in study.limits
        if limit.bars is not None
    ]


def _strip(strip: Strip) -> dict[str, Any]:
    return {"axis": list(strip.axis), "log": strip.spec.log, "marks": [list(mark) for mark in strip.marks]}


def _sign(study: Study) -> str:
    """Four letters that tell a formula's code of this study from one of another."""
    told = json.dumps([study.name, study.region.names, dict(study.region.categories), study.total], ensure_ascii=False)
    number = int.from_bytes(hashlib.sha256(told.encode("utf-8")).digest()[:6], "big")
    letters = ""
    for _ in range(4):
        number, place = divmod(number, len(_LETTERS))
        letters += _LETTERS[place]
    return letters
