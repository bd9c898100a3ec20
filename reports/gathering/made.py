"""What was tried and made, as facts: levels over the trials, and each batch with its readings."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

from doe import Study
from doe.definition.parts import Response
from doe.design.design import Design
from doe.recipes.weighing import step_of
from doe.results.curves import observed
from doe.results.results import Results
from optimise import Optimum
from reports.facts import (
    BatchRow,
    TriedRange,
)
from reports.gathering.plan import known
from reports.numbers import common_places, exactly, plain
from reports.wording import grades

_SIGNS = {"below": "<", "above": ">"}  # before a reading that is only a bound


def tried_levels(
    study: Study, results: Results | None, designs: Sequence[Design], best: Optimum | None
) -> tuple[TriedRange, ...]:
    """Each ingredient and factor: what is allowed, and where the batches made, or without any the trials, stand."""
    if results is not None and len(results.usable):
        levels, names = results.levels(), [str(t) for t in results.batches.loc[results.usable, "trial"]]
    elif designs:
        levels = pd.concat([one.table for one in designs])
        names = [str(t) for t in levels.index]
    else:
        return ()
    rounds = {str(trial): one.round for one in designs for trial in one.table.index}
    now = best.levels.iloc[0] if best is not None else None
    units = {f.name: f.unit for f in study.factors}
    return tuple(
        TriedRange(
            name=name,
            unit=units.get(name, study.unit),
            allowed=study.region.reach[name],
            points=tuple((trial, v) for trial, v in _levels_of(levels, name, names)),
            now=None if now is None else float(now[name]),
            rounds=tuple(rounds.get(trial, 0) for trial, _ in _levels_of(levels, name, names)),
            weighed=_weighed(study, results, name),
        )
        for name in study.region.names
    )


def _weighed(study: Study, results: Results | None, name: str) -> float | None:
    """The step of an ingredient's levels on its balance; None where any were given themselves, not in grams."""
    if results is None or name not in {item.name for item in study.ingredients} or not len(results.usable):
        return None
    if results.batches.loc[results.usable, "weighed_g"].isna().any():
        return None
    levels = [float(level) for level in results.levels()[name] if known(level)]
    return max((step_of(study, level) for level in levels), default=None)


def _levels_of(levels: pd.DataFrame, name: str, trials: Sequence[str]) -> list[tuple[str, float]]:
    """(trial, level) of one column; a round that did not know it yet has none."""
    if name not in levels:
        return []
    return [(trial, float(v)) for trial, v in zip(trials, levels[name], strict=True) if known(v) is not None]


def batch_rows(study: Study, results: Results | None) -> tuple[BatchRow, ...]:
    """Every batch as made, in the order recorded, with what was read of it."""
    if results is None:
        return ()
    rows = []
    readings, asked = results.counted, {one.name: one for one in study.responses}
    taken = {r.name: observed(study, results, r)[0] for r in study.responses if r.is_derived}
    places = {str(name): common_places(group) for name, group in readings.groupby("response")["value"]}
    for batch, row in results.batches.iterrows():
        own = readings[readings["batch"] == batch]
        said = {}
        for name, group in own.groupby("response"):
            response = asked.get(str(name))
            each = [_reading(r, response, places.get(str(name))) for _, r in group.iterrows()]
            is_curve = response is not None and response.kind == "curve"
            said[str(name)] = _curve(each) if is_curve else "; ".join(each)
        for name, frame in taken.items():
            for _, found in frame[frame.index == batch].iterrows():
                said[name] = _taken(found)
        order = known(row["order"])
        rows.append(
            BatchRow(
                batch=str(batch),
                trial=str(row["trial"]),
                state=str(row["state"]),
                why=str(known(row["why"]) or ""),
                order=None if order is None else float(order),
                day=str(known(row["day"]) or ""),
                levels={name: row[name] for name in study.columns},
                readings=said,
            )
        )
    return tuple(rows)


def _curve(each: Sequence[str]) -> str:
    """The readings of a curve in short: from the first to the last, in one line."""
    return each[0] if len(each) == 1 else f"{each[0]}\u00a0to\u00a0{each[-1]}"


def _taken(row: pd.Series) -> str:
    """What was taken from a batch's curve, to three digits."""
    return f"{_SIGNS.get(str(row['bound']), '')}{row['value']:.3g}"


def _reading(row: pd.Series, response: Response | None, places: int | None) -> str:
    value = known(row["value"])
    if value is None:
        return str(known(row["flag"]) or "not measured")
    text = str(value)
    if isinstance(value, int | float):
        text = exactly(value) if places is None else plain(value, places)
    if response is not None and isinstance(value, int | float) and (response.kind == "pass" or grades.named(response)):
        text = grades.as_read(response, float(value), float(value))
    return f"{_SIGNS.get(str(row['bound']), '')}{text}"


def place_in_order(results: Results) -> dict[str, float]:
    """Each batch's place in the order of making: round by round, then the order within it, else as recorded."""
    batches = results.batches
    keys = [
        (_number(row["round"]), _number(row["order"]), i, str(batch))
        for i, (batch, row) in enumerate(batches.iterrows())
    ]
    return {batch: float(place) for place, (_, _, _, batch) in enumerate(sorted(keys), 1)}


def _number(value: Any) -> float:
    return float(value) if isinstance(value, int | float) and value == value else 0.0
