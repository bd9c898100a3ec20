"""Results as they stand in a study folder, read back exactly as they were written."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pandas as pd

from doe.problems import Problem, ResultsError
from doe.results.resultset import (
    BATCH_COLUMNS,
    BATCH_NOTES,
    BATCH_NUMBERS,
    READING_COLUMNS,
    Results,
    typed_batches,
    typed_readings,
)
from doe.tables.tables import unguarded


def stored_results(folder: Path) -> Results:
    """What results/readings.csv and results/batches.csv of a study folder hold, whole, corrections and all.

    Raises `ResultsError` when a file is missing or not as it was written.
    """
    texts = []
    for name in ("readings.csv", "batches.csv"):
        try:
            texts.append((folder / "results" / name).read_bytes().decode("utf-8-sig"))
        except (OSError, UnicodeDecodeError):
            raise _damaged(name) from None
    return parsed_results(*texts)


def parsed_results(readings: str, batches: str) -> Results:
    """Results from the texts that `readings_csv` and `batches_csv` gave; exactly those that were written.

    Raises ResultsError where a text is not such a table any more.
    """
    reading_frame = _frame(readings, "readings.csv", READING_COLUMNS, optional=("read_at",))
    batch_frame = _frame(batches, "batches.csv", ("batch", *BATCH_COLUMNS), optional=BATCH_NOTES)
    try:
        for name in ("value", "value_to"):
            reading_frame[name] = [float(text) if text else None for text in reading_frame[name]]
        batch_frame["round"] = [int(text) for text in batch_frame["round"]]
        batch_frame["order"] = [int(text) if text else None for text in batch_frame["order"]]
        for name in BATCH_NUMBERS:
            batch_frame[name] = [float(text) if text else None for text in batch_frame[name]]
        typed = typed_readings(reading_frame)
    except ValueError:
        raise _damaged("results") from None
    batch_frame = batch_frame.set_index("batch")
    levels = [name for name in batch_frame.columns if name not in BATCH_COLUMNS and not name.startswith("lot: ")]
    for name in batch_frame.columns:
        if name in levels:
            batch_frame[name] = _level_column(list(batch_frame[name]))
        elif name not in ("round", "order", *BATCH_NUMBERS):
            batch_frame[name] = [text or None for text in batch_frame[name]]
    return Results(typed, typed_batches(batch_frame), tuple(levels))


def _level_column(texts: list[str]) -> list[float] | list[str | None]:
    try:
        return [float(text) if text else float("nan") for text in texts]
    except ValueError:
        return [text or None for text in texts]


def _frame(text: str, name: str, needed: tuple[str, ...], optional: tuple[str, ...]) -> pd.DataFrame:
    """The text of a table as a frame of texts; a column that an earlier version did not write yet is empty."""
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    except csv.Error:
        raise _damaged(name) from None
    absent = [column for column in needed if not rows or column not in rows[0]]
    if not rows or not set(absent) <= set(optional) or any(len(row) != len(rows[0]) for row in rows):
        raise _damaged(name)
    cells = [[unguarded(cell) for cell in row] for row in rows]
    frame = pd.DataFrame(cells[1:], columns=cells[0], dtype=object)
    return frame.assign(**dict.fromkeys(absent, "")).astype(object)


def _damaged(name: str) -> ResultsError:
    return ResultsError(
        [
            Problem(
                "damaged",
                "stop",
                f"results/{name}",
                "not as it was written",
                "the file as record wrote it",
                "put back a copy of it, or record the originals again",
            )
        ]
    )
