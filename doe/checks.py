"""Checks of study.toml that need only the table of keys: sections, keys, types, ranges, names."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from doe.keys import RESERVED, SECTIONS, WORDS, Key, Section, nearest
from doe.problems import Level, Problem

_LARGEST = 1e15


@dataclass(slots=True)
class Notes:
    """Problems gathered while reading."""

    problems: list[Problem] = field(default_factory=list)

    def stop(self, code: str, where: str, got: str, allowed: str = "", do: str = "") -> None:
        """Something that must be mended."""
        self.add(code, "stop", where, got, allowed, do)

    def add(self, code: str, level: Level, where: str, got: str, allowed: str = "", do: str = "") -> None:
        """Something to look at."""
        self.problems.append(Problem(code, level, where, got, allowed, do))


def sections(source: Mapping[str, Any], notes: Notes) -> dict[str, list[dict[str, Any]]]:
    """The rows of each section with only their good keys; all else goes to `notes`."""
    tables: dict[str, list[dict[str, Any]]] = {name: [] for name in SECTIONS}
    for name, content in source.items():
        section = SECTIONS.get(name)
        if section is None:
            near = nearest(str(name), tuple(SECTIONS))
            do = f"did you mean [{near}]?" if near else "known sections: " + ", ".join(SECTIONS)
            notes.stop("unknown-section", f"[{name}]", "is not known", "", do)
            continue
        rows = content if isinstance(content, list) else [content]
        if isinstance(content, list) != section.repeated or not all(isinstance(row, Mapping) for row in rows):
            shape = f"[[{name}]]" if section.repeated else f"[{name}]"
            notes.stop("wrong-shape", f"[{name}]", "has another shape", f"written as {shape}", "")
            continue
        for n, row in enumerate(rows, 1):
            tables[name].append(_checked(section, row, _where(section, row, n), notes))
    return tables


def _where(section: Section, row: Mapping[str, Any], n: int) -> str:
    if not section.repeated:
        return f"[{section.name}]"
    label = row.get("name", row.get("rule", row.get("does", row.get("finding"))))
    return f"{section.name} {label!r}" if isinstance(label, str) and label else f"[[{section.name}]] number {n}"


def _checked(section: Section, row: Mapping[str, Any], where: str, notes: Notes) -> dict[str, Any]:
    """The row with only its good keys."""
    good: dict[str, Any] = {}
    for name, value in row.items():
        key = section.keys.get(name)
        if key is None:
            near = nearest(str(name), tuple(section.keys))
            do = f"did you mean {near}?" if near else "known keys: " + ", ".join(section.keys)
            notes.stop("unknown-key", f"{where}, key {name}", f"{name} is not a key of [{section.name}]", "", do)
        elif _value_is_good(key, value, f"{where}, {name}", notes):
            good[str(name)] = value
            if not key.used:
                do = "it is kept for the part of the program that will use it"
                notes.add("not-used-yet", "inform", f"{where}, {name}", "is checked and kept, but not used yet", "", do)
    for key in section.keys.values():
        if key.needed and key.name not in row:
            notes.stop("missing-key", where, f"has no {key.name}", key.doc, f"add {key.name} = ...")
    return good


def has_type(kind: str, value: Any) -> bool:
    """Whether a value is of one of the types of `doe.keys`; true and false are no numbers."""
    if kind == "number":
        return isinstance(value, int | float) and not isinstance(value, bool)
    if kind == "whole":
        return isinstance(value, int) and not isinstance(value, bool)
    if kind == "flag":
        return isinstance(value, bool)
    if kind == "text":
        return isinstance(value, str)
    if kind == "percent":
        return isinstance(value, str) and percent(value) is not None
    if kind == "pair":
        return isinstance(value, list) and len(value) == 2 and all(has_type("number", v) for v in value)
    if kind == "texts":
        return isinstance(value, list) and all(isinstance(v, str) for v in value)
    if kind == "table":
        return isinstance(value, Mapping)
    if kind == "tables":
        return isinstance(value, list) and all(isinstance(v, Mapping) for v in value)
    return isinstance(value, list)


def percent(text: str) -> float | None:
    """The fraction that a text such as "10 %" means, None for another text."""
    head, sign, tail = text.partition("%")
    if not sign or tail.strip():
        return None
    try:
        value = float(head)
    except ValueError:
        return None
    return value / 100 if math.isfinite(value) and value >= 0 else None


def _value_is_good(key: Key, value: Any, where: str, notes: Notes) -> bool:
    kinds = [kind for kind in key.types if has_type(kind, value)]
    if not kinds:
        allowed = " or ".join(WORDS[kind] for kind in key.types)
        notes.stop("wrong-type", where, f"came {shown(value)}", allowed, _type_hint(key, value))
        return False
    if kinds[0] in ("number", "whole"):
        return _number_is_good(key, float(value), where, notes)
    if kinds[0] == "pair":
        return all(_number_is_good(key, float(v), where, notes) for v in value)
    if kinds[0] == "text":
        return _text_is_good(key, value, where, notes)
    if kinds[0] == "texts" and not all(v.strip() for v in value):
        notes.stop("empty-text", where, "holds an empty text", WORDS["texts"], "write something or leave it out")
        return False
    return True


def _type_hint(key: Key, value: Any) -> str:
    if isinstance(value, str) and "number" in key.types:
        comma = value.replace(",", ".").strip()
        try:
            return f"write it without quotes: {key.name} = {float(comma):g}"
        except ValueError:
            return f"write {key.name} = 1.5, say"
    return ""


def shown(value: Any) -> str:
    """A value as it came, cut short."""
    text = repr(value) if isinstance(value, str) else str(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _number_is_good(key: Key, value: float, where: str, notes: Notes) -> bool:
    if not math.isfinite(value) or abs(value) > _LARGEST:
        notes.stop("not-a-level", where, f"came {value:g}", "an ordinary number", "")
        return False
    low, high = key.low, key.high
    if (low is not None and value < low) or (high is not None and value > high) or (key.above_zero and value <= 0):
        allowed = "above 0" if key.above_zero else f"{low:g} or more" if high is None else f"{low:g} to {high:g}"
        notes.stop("out-of-range", where, f"came {value:g}", allowed, "")
        return False
    return True


def _text_is_good(key: Key, value: str, where: str, notes: Notes) -> bool:
    if not value.strip() and key.needed:
        notes.stop("empty-text", where, "is empty", WORDS["text"], "write something")
        return False
    if any(unicodedata.category(c) in ("Cc", "Cs") and c not in "\n\t" for c in value):
        notes.stop("control-characters", where, f"came {shown(value)}", "text without control characters", "")
        return False
    if key.choices and value not in key.choices:
        near = nearest(value, key.choices)
        do = f"did you mean {near}?" if near else ""
        notes.stop("unknown-word", where, f"came {shown(value)}", "one of " + ", ".join(key.choices), do)
        return False
    return True


def named(tables: list[dict[str, Any]], kind: str, notes: Notes) -> list[tuple[dict[str, Any], str]]:
    """The rows that have a name, each with the words that say where it stands."""
    return [(t, f"{kind} {t['name']!r}") for t in tables if "name" in t]


def folded(name: str) -> str:
    """A name as compared with others: composed, without case and outer space."""
    return unicodedata.normalize("NFC", name).strip().casefold()


def check_names(tables: Mapping[str, list[dict[str, Any]]], notes: Notes) -> None:
    """Names of ingredients, factors and responses head columns of one table: they must differ and be free."""
    seen: dict[str, str] = {}
    for kind in ("ingredient", "factor", "response"):
        for table in tables[kind]:
            name = table.get("name")
            if name is None:
                continue
            where = f"{kind} {name!r}"
            key = folded(name)
            if key in RESERVED or key.startswith("lot:"):
                notes.stop("reserved-name", where, f"{name} heads a column of its own in tables", "", "choose another")
            if key in seen:
                notes.stop(
                    "duplicate-name", where, f"the name stands twice, also as {seen[key]}", "names differ", "rename one"
                )
            if name != name.strip() or "\n" in name:
                notes.stop("untidy-name", where, "has space around it or a line break", "a tidy name", "")
            seen.setdefault(key, where)
