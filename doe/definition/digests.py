"""Fingerprints of the parts of a study that may change apart from each other."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from doe.definition.definition import Parts
    from doe.definition.parts import Ingredient, Response

_TRIED = (
    "name",
    "role",
    "low",
    "high",
    "level",
    "step",
    "assay",
    "made_of",
    "adjusts",
    "choice",
    "or_none",
    "withdrawn",
)
_TRIED_OF_MATERIAL = ("name", "low", "high", "step", "assay", "made_of")
_MEASURED = ("name", "unit", "method", "kind", "reads", "grades", "against", "source", "of", "after_h")
_WANTED = (
    "name", "scale", "aim", "low", "target", "high", "must", "weight", "exponent_low", "exponent_high", "model",
)  # fmt: skip


def digest_of(value: Any) -> str:
    """SHA-256 of the canonical JSON of a value: sorted keys, no spaces, numbers that are equal written alike."""
    text = json.dumps(_plain(value), sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, str) or value is None or isinstance(value, bool):
        return value
    if isinstance(value, Sequence):
        return [_plain(v) for v in value]
    number = float(value)
    return int(number) if number.is_integer() else number


def _row(part: Any, names: Iterable[str]) -> dict[str, Any]:
    return {name: getattr(part, name) for name in names}


def _all(part: Any, but: Sequence[str] = ()) -> dict[str, Any]:
    return _row(part, (f.name for f in fields(part) if f.name == "name" or f.name not in but))


def _tried(item: Ingredient) -> dict[str, Any]:
    return {**_row(item, _TRIED), "choice": [_row(material, _TRIED_OF_MATERIAL) for material in item.choice]}


def _facts(item: Ingredient) -> dict[str, Any]:
    out = _all(item, _TRIED)
    if item.choice:
        out["choice"] = [_all(material, _TRIED_OF_MATERIAL) for material in item.choice]
    return out


def _facts_of(response: Response) -> dict[str, Any]:
    """What is known of a response beyond how it is measured and what is wanted; nothing where nothing is given.

    So a response that is added without such facts changes none.
    """
    bare = type(response)(response.name)
    given = {key: value for key, value in _all(response, _MEASURED + _WANTED).items() if value != getattr(bare, key)}
    return {"name": response.name, **given} if given else {}


def study_digests(read: Parts) -> dict[str, str]:
    """The four digests of a definition as read: what is tried, how it is measured, what is wanted, facts.

    Each changes only when its own part of the definition changes its meaning: order of keys, spelling of numbers and
    limits, and defaults written out do not count. What is called and ordered otherwise does.
    """
    # Those that stand for a choice of materials are part of their ingredient.
    factors = [f for f in read.factors if f.of is None]
    tried = {
        "total": read.total,
        "unit": read.unit,
        "ingredient": [_tried(i) for i in read.ingredients],
        "factor": [_all(f, ("was", "of")) for f in factors],
        "limit": [_row(x, ("weights", "low", "high", "when", *(("bars",) if x.bars else ()))) for x in read.limits],
        "plan": _all(read.plan),
    }
    measured = [_row(r, _MEASURED) for r in read.responses]
    wanted = {"response": [_row(r, _WANTED) for r in read.responses], "done": _all(read.done)}
    facts = {
        "study": {k: v for k, v in read.study.items() if k not in ("total", "unit")},
        "ingredient": [_facts(i) for i in read.ingredients],
        "factor": [_row(f, ("name", "was")) for f in factors],
        "limit": [x.why for x in read.limits],
        "response": [facts for r in read.responses if (facts := _facts_of(r))],
        "balance": [{k: v for k, v in _all(b).items() if v != float("inf")} for b in read.balances],
        "reference": [_all(r) for r in read.references],
        "step": [_all(s) for s in read.steps],
        "make": _all(read.make),
        "accept": [_all(a) for a in read.accepts],
        **({"law": [_all(law) for law in read.laws]} if read.laws else {}),
    }
    parts = {"tried": tried, "measured": measured, "wanted": wanted, "facts": facts}
    return {name: digest_of(part) for name, part in parts.items()}
