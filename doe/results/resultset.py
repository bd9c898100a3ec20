"""The record of results: readings and batches as they came, and what counts of them."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doe.bench.bench import DO_NOT_USE
from doe.bench.drafts import USABLE
from doe.bench.headings import meant_id
from doe.bench.readings import TORQUE_FLAG
from doe.definition.parts import Response
from doe.definition.readingcells import grade_values
from doe.problems import Problem, ResultsError
from doe.shown import Shown
from doe.tables.tables import csv_text

READING_COLUMNS = (
    "trial", "batch", "reading", "response", "value", "bound", "value_to", "unit", "kind", "method", "speed",
    "torque_pct", "read_at", "age_h", "operator", "session", "flag", "note",
)  # fmt: skip
# What the bench wrote down of a batch besides its recipe.
BATCH_NOTES = (
    "made_at", "operator", "weighed_g", "after_heat_g", "made_up_to_g", "ph_before", "ph_after", "note",
)  # fmt: skip
BATCH_COLUMNS = (
    "trial", "round", "state", "why", "day", "order", "block", "whole_plot", "source_id", "replicate_group",
    *BATCH_NOTES,
)  # fmt: skip
BATCH_NUMBERS = ("weighed_g", "after_heat_g", "made_up_to_g", "ph_before", "ph_after")
READING_KEY = ["batch", "response", "reading", "speed"]
UNUSED_FLAGS = (TORQUE_FLAG, DO_NOT_USE)


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Results(Shown):
    """Readings and batches as they came, nothing lost: a correction is a later row, and the last row counts.

    `readings` has one row a reading (columns `READING_COLUMNS`; `value` is None where something was not measured);
    `batch_rows` one row each time something was written down of a batch, indexed by batch id (`BATCH_COLUMNS`, then
    the level columns as made, in the study's unit, then lots). `columns` are the level columns. `findings` are what
    was noticed. Treat the frames as read-only.
    """

    readings: pd.DataFrame
    batch_rows: pd.DataFrame
    columns: tuple[str, ...]
    findings: tuple[Problem, ...] = ()

    @property
    def batches(self) -> pd.DataFrame:
        """One row a batch, indexed by batch id: the last that was written down of it."""
        return self.batch_rows[~self.batch_rows.index.duplicated(keep="last")]

    @property
    def counted(self) -> pd.DataFrame:
        """The readings that count: corrected ones in their last form."""
        return self.readings[~self.readings.duplicated(READING_KEY, keep="last")]

    @property
    def usable(self) -> pd.Index:
        """Ids of the batches that were made and not set aside."""
        batches = self.batches
        return batches.index[batches["state"].isin(USABLE)]

    @property
    def digest(self) -> str:
        """SHA-256 of both tables as they are written."""
        return hashlib.sha256((readings_csv(self) + "\x1f" + batches_csv(self)).encode()).hexdigest()

    def levels(self, batches: Iterable[str] | None = None) -> pd.DataFrame:
        """Levels as made of usable batches (or of those named), indexed by batch id, columns as in the study."""
        wanted = self.usable if batches is None else list(batches)
        return self.batches.loc[wanted, list(self.columns)]

    def made(self) -> pd.DataFrame | None:
        """Levels as made of usable batches with their round, block and whole_plot, for plans that build on them.

        None where there are none.
        """
        names = [*self.columns, "round", "block", "whole_plot"]
        return self.batches.loc[self.usable, names] if len(self.usable) else None

    def observed(self, response: str) -> pd.DataFrame:
        """What was read of one response, a row for each usable batch that was read, indexed by batch id.

        `value` is the mean of the batch's readings. Where one of them is a bound, so is the mean: `bound` is below,
        above or between (`value` to `value_to`). Also n_readings, reading_sd (NaN for a single reading), trial,
        block, whole_plot, order, replicate_group.
        """
        rows = self.counted
        rows = rows[(rows["response"] == response) & rows["value"].notna() & rows["batch"].isin(self.usable)]
        rows = rows[~rows["flag"].isin(UNUSED_FLAGS)]
        seen = {str(batch): _mean(group) for batch, group in rows.groupby("batch", sort=False)}
        order = [batch for batch in self.batches.index if batch in seen]
        out = pd.DataFrame(
            [seen[batch] for batch in order],
            index=pd.Index(order, name="batch", dtype=object),
            columns=["value", "bound", "value_to", "n_readings", "reading_sd"],
        )
        return out.join(self.batches[["trial", "block", "whole_plot", "order", "replicate_group"]])

    def without(self, trials: Iterable[str]) -> Results:
        """The results without some trials, named by trial, batch or their own id in a historical table.

        Raises `ResultsError` for a name that is none of them.
        """
        gone = set(trials)
        rows = self.batch_rows
        known = set(rows["trial"]) | set(rows.index) | set(rows["source_id"].dropna())
        if gone - known:
            allowed, names = "a trial that was made", sorted(known)
            raise ResultsError(
                Problem("unknown-trial", "stop", "without", name, allowed, meant_id(name, names) or "check the name")
                for name in sorted(gone - known)
            )
        out = rows["trial"].isin(gone) | rows.index.isin(gone) | rows["source_id"].isin(gone)
        keep = rows[~out]
        readings = self.readings[self.readings["batch"].isin(keep.index)]
        return Results(readings.reset_index(drop=True), keep, self.columns, self.findings)

    def __str__(self) -> str:
        return f"Results: {len(self.batches)} batches ({len(self.usable)} usable), {len(self.readings)} readings"

    __repr__ = __str__


def _mean(rows: pd.DataFrame) -> tuple[float, str, float, int, float]:
    """Mean of readings, some of them bounds: value, bound, value_to, number, sd.

    The limits of the mean are the means of the limits.
    """
    value = rows["value"].to_numpy(dtype=float)
    bound = rows["bound"].to_numpy()
    upper_end = rows["value_to"].to_numpy(dtype=float)
    low = np.where(bound == "below", -np.inf, value).mean()
    high = np.where(bound == "above", np.inf, np.where(bound == "between", upper_end, value)).mean()
    seen = value[bound == "none"]
    sd = float(seen.std(ddof=1)) if len(seen) > 1 else float("nan")
    nan = float("nan")
    if low == high:
        return float(low), "none", nan, len(rows), sd
    if np.isfinite(low) and np.isfinite(high):
        return float(low), "between", float(high), len(rows), sd
    if np.isfinite(low):
        return float(low), "above", nan, len(rows), sd
    # Some above and some below say nothing of the mean together: the widest that is true.
    return (float(high), "below", nan, len(rows), sd) if np.isfinite(high) else (-np.inf, "above", nan, len(rows), sd)


def readings_csv(results: Results) -> str:
    """The text of results/readings.csv (RFC 4180)."""
    frame = results.readings
    return csv_text(READING_COLUMNS, list(frame[list(READING_COLUMNS)].itertuples(index=False, name=None)))


def batches_csv(results: Results) -> str:
    """The text of results/batches.csv (RFC 4180)."""
    frame = results.batch_rows
    header = ("trial", "batch", *(name for name in frame.columns if name != "trial"))
    rows = frame.reset_index()[list(header)]
    return csv_text(header, list(rows.itertuples(index=False, name=None)))


def unit_and_kind(response: Response) -> tuple[str, str]:
    """What a stored value of a response is in: its unit (for grades: the grades), and its kind."""
    if response.kind == "grade":
        return "|".join(grade_values(response.grades)), "grade"
    return response.unit, response.kind


def typed_readings(frame: pd.DataFrame) -> pd.DataFrame:
    """The readings with their column types: numbers as floats, text as text ("" where there is none)."""
    frame = frame.copy()
    for name in READING_COLUMNS:
        if name in ("value", "value_to"):
            frame[name] = pd.to_numeric(frame[name]).astype(float)
        elif name == "reading":
            frame[name] = pd.to_numeric(frame[name]).astype(int)
        else:
            frame[name] = frame[name].astype(object)
    return frame


def typed_batches(frame: pd.DataFrame) -> pd.DataFrame:
    """The batches with their column types: text and whole numbers as objects (None where there is none)."""
    frame = frame.copy()
    for name in frame.columns:
        if name in BATCH_COLUMNS or str(name).startswith("lot: "):
            column = frame[name].astype(object)
            frame[name] = column.where(column.notna(), None)
    return frame
