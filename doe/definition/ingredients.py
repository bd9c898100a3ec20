"""From the raw table of an ingredient to its record: how its level is found, and the materials that may stand there."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType
from typing import Any

from doe.definition.categories import NONE, PRESENT, material_of
from doe.definition.checks import Notes, Row, folded, fraction, is_numeral, shown
from doe.definition.keys import SECTIONS
from doe.definition.material_facts import read_facts, shares_of
from doe.definition.parts import Factor, Ingredient, Material
from doe.definition.responses import number_or_none
from doe.definition.ruletokens import normalised
from doe.definition.steps import nearest_steps

_FIELDS = (
    "name", "qs", "low", "high", "level", "step", "phase", "inci", "assay", "price_per_kg", "made_of", "adjusts",
    "choice", "or_none", "withdrawn", "was",
)  # fmt: skip
_BETWEEN = re.compile(r",\s+|\s*;\s*|\s+\(and\)\s+", re.IGNORECASE)  # what stands between names, not within one
FINEST_STEP = 1e9
"""How many steps a level may have: no balance tells more (common practice: at most some millions, no source)."""


def read_ingredient(t: Row, where: str, notes: Notes) -> Ingredient:
    """The ingredient of one table; problems go to `notes`."""
    low, high = low_high(t, where, notes)
    item = Ingredient(
        name=t["name"],
        role=_role(t, where, notes),
        low=low,
        high=high,
        level=number_or_none(t.get("level")),
        step=number_or_none(t.get("step")),
        phase=t.get("phase", ""),
        inci=_inci(t.get("inci", ()), f"{where}, inci", notes),
        assay=share_of(t.get("assay"), 1.0),
        price_per_kg=number_or_none(t.get("price_per_kg")),
        made_of=_shares(t.get("made_of", {}), f"{where}, made_of", notes),
        adjusts=t.get("adjusts"),
        or_none=t.get("or_none", False),
        withdrawn=t.get("withdrawn", False),
        was=tuple(normalised(name) for name in t.get("was", ())),
        facts=_facts(t, where, notes),
    )
    choice = _choice(t, item, where, notes)
    if item.withdrawn:
        return replace(item, low=0.0, high=0.0, choice=choice)
    if choice:
        lows = [m.low for m in choice if m.low is not None]
        highs = [m.high for m in choice if m.high is not None]
        return replace(item, low=min(lows, default=None), high=max(highs, default=None), choice=choice)
    if item.role == "varied":
        _check_varied(t, low, high, where, notes)
    return item


def material_factor(item: Ingredient) -> Factor:
    """The category that says which of an ingredient's materials a batch was made with."""
    was = tuple(material_of(name) for name in item.was)
    return Factor(material_of(item.name), levels=item.materials, was=was, of=item.name)


def share_of(value: Any, default: float) -> float:
    """A fraction, or the default where none is given."""
    share = fraction(value)
    return default if share is None else share


def _facts(t: Mapping[str, Any], where: str, notes: Notes, base: Mapping[str, Any] | None = None) -> Mapping[str, Any]:
    facts = {k: v for k, v in t.items() if k not in _FIELDS}
    if "lot_assay" in facts:
        facts["lot_assay"] = _lot_assay(t, f"{where}, lot_assay", notes)
    return read_facts(facts, where, notes, base)


def _lot_assay(t: Mapping[str, Any], where: str, notes: Notes) -> Mapping[str, float]:
    """The active part of single lots, each above 0 and at most 1; not beside made_of, which says what a solution is."""
    parts = {normalised(str(lot)): fraction(value) for lot, value in t["lot_assay"].items()}
    for lot, part in parts.items():
        if part is None or not 0 < part <= 1:
            got = f"{lot} = {shown(t['lot_assay'].get(lot))}"
            notes.stop("wrong-type", where, got, "a fraction above 0, up to 1", 'write 0.93, or "93 %"')
    if t.get("made_of"):
        notes.stop("two-assays", where, "stands beside made_of", "one of them", "give a lot of a solution as material")
    return MappingProxyType({lot: part for lot, part in parts.items() if part is not None})


def _check_varied(t: Row, low: float | None, high: float | None, where: str, notes: Notes) -> None:
    if t.get("or_none") and low == 0:
        _none_and_nothing(where, notes)
    check_step(t, low, high, where, notes)
    if low is not None and low == high:
        do = f"write level = {low:g}, unless it is on purpose"
        if low == 0:
            do = "write withdrawn = true if it was dropped and batches made with it should count, else level = 0"
        notes.add("one-level", "warn", where, f"low and high are both {low:g}", "low below high", do)


