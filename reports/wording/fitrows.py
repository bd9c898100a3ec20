"""Rows of the tables of a fit that page and terminal share: effects, analysis of variance, each batch, near models."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from math import exp
from typing import Any

from reports.numbers import between, figure, listed, p_value, precise, statistic

Entry = Mapping[str, Any]
Write = Callable[[Any], str]


def to_three(value: Any) -> str:
    """A number to three digits."""
    return figure(value)


def to_four(value: Any) -> str:
    """A number to four digits."""
    return figure(value, digits=4)


_ANOVA: tuple[tuple[str, Write], ...] = (
    ("df", precise), ("df_error", to_three), ("ss", to_four), ("ms", to_four), ("f", statistic), ("p", p_value),
)  # fmt: skip
_TRIALS: tuple[tuple[str, Write], ...] = (
    ("fitted", to_four), ("residual", to_three), ("leverage", statistic), ("studentised", statistic),
    ("deleted", statistic), ("cook", statistic),
)  # fmt: skip


def shown(write: Write, value: Any, nothing: str) -> str:
    """A number of a table, or `nothing` where there is none; its reason stands in the JSON."""
    return write(value) if isinstance(value, int | float) else nothing


def anova(entry: Entry, nothing: str = "") -> list[list[str]]:
    """The analysis of variance: source, df, those of what it is set against, sum of squares, mean square, F, p."""
    return [
        [str(row["source"]), *(shown(write, row.get(key), nothing) for key, write in _ANOVA)] for row in entry["anova"]
    ]


def trials(entry: Entry, nothing: str) -> list[list[str]]:
    """The diagnosis of each batch: measured, fitted, residual, leverage, studentised, deleted, Cook's distance."""
    return [
        [str(row["batch"]), _seen(row), *(shown(write, row.get(key), nothing) for key, write in _TRIALS)]
        for row in entry["trials"]
    ]


def _seen(row: Mapping[str, Any]) -> str:
    """What was measured; a reading that is only a bound stands as one."""
    if row.get("bound") == "between":
        return f"{_measured(row['observed'])} to {_measured(row['to'])}"
    return {"above": "> ", "below": "< "}.get(str(row.get("bound")), "") + _measured(row["observed"])


def _measured(value: float) -> str:
    """A reading as it was typed; one with more digits than anyone types was computed, and has four."""
    typed = precise(value)
    return typed if abs(float(f"{value:.6g}") - value) <= 1e-12 * abs(value) else to_four(value)


def effect_head(entry: Entry) -> list[str]:
    """The head of the table of effects; on a log scale a change is a factor."""
    change = {"log": "times", "linear": "change"}.get(str(entry["scale"]), f"change, {entry['scale']} scale")
    return ["direction", "from", "to", "predicted, low", "middle", "high", change, "95 % confidence"]


def effects(entry: Entry, nothing: str) -> list[list[str]]:
    """What the response does along each direction through the middle of the region, from lowest to highest level."""
    found = entry.get("effects")
    if not isinstance(found, Sequence):
        return []
    write = exp if entry["scale"] == "log" else float
    out = []
    for row in found:
        ends = row["limits"] if isinstance(row["limits"], Sequence) else None
        limits = nothing if ends is None else between(write(ends[0]), write(ends[1]))
        change = figure(write(row["change"]), None if ends is None else (write(ends[1]) - write(ends[0])) / 4 or None)
        levels = [figure(row["from"], digits=4), figure(row["to"], digits=4)]
        out.append([str(row["says"]), *levels, *(figure(v) for v in row["predicted"]), change, limits])
    return out


def near(entry: Entry) -> list[list[str]]:
    """Models nearly as good as the one that is read: what they differ in, and how far above it their AICc lies."""
    found = list((entry.get("selection") or {}).get("near") or [])
    return [[_differs(found[0]["terms"], row["terms"]), f"+{figure(row['delta_aicc'], digits=2)}"] for row in found[1:]]


def _differs(mine: Sequence[str], others: Sequence[str]) -> str:
    """What another set of terms has besides and what it is without: `with Wax², without Gum × Stone`."""
    came = [term for term in others if term not in set(mine)]
    went = [term for term in mine if term not in set(others)]
    told = [("with", came), ("without", went)]
    return ", ".join(f"{word} {listed(terms)}" for word, terms in told if terms) or "the same terms"
