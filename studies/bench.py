"""A simulated bench: makes and measures the batches of a plan, with the scatter a real one has. Data are invented.

An example gives the physics as `truth`; this module adds batch-to-batch and reading scatter, seeded, and writes
the table that `record` takes.
"""

from __future__ import annotations

import io
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.bench import bench as book_plan

if TYPE_CHECKING:
    from doe import Study

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Measure:
    """How a response scatters: on the log scale or not, between batches, between readings of one batch.

    `batch_sd` and `reading_sd` are in the response's unit, or relative where `log`. `batch_on` says how the
    deviation common to a batch (a standard normal: how well its gum took up water) moves it, in `batch_sd`. With
    no `readings` it is a property of the batch that only a curve shows.
    """

    log: bool
    batch_sd: float
    reading_sd: float = 0.0
    digits: int = 3
    readings: int = 1
    batch_on: float = 0.0


@dataclass(frozen=True, slots=True)
class Curve:
    """A flow curve as a rheometer reads it: yield value + consistency x rate^index (Herschel & Bulkley 1926).

    `yield_value` and `consistency` name columns of the truth; each stress scatters by `reading_sd`, relative.
    `rates` [1/s] are those of the study.
    """

    name: str
    yield_value: str
    consistency: str
    index: float
    rates: tuple[float, ...]
    reading_sd: float


