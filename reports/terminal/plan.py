"""A plan's quality at a terminal: how near the best possible it is, what blocks and steps cost, what it will show."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from doe.design.quality import made_before
from reports.numbers import percent
from reports.tables import aligned, wrapped
from reports.wording.plan import first_line
from reports.wording.reading import (
    alias_lines,
    alone_line,
    filling_line,
    missed_line,
    model_line,
    shown_rows,
    spread_line,
    units_of,
    unknown_lines,
)

if TYPE_CHECKING:
    from doe.study import Study
    from reports.facts import PlanFacts

_HEAD = ("response", "mean known to", "at worst", "difference seen", "matters", "chance to see that", "hardest for")


def against(quality: Mapping[str, Any]) -> str:
    """The efficiencies with what is proven of them, or why there are none."""
    shares = {letter: quality.get(f"{letter.lower()}_efficiency") for letter in "DI"}
    missing = next((v for v in shares.values() if isinstance(v, Mapping)), None)
    if missing is not None:
        return f"How near the best possible plan it is cannot be said: {missing['unavailable']}."
    said = [f"{letter} {percent(share, 1)}{_proven(quality, letter)}" for letter, share in shares.items()]
    if quality.get("whole_plots"):
        return f"Against what no plan in as large set-ups can exceed: {', '.join(said)}."
    return f"Against the best possible plan of any size: {', '.join(said)}."


def _proven(quality: Mapping[str, Any], letter: str) -> str:
    """The proven bracket; in whole plots only its lower end says anything."""
    ends = (quality.get("best_possible") or {}).get(letter.lower())
    if not isinstance(ends, list | tuple):
        return ""
    low, high = (percent(end, 1) for end in ends)
    if quality.get("whole_plots") or low == high:
        return f" (proven: {low}{' or more' if low != high else ''})"
    return f" (proven: {low} to {high})"


def on_steps(quality: Mapping[str, Any]) -> list[str]:
    """What weighable steps cost, where the plan keeps to them."""
    told = quality.get("steps") or {}
    kept = told.get("efficiency_kept")
    if not isinstance(kept, float):
        return []
    return [f"Weighable steps leave it {percent(kept, 1)} of its {told['criterion']} efficiency."]


def between_blocks(quality: Mapping[str, Any]) -> list[str]:
    """What differences between blocks take, where there are any."""
    kept = quality.get("blocks", {}).get("kept")
    if not isinstance(kept, float):
        return []
    if kept > 1 - 5e-4:
        return ["Differences between blocks take nothing from what the trials tell."]
    return [f"Differences between blocks take {percent(1 - kept)} of what the trials tell."]


def _none_first(facts: PlanFacts) -> str:
    """Why no extreme recipes lead the order where batches were made before."""
    if not made_before(facts.quality["leverage"]):
        return ""
    return "No extreme recipes lead the order: batches made before have tried the ground already."


def reading(study: Study, facts: PlanFacts) -> str:
    """What the plan will show, response by response, and what to know before it is made."""
    rows = shown_rows(facts.reading, units_of(study))
    told = [
        model_line(facts),
        *unknown_lines(facts.reading),
        missed_line(facts.reading),
        alone_line(facts),
        spread_line(facts.reading),
    ]
    told += [filling_line(facts.quality)]
    told += alias_lines(facts) if facts.quality["aliases"] or facts.quality.get("two_level") else []
    table = aligned(rows, _HEAD, right=(1, 2, 3, 4, 5), most=40) if rows else ""
    lines = [wrapped(line) for line in (*told, first_line(facts) or _none_first(facts)) if line]
    return "\n\n".join(part for part in (table, *lines) if part)
