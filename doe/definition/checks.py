"""Checks of study.toml that need only the table of keys: sections, keys, types, ranges, names."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from doe.definition.keys import RESERVED, RESERVED_AS_SPELT, RESERVED_BEGINNINGS, SECTIONS, WORDS, Key, Section, nearest
from doe.definition.ruletokens import normalised
from doe.problems import Level, Problem

LARGEST = 1e12
_LONGEST_NAME = 80
MOST_ROWS = 500  # of one section; a hundred ingredients are many
# Embeddings, overrides and isolates of the Unicode Bidirectional Algorithm (UAX 9): what follows reads otherwise.
TURNING = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


@dataclass(slots=True)
class Notes:
    """Problems gathered while reading."""

    problems: list[Problem] = field(default_factory=list)
    waiting: dict[tuple[str, str], list[str]] = field(default_factory=dict)

    @property
    def stops(self) -> bool:
        """Whether something must be mended."""
        return any(problem.level == "stop" for problem in self.problems)

    def stopped_in(self, *sections: str) -> bool:
        """Whether something must be mended in one of these sections, or a section is not known at all."""
        return any(
            p.level == "stop" and (p.code == "unknown-section" or p.where.lstrip("[").startswith(sections))
            for p in self.problems
        )

    def stop(self, code: str, where: str, got: str, allowed: str = "", do: str = "") -> None:
        """Something that must be mended."""
        self.add(code, "stop", where, got, allowed, do)

    def add(self, code: str, level: Level, where: str, got: str, allowed: str = "", do: str = "") -> None:
        """Something to look at."""
        self.problems.append(Problem(code, level, where, got, allowed, do))

    def wait(self, section: str, key: str, where: str) -> None:
        """A key that no part of the program uses yet; `report_waiting` says so once for all that have it."""
        self.waiting.setdefault((section, key), []).append(where)

    def report_waiting(self) -> None:
        """One finding for each key that is not used yet."""
        for (section, key), places in self.waiting.items():
            heading = f"[[{section}]]" if SECTIONS[section].repeated else f"[{section}]"
            named = [place for place in places if place != heading]
            what = f"of {', '.join(named[:6])}{' and more' if len(named) > 6 else ''} " if named else ""
            got = f"{key} {what}is checked and kept, but not used yet"
            do = "leave it: the part of the program that will use it is not built yet"
            self.add("not-used-yet", "inform", f"{heading}, {key}", got, "", do)


class Row(dict[str, Any]):
    """One table of the file with only its good keys; `gives` knows those that came with something wrong, too."""

    def __init__(self) -> None:
        super().__init__()
        self.wrong: set[str] = set()

    def gives(self, key: str) -> bool:
        """Whether the file has this key, rightly or not."""
        return key in self or key in self.wrong


def sections(source: Mapping[str, Any], notes: Notes) -> dict[str, list[Row]]:
    """The rows of each section with only their good keys; all else goes to `notes`."""
    tables: dict[str, list[Row]] = {name: [] for name in SECTIONS}
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
        if len(rows) > MOST_ROWS:
            allowed = f"at most {MOST_ROWS} of them"
            notes.stop("too-many", f"[[{name}]]", f"stands there {len(rows)} times", allowed, "send the right file")
            continue
        for n, row in enumerate(rows, 1):
            tables[name].append(_checked(section, row, _where(section, row, n), notes))
    return tables


def _where(section: Section, row: Mapping[str, Any], n: int) -> str:
    if not section.repeated:
        return f"[{section.name}]"
    label = row.get("name", row.get("rule", row.get("does", row.get("finding", row.get("substance")))))
    return f"{section.name} {label!r}" if isinstance(label, str) and label else f"[[{section.name}]] number {n}"


def _checked(section: Section, row: Mapping[str, Any], where: str, notes: Notes) -> Row:
    good = check_row(section.keys, row, where, notes, f"[{section.name}]")
    if section.name != "study" and "name" in good:
        good["name"] = normalised(good["name"])
    for name in good:
        if not section.keys[name].used:
            notes.wait(section.name, name, where)
    return good


def check_row(keys: Mapping[str, Key], row: Mapping[str, Any], where: str, notes: Notes, heading: str) -> Row:
    """One table held to the keys it may have: its good ones; all else goes to `notes`."""
    good = Row()
    for name, value in row.items():
        key = keys.get(name)
        if key is None:
            near = nearest(str(name), tuple(keys))
            allowed = "a key that it has" if near else "one of " + ", ".join(keys)
            do = f"did you mean {near}?" if near else "use one of these, or take it out"
            notes.stop("unknown-key", f"{where}, key {name}", f"{name} is not a key of {heading}", allowed, do)
        elif _value_is_good(key, value, f"{where}, {name}", notes):
            good[key.name] = value
        else:
            good.wrong.add(key.name)
    for key in keys.values():
        if key.needed and key.name not in row:
            notes.stop("missing-key", where, f"has no {key.name}", key.doc, f"add {key.name} = ...")
    return good


def has_type(kind: str, value: Any) -> bool:
    """Whether a value is of one of the types of `doe.definition.keys`; true and false are no numbers."""
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
    if kind in ("pair", "open pair"):
        ends = value if isinstance(value, list) else []
        return len(ends) == 2 and all(has_type("number", v) or (v is None and kind == "open pair") for v in ends)
    if kind == "numbers":
        return isinstance(value, list) and all(has_type("number", v) for v in value)
    if kind == "texts":
        return isinstance(value, list) and all(isinstance(v, str) for v in value)
    if kind == "table":
        return isinstance(value, Mapping)
    return isinstance(value, list) and all(isinstance(v, Mapping) for v in value)


def percent(text: str) -> float | None:
    """The fraction that a text such as "10 %" means, None for another text."""
    head, sign, tail = text.partition("%")
    if not sign or tail.strip():
        return None
    try:
        value = float(head)
    except ValueError:
        return None
    return value / 100 if math.isfinite(value) and value >= 0 and "_" not in head else None


def fraction(value: Any) -> float | None:
    """A fraction from a number or a percentage; None for anything else."""
    if isinstance(value, str):
        return percent(value)
    return float(value) if is_number(value) else None


def is_number(value: Any) -> bool:
    """Whether a value is a number of ordinary size."""
    return has_type("number", value) and bool(abs(value) <= LARGEST)


def _value_is_good(key: Key, value: Any, where: str, notes: Notes) -> bool:
    """Whether a value is of a type its key may have and within its words and ends; if not, a problem in `notes`."""
    if not all(_signs_are_good(text, where, notes) for text in _texts(value)):
        return False
    kinds = [kind for kind in key.types if has_type(kind, value)]
    if not kinds:
        allowed = " or ".join(WORDS[kind] for kind in key.types)
        notes.stop("wrong-type", where, f"came {shown(value)}", allowed, _type_hint(key, value))
        return False
    if kinds[0] in ("number", "whole"):
        return _number_is_good(key, value, where, notes)
    if kinds[0] == "numbers":
        return all(_number_is_good(key, v, where, notes) for v in value)
    if kinds[0] == "percent":
        return _number_is_good(key, percent(value), where, notes)
    if kinds[0] in ("pair", "open pair"):
        ends = [v for v in value if kinds[0] == "pair" or not (v is None or v in (math.inf, -math.inf))]
        return all(_number_is_good(key, v, where, notes) for v in ends)
    if kinds[0] == "text":
        return _text_is_good(key, value, where, notes)
    if kinds[0] == "table" and key.parts is not None:
        return _parts_are_good(key.parts, value, where, notes)
    if kinds[0] == "tables" and key.rows is not None:
        return _rows_are_good(key, value, where, notes)
    if kinds[0] == "texts" and not all(v.strip() for v in value):
        notes.stop("empty-text", where, "holds an empty text", WORDS["texts"], "write something or leave it out")
        return False
    return True


def _rows_are_good(key: Key, rows: list[Mapping[str, Any]], where: str, notes: Notes) -> bool:
    """Each table of a list, held to the keys it may have; problems say which one it is."""
    before = len(notes.problems)
    for n, row in enumerate(rows, 1):
        named = row.get("name")
        label = f"{where} {named!r}" if isinstance(named, str) and named else f"{where} {n}"
        check_row(key.rows or {}, row, label, notes, f"{key.name} table")
    return len(notes.problems) == before


def _parts_are_good(parts: Mapping[str, tuple[str, ...]], table: Mapping[str, Any], where: str, notes: Notes) -> bool:
    before = len(notes.problems)
    for name, value in table.items():
        words = parts.get(name, tuple(parts))
        strange = name if name not in parts else value if value not in words else None
        if name not in parts or value not in words:
            near = nearest(strange, words) if isinstance(strange, str) else None
            do = f"did you mean {near}?" if near else "write one of these"
            code = "unknown-key" if name not in parts else "unknown-word"
            notes.stop(code, f"{where}, {name}", f"came {shown(strange)}", "one of " + ", ".join(words), do)
    return len(notes.problems) == before


def _type_hint(key: Key, value: Any) -> str:
    if isinstance(value, str) and {"number", "whole"} & set(key.types):
        try:
            read = float(value.replace(",", ".").replace("%", "").strip())
        except ValueError:
            return f"write {key.name} = 1.5, say" if "number" in key.types else f"write {key.name} = 2, say"
        return f"write it without quotes: {key.name} = {read:g}"
    if key.types[0] == "flag":
        return f"write {key.name} = true or {key.name} = false"
    if isinstance(value, str) and "texts" in key.types:
        return f'write {key.name} = ["{value}"]'
    if key.types[0] == "text" and has_type("number", value):
        return f'write {key.name} = "{value}"'
    return f"write {WORDS[key.types[0]]}"


def shown(value: Any) -> str:
    """A value as it came, in TOML's words, cut short."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int) and abs(value) > LARGEST:
        return "a very large number"
    if value is None:
        return "nothing"
    text = repr(value) if isinstance(value, str) else str(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _number_is_good(key: Key, value: Any, where: str, notes: Notes) -> bool:
    if not abs(value) <= LARGEST:
        notes.stop(
            "not-a-level", where, f"came {shown(value)}", "a number that can be weighed or set", "check the number"
        )
        return False
    low, high = key.low, key.high
    if (low is not None and value < low) or (high is not None and value > high) or (key.above_zero and value <= 0):
        least = "above 0" if key.above_zero else "" if low is None else f"{low:g} or more"
        allowed = " and ".join(words for words in (least, "" if high is None else f"up to {high:g}") if words)
        allowed = f"{key.doc}: {allowed}" if key.doc else allowed
        notes.stop("out-of-range", where, f"came {value:g}", allowed, _other_unit(key, value))
        return False
    return True


def _other_unit(key: Key, value: float) -> str:
    """What to do about a number out of its range: the unit it was likely given in, where one is."""
    if "percent" in key.types and key.high is not None and key.high < value <= 100 * key.high:
        return f'write {key.name} = {value / 100:g}, or "{value:g} %"'
    if key.name == "density" and value >= 100:
        return f"in kg/m3? Then write {key.name} = {value / 1000:g}"
    return "check the number and its unit"


def _texts(value: Any) -> Iterator[str]:
    """Every text in a value, also the names in a table and what stands in lists."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping):
        for key, inner in value.items():
            yield from (*_texts(key), *_texts(inner))
    elif isinstance(value, list | tuple):
        for inner in value:
            yield from _texts(inner)


def _signs_are_good(value: str, where: str, notes: Notes) -> bool:
    if any(unicodedata.category(c) in ("Cc", "Cs") and c not in "\n\t" for c in value):
        notes.stop("control-characters", where, f"came {shown(value)}", "text without control characters", "")
        return False
    if TURNING.intersection(value):
        allowed = "text without signs that turn the direction of what follows"
        notes.stop("turning-signs", where, f"came {shown(value)}", allowed, "type it anew")
        return False
    return True


def _text_is_good(key: Key, value: str, where: str, notes: Notes) -> bool:
    if not value.strip() and (key.needed or key.choices):
        notes.stop("empty-text", where, "is empty", WORDS["text"], "write something")
        return False
    if key.choices and value not in key.choices:
        near = nearest(value, key.choices)
        do = f"did you mean {near}?" if near else ""
        notes.stop("unknown-word", where, f"came {shown(value)}", "one of " + ", ".join(key.choices), do)
        return False
    return True


def named(tables: list[Row], kind: str) -> list[tuple[Row, str]]:
    """The rows that have a name, each with the words that say where it stands."""
    return [(t, f"{kind} {t['name']!r}") for t in tables if "name" in t]


def folded(name: str) -> str:
    """A name as compared with others: tidy and without case."""
    return normalised(name).casefold()


def check_names(tables: Mapping[str, list[Row]], notes: Notes) -> None:
    """Names of ingredients, factors and responses head columns of one table: they must differ and be free.

    References, balances and blocks are named among themselves.
    """
    seen: dict[str, str] = {}
    for kind in ("ingredient", "factor", "response"):
        for table, where in named(tables[kind], kind):
            _check_column_name(table["name"], where, notes)
            _check_once(table["name"], where, seen, notes)
    for kind in ("reference", "balance"):
        seen = {}
        for table, where in named(tables[kind], kind):
            _check_once(table["name"], where, seen, notes)


def _check_once(name: str, where: str, seen: dict[str, str], notes: Notes) -> None:
    key = folded(name)
    if key in seen:
        got = f"the name stands twice, also as {seen[key]}"
        notes.stop("duplicate-name", where, got, "names that differ in more than capitals", "rename one")
    seen.setdefault(key, where)


_TAKEN = ", ".join((*RESERVED, *RESERVED_AS_SPELT))
_FREE = f"another name; taken are {_TAKEN}, and what begins with {' or '.join(RESERVED_BEGINNINGS)}"


def _check_column_name(name: str, where: str, notes: Notes) -> None:
    key = folded(name)
    if key in RESERVED or name in RESERVED_AS_SPELT or key.startswith(RESERVED_BEGINNINGS):
        notes.stop("reserved-name", where, f"{name} heads a column of its own in tables", _FREE, "rename it")
    if any(unicodedata.category(sign) in ("Cc", "Cf", "Cs", "Co", "Cn") for sign in name):
        notes.stop("bad-name", where, "the name has signs in it that cannot be seen", "plain text", "type it anew")
    signs = [sign for sign in "×[]²" if sign in name]
    if signs:
        got = f"{' '.join(signs)} in a name cannot be told from a term of a model, or from a unit"
        notes.stop("bad-name", where, got, "a name without × [ ] ²", "rename it")
    if name[:1] in ("=", "+", "@", "-"):
        got = f"a spreadsheet may take {shown(name)} for a formula"
        allowed = "a name that starts with a letter or digit"
        notes.add("bad-name", "warn", where, got, allowed, "rename it before tables are made")
    if len(name) > _LONGEST_NAME:
        notes.stop("bad-name", where, f"the name has {len(name)} signs", f"up to {_LONGEST_NAME}", "shorten it")
    if is_numeral(name):
        notes.stop("bad-name", where, f"{name} is a number", "a name with a letter in it", "rename it")


def is_numeral(text: str) -> bool:
    """Whether a text reads as a number."""
    try:
        float(text)
    except ValueError:
        return False
    return True