@dataclass(frozen=True, slots=True)
class Bench:
    """A simulated bench: `truth` maps a frame of levels to a frame of the true value of each response."""

    truth: Callable[[pd.DataFrame], pd.DataFrame]
    measures: Mapping[str, Measure]
    seed: int = 34
    curves: tuple[Curve, ...] = ()

    def batches(self, levels: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
        """True values of one new batch of each row of `levels`: the truth and what differs between batches."""
        values = self.truth(levels)
        common = rng.standard_normal(len(levels))
        for name, how in self.measures.items():
            own = np.sqrt(max(0.0, 1.0 - how.batch_on**2)) * rng.standard_normal(len(levels))
            values[name] = _moved(values[name].to_numpy(float), how.log, how.batch_sd * (how.batch_on * common + own))
        return values

    def readings(self, levels: pd.DataFrame, batch: int = 1) -> pd.DataFrame:
        """The table for `record`: a row a reading, columns trial, batch, reading and the responses.

        `levels` is indexed by trial id. A curve has a row for each rate, which stands under speed. Each trial has a
        random stream of its own, so that a batch comes out the same whatever is made beside it.
        """
        rows = []
        for trial in levels.index:
            one = levels.loc[[trial]]
            stream = np.random.SeedSequence([self.seed, zlib.crc32(str(trial).encode()), batch])
            rng = np.random.default_rng(stream)
            made = self.batches(one, rng).iloc[0]
            for reading in range(max(how.readings for how in self.measures.values())):
                row: dict[str, object] = {"trial": trial, "batch": f"{trial}-{batch}", "reading": reading + 1}
                for name, how in self.measures.items():
                    shift = how.reading_sd * rng.standard_normal(1)
                    if reading < how.readings:
                        read = float(_moved(np.array([made[name]]), how.log, shift)[0])
                        row[name] = _rounded(read, how)
                rows.append(row)
            for curve in self.curves:
                key = {book_plan.TRIAL: trial, book_plan.BATCH: f"{trial}-{batch}", book_plan.READING: 1}
                rows += [key | point for point in _points(curve, made, rng)]
        return pd.DataFrame(rows)

    def chance(self, study: Study, levels: pd.DataFrame, draws: int = 4000, seed: int = 1) -> float:
        """The true share of new batches of one formula (one-row `levels`) that meet every fitted must."""
        many = levels.loc[levels.index.repeat(draws)].reset_index(drop=True)
        made = self.batches(many, np.random.default_rng(seed))
        good = np.ones(draws, dtype=bool)
        for response in study.fitted_responses:
            if response.is_must:
                value = made[response.name].to_numpy(float)
                good &= (value >= (-np.inf if response.low is None else response.low)) & (
                    value <= (np.inf if response.high is None else response.high)
                )
        return float(good.mean())


def _points(curve: Curve, made: pd.Series[float], rng: np.random.Generator) -> list[dict[str, object]]:
    """The points of one curve of one batch, speed and stress."""
    rates = np.asarray(curve.rates)
    stress = made[curve.yield_value] + made[curve.consistency] * rates**curve.index
    read = stress * np.exp(curve.reading_sd * rng.standard_normal(len(rates)))
    return [
        {book_plan.SPEED: rate, curve.name: float(f"{value:.3g}")}
        for rate, value in zip(curve.rates, read, strict=True)
    ]


def fill_workbook(content: bytes, readings: pd.DataFrame, lost: float) -> bytes:
    """A bench workbook as issued, typed into: weights, water lost (a fraction) and made up, and the readings.

    `readings` is a table as `Bench.readings` gives it. Small amounts are weighed to the last digit of their target,
    large ones (over 50 g) to about 0.05 g. Where nothing is lost nothing is heated: no weights after that are written.
    """
    import openpyxl  # heavy: only where a workbook is filled

    book = openpyxl.load_workbook(io.BytesIO(content))
    rng = np.random.default_rng(3)
    charged: dict[object, float] = {}
    for cells in _rows(book, book_plan.WEIGH_SHEET):
        target = cells[book_plan.TARGET].value
        if isinstance(target, int | float):
            actual = round(float(target) + (0.05 * float(rng.standard_normal()) if target > 50 else 0.0), 2)
            cells[book_plan.ACTUAL].value = actual
            trial = cells[book_plan.TRIAL].value
            charged[trial] = charged.get(trial, 0.0) + actual
    for cells in _rows(book, book_plan.MAKE_SHEET):
        trial = cells[book_plan.TRIAL].value
        if trial in charged and lost:
            cells[book_plan.AFTER_HEAT].value = round((1.0 - lost) * charged[trial], 1)
            cells[book_plan.MADE_UP].value = cells[book_plan.MAKE_UP].value
    _fill_readings(_rows(book, book_plan.READ_SHEET), readings)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _rows(book: Any, sheet: str) -> list[dict[str, Any]]:
    """The cells of a sheet by heading, without the unit in square brackets; none where there is no such sheet."""
    if sheet not in book.sheetnames:
        return []
    lines = book[sheet].iter_rows()
    heads = [str(cell.value).partition(" [")[0] for cell in next(lines)]
    return [dict(zip(heads, cells, strict=True)) for cells in lines]


def _fill_readings(rows: list[dict[str, Any]], readings: pd.DataFrame) -> None:
    first = {_place(row): row for row in rows if row[book_plan.TRIAL].value is not None}
    spare = iter([row for row in rows if row[book_plan.TRIAL].value is None])
    key = (book_plan.TRIAL, book_plan.BATCH, book_plan.READING, book_plan.SPEED)
    named = [name for name in readings.columns if name not in key]
    for reading in readings.to_dict("records"):
        number, making = int(reading[book_plan.READING]), int(str(reading[book_plan.BATCH]).rpartition("-")[2])
        speed = reading.get(book_plan.SPEED)
        at = None if speed is None or pd.isna(speed) else float(speed)
        for name in (name for name in named if pd.notna(reading[name])):
            row = first[reading[book_plan.TRIAL], name, at] if number == making == 1 else next(spare, None)
            if row is None:
                continue  # a full sheet: someone at a bench would leave further readings of the same jar out
            row[book_plan.TRIAL].value, row[book_plan.RESPONSE].value = reading[book_plan.TRIAL], name
            row[book_plan.BATCH].value, row[book_plan.READING].value = making, number
            row[book_plan.VALUE].value = reading[name]


def _place(row: Mapping[str, Any]) -> tuple[object, object, float | None]:
    """The trial, the response and, on a curve, the speed that a row of the readings is for."""
    speed = row[book_plan.SPEED].value if book_plan.SPEED in row else None
    return row[book_plan.TRIAL].value, row[book_plan.RESPONSE].value, None if speed is None else float(speed)


def _moved(values: Array, log: bool, shift: Array) -> Array:
    return values * np.exp(shift) if log else values + shift


def _rounded(value: float, how: Measure) -> float:
    if not how.log:
        return round(value, how.digits)
    return float(f"{value:.{how.digits}g}")
