"""Result tables that someone edited by hand: whether they still are a record that can be read and counted."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

import pandas as pd

from doe.bench.drafts import STATES
from doe.problems import Problem, listed
from doe.results.resultset import Results

_BOUNDS = ("none", "below", "above", "between")


def unsound(results: Results, planned: Iterable[str]) -> tuple[Problem, ...]:
    """What edited tables say that no record says, all at once; nothing where they can be taken as they stand.

    `planned` are the trials of all rounds. Readings have to belong to a batch that stands in the other table, numbers
    to be numbers, states and bounds to be known words. Whether a number is true, only the bench can tell.
    """
    batches = results.batch_rows
    trial_of = dict(zip(batches.index, batches["trial"], strict=True))
    return (
        *_findings("results/batches.csv", _batches(batches, set(planned))),
        *_findings("results/readings.csv", _readings(results.readings, trial_of)),
    )


def _findings(where: str, found: Iterator[tuple[str, str, str]]) -> Iterator[Problem]:
    """Alike faults as one."""
    alike: dict[tuple[str, str], list[str]] = {}
    for which, got, allowed in found:
        alike.setdefault((got, allowed), []).append(which)
    for (got, allowed), names in alike.items():
        yield Problem("edited-wrong", "stop", where, f"{listed(names)}: {got}", allowed, "mend the table, then repeat")


def _batches(rows: pd.DataFrame, planned: set[str]) -> Iterator[tuple[str, str, str]]:
    for batch, trial, number, state in zip(rows.index, rows["trial"], rows["round"], rows["state"], strict=True):
        if not batch or not trial:
            yield f"{batch or trial or 'a row'}", "no batch or no trial is named", "both"
        if state not in STATES:
            yield str(batch), f"state {state}", " or ".join(STATES)
        if number and trial not in planned:
            yield str(batch), f"trial {trial} of round {number}, which no plan has", "trials of the plans"
    for name in rows.select_dtypes("number"):
        for batch in rows.index[~rows[name].map(lambda value: math.isfinite(value) or math.isnan(value))]:
            yield str(batch), f"{name} is no finite number", "a number"


def _readings(rows: pd.DataFrame, trial_of: dict[str, str]) -> Iterator[tuple[str, str, str]]:
    columns = ("trial", "batch", "reading", "response", "value", "bound", "value_to")
    for trial, batch, number, response, value, bound, upper in rows[list(columns)].itertuples(index=False, name=None):
        which = f"{response} of {batch}"
        if trial_of.get(batch) != trial:
            allowed = "a batch of that trial in results/batches.csv"
            yield which, f"batch {batch} of trial {trial}, which is not recorded", allowed
        if number < 1:
            yield which, f"reading {number}", "1, 2, ..."
        if bound not in _BOUNDS:
            yield which, f"bound {bound}", " or ".join(_BOUNDS)
        elif (bound == "between") != (not math.isnan(upper)):
            yield which, "value_to without between, or between without it", "both or neither"
        if math.isinf(value) or math.isinf(upper):
            yield which, "is no finite number", "a number, or nothing where it was not measured"
        elif bound == "between" and not upper > value:
            yield which, f"between {value:g} and {upper:g}", "the lower number first"
