"""Fingerprints of the parts of a study that may change apart from each other."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from typing import Any

_TRIED = ("name", "low", "high", "level", "qs", "step", "assay", "made_of", "adjusts", "choice", "or_none", "withdrawn")
_MEASURED = ("name", "unit", "method", "kind", "reads", "grades", "against", "from", "of", "after_h")
_WANTED = ("name", "scale", "aim", "low", "target", "high", "must", "weight", "exponent_low", "exponent_high")


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


def _only(rows: Any, keys: Sequence[str]) -> list[dict[str, Any]]:
    return [{k: row[k] for k in keys if k in row} for row in rows or ()]


def _without(rows: Any, keys: Sequence[str]) -> list[dict[str, Any]]:
    return [{k: v for k, v in row.items() if k == "name" or k not in keys} for row in rows or ()]


def study_digests(source: Mapping[str, Any]) -> dict[str, str]:
    """The four digests of a definition: what is tried, how it is measured, what is wanted, facts.

    Each changes only when its own part of the definition does; order of keys and spelling of numbers do not count.
    """
    study = source.get("study", {})
    responses = source.get("response", ())
    tried = {
        "total": study.get("total", 100),
        "unit": study.get("unit", "% w/w"),
        "ingredient": _only(source.get("ingredient"), _TRIED),
        "factor": source.get("factor", []),
        "limit": [{k: v for k, v in row.items() if k != "why"} for row in source.get("limit", ())],
        "plan": source.get("plan", {}),
    }
    measured = _only(responses, _MEASURED)
    wanted = {"response": _only(responses, _WANTED), "done": source.get("done", {}), "accept": source.get("accept", [])}
    facts = {
        "study": {k: v for k, v in study.items() if k not in ("total", "unit")},
        "ingredient": _without(source.get("ingredient"), _TRIED),
        "response": _without(responses, _MEASURED + _WANTED),
        **{k: source[k] for k in ("balance", "reference", "step", "make") if k in source},
    }
    parts = {"tried": tried, "measured": measured, "wanted": wanted, "facts": facts}
    return {name: digest_of(part) for name, part in parts.items()}