def _none_and_nothing(where: str, notes: Notes) -> None:
    got, do = "low is 0, and or_none = true says it may be absent", "raise low to the least that is worth adding"
    notes.stop("none-and-nothing", where, got, "a low above 0 beside or_none", f"{do}, or drop or_none")


def _choice(t: Row, item: Ingredient, where: str, notes: Notes) -> tuple[Material, ...]:
    """The materials of one table; what one does not say, the ingredient says for it."""
    fixed = "takes up the rest" if t.get("qs") else "is at a set level" if item.role != "varied" else None
    for key in ("choice", "or_none"):
        if t.get(key) and fixed:
            got = f"{fixed} and has {key}"
            notes.stop("two-roles", where, got, f"{key} where low and high are given", f"drop {key}, or vary it")
    if fixed or "choice" not in t:
        return ()
    rows = t["choice"]
    if len(rows) < 2:
        got = f"names {'one material' if rows else 'no material'}"
        notes.stop("one-choice", f"{where}, choice", got, "two materials or more", "name another, or drop choice")
    _check_materials(rows, f"{where}, choice", notes)
    for key in dict.fromkeys(key for row in rows for key in row):
        if not SECTIONS["ingredient"].keys[key].used:
            notes.wait("ingredient", key, where)
    return tuple(_material(t, item, row, f"{where}, choice {row['name']!r}", notes) for row in rows)


def _material(t: Row, item: Ingredient, row: Mapping[str, Any], where: str, notes: Notes) -> Material:
    own = low_high(row, where, notes)
    low, high = (item.low if own[0] is None else own[0], item.high if own[1] is None else own[1])
    _check_ends(t, row, (low, high), where, notes)
    return Material(
        name=normalised(row["name"]),
        low=low,
        high=high,
        step=number_or_none(row.get("step", item.step)),
        inci=_inci(row["inci"], f"{where}, inci", notes) if "inci" in row else item.inci,
        assay=share_of(row.get("assay"), item.assay),
        price_per_kg=number_or_none(row.get("price_per_kg", item.price_per_kg)),
        made_of=_shares(row["made_of"], f"{where}, made_of", notes) if "made_of" in row else item.made_of,
        facts=_facts(row, where, notes, item.facts),
    )


def _check_materials(rows: Any, where: str, notes: Notes) -> None:
    """Names of materials: each once, and none that says that there is none."""
    seen: set[str] = set()
    for row in rows:
        name = folded(row["name"])
        if name in seen:
            notes.stop("duplicate-name", where, f"{row['name']} stands twice", "different names", "rename one")
        seen.add(name)
        if name in (NONE, PRESENT):
            got, do = f"a material is called {row['name']}", "rename it; or_none = true says that it may be absent"
            notes.stop("reserved-name", where, got, "another name", do)
        if not name or is_numeral(name) or any(sign in name for sign in "[]="):
            got = f"came {shown(row['name'])}"
            notes.stop("bad-name", where, got, "a name with a letter in it, without [ ] =", "rename it")


def _check_ends(
    t: Row, row: Mapping[str, Any], ends: tuple[float | None, float | None], where: str, notes: Notes
) -> None:
    missing = [key for key, end in zip(("low", "high"), ends, strict=True) if end is None and not t.gives(key)]
    if missing and not t.get("withdrawn"):
        words = " and ".join(missing)
        notes.stop("no-level", where, f"has no {words}", "low and high of its own, or the ingredient's", f"add {words}")
    if ends[0] is not None and ends[1] is not None and ends[0] > ends[1] and not {"low", "high"} <= set(row):
        got = f"low {ends[0]:g} is above high {ends[1]:g}, one of them the ingredient's"
        notes.stop("low-above-high", where, got, "low <= high", "give it both")
    if t.get("or_none") and ends[0] == 0:
        _none_and_nothing(where, notes)
    check_step({**t, **row}, *ends, where, notes)


def low_high(table: Mapping[str, Any], where: str, notes: Notes) -> tuple[float | None, float | None]:
    """The two ends of a table, the lower first; ends that are the wrong way round go to `notes`."""
    low, high = number_or_none(table.get("low")), number_or_none(table.get("high"))
    if low is not None and high is not None and low > high:
        got = f"low {low:g} is above high {high:g}"
        notes.stop("low-above-high", where, got, "low <= high", "swap them, or mend one")
        return high, low
    return low, high


def _role(t: Row, where: str, notes: Notes) -> Any:
    """Varied, fixed, fill or adjuster, as the keys given say; those that contradict each other go to `notes`."""
    given = [key for key in ("low", "high") if t.gives(key)]
    one = "qs, or level, or low and high"
    if t.get("qs"):
        if t.get("withdrawn"):
            do = "let another ingredient take up the rest first"
            notes.stop("two-roles", where, "takes up the rest and is withdrawn", "one of the two", do)
        for key in ("level", "adjusts"):
            if t.gives(key):
                notes.stop("two-roles", where, f"takes up the rest (qs) and has {key}", one, f"drop qs or {key}")
        return "varied" if t.get("withdrawn") else "fill"
    if t.get("withdrawn"):
        return "varied"
    if t.gives("level"):
        if given:
            got = f"has a level and {' and '.join(given)}"
            notes.stop("two-roles", where, got, "level, or low and high", "drop one of them")
        return "adjuster" if t.gives("adjusts") else "fixed"
    if t.gives("adjusts"):
        notes.stop("no-level", where, "adjusts something but has no level", "the level expected", "add level = ...")
        return "adjuster"
    missing = [key for key in ("low", "high") if not t.gives(key)]
    if missing and not t.gives("choice"):
        words = " and ".join(missing)
        notes.stop("no-level", where, f"has no {words}", "low and high, or level, or qs = true", f"add {words}")
    return "varied"


def check_step(t: Mapping[str, Any], low: float | None, high: float | None, where: str, notes: Notes) -> None:
    """Whether the steps of a table fit between its ends."""
    step = t.get("step")
    if step is None or low is None or high is None:
        return
    most = max(abs(high), abs(low))
    if most > FINEST_STEP * step:
        notes.stop("step-too-fine", f"{where}, step", f"{step:g}, for levels up to {most:g}",
                   "a step that can be weighed", "make the step larger, or leave it out")  # fmt: skip
        return
    tiny = 1e-9 * max(1.0, most)
    first, last = math.ceil(low / step - 1e-9) * step, math.floor(high / step + 1e-9) * step
    if first > high + tiny:
        got = f"no multiple of {step:g} lies in {low:g} to {high:g}"
        allowed = "a multiple of step between low and high"
        notes.stop("step-too-wide", f"{where}, step", got, allowed, "make the step smaller, or move a limit onto it")
    elif first > low + tiny or last < high - tiny:
        got = f"steps of {step:g} reach only from {first:g} to {last:g}"
        steps = " or ".join(f"{one:g}" for one in nearest_steps(low, high, step))
        do = f"move low and high onto whole steps, or take steps of {steps}"
        notes.add("step-does-not-fit", "warn", f"{where}, step", got, "low and high that are whole steps", do)


def _inci(value: Any, where: str, notes: Notes) -> tuple[tuple[str, float], ...]:
    if isinstance(value, str):
        names = [normalised(value)] if value.strip() else []
        _check_one_name(names, where, notes)
        return tuple((name, 1.0) for name in names)
    rows: list[tuple[str, float]] = []
    for row in value:
        name, share = row.get("name"), fraction(row.get("share", 1.0))
        strange = [key for key in row if key not in ("name", "share")]
        if not isinstance(name, str) or not name.strip() or share is None or not 0 < share <= 1 or strange:
            allowed = '{name = "...", share = above 0 and up to 1}'
            notes.stop("wrong-type", where, f"came {shown(dict(row))}", allowed, "give each a name and its share")
            continue
        rows.append((normalised(name), share))
    if sum(share for _, share in rows) > 1 + 1e-6:
        got = f"shares add up to {sum(share for _, share in rows):g}"
        notes.stop("shares-above-one", where, got, "at most 1", "mend the shares")
    _check_one_name([name for name, _ in rows], where, notes)
    return tuple(rows)


def _check_one_name(names: Sequence[str], where: str, notes: Notes) -> None:
    """Whether each INCI name is one: a comma within a name (1,2-Hexanediol) has no space after it."""
    for name in names:
        parts = [part for part in _BETWEEN.split(name) if part]
        if len(parts) > 1:
            got = f"came {shown(name)}, which reads as {len(parts)} names on the label"
            do = "write a blend as " + ", ".join(f'{{name = "{part}", share = ...}}' for part in parts)
            notes.add("inci-several", "warn", where, got, "one INCI name, or a list of them with their shares", do)


def _shares(table: Mapping[str, Any], where: str, notes: Notes) -> Mapping[str, float]:
    shares = shares_of(table, where, notes, 'write 0.1, or "10 %"')
    if len(shares) == len(table) and shares and abs(sum(shares.values()) - 1) > 1e-6:
        got = f"fractions add up to {sum(shares.values()):g}"
        notes.stop("shares-not-one", where, got, "1", "name all it is made of")
    return MappingProxyType(shares)
