"""Results as they stand in a study folder, joined with new ones, and carried over to a changed definition."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.bench.drafts import USABLE
from doe.bench.levels import range_findings
from doe.definition.categories import NONE
from doe.definition.cells import same_unit, typed_form
from doe.definition.parts import Factor, Ingredient
from doe.problems import Problem, ResultsError, listed
from doe.recipes.composition import fixed_range
from doe.results.dropped import GONE_SHARE, Out, dropped, dropped_findings, fixed_elsewhere, none_left
from doe.results.resultset import (
    BATCH_COLUMNS,
    BATCH_NOTES,
    BATCH_NUMBERS,
    READING_COLUMNS,
    READING_KEY,
    Results,
    typed_batches,
    typed_readings,
    unit_and_kind,
)
from doe.tables.tables import unguarded

if TYPE_CHECKING:
    from doe.study import Study


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


def joined(stored: Results, new: Results) -> Results:
    """Both together: rows of `new` after those of `stored`, what stands there already left out.

    Raises `ResultsError` where a reading was recorded with another value, or a historical table was recorded before.
    """
    problems = _recorded_before(stored, new)
    keep, findings = _new_readings(stored, new, problems)
    if problems:
        raise ResultsError(problems)
    columns = tuple(dict.fromkeys((*stored.columns, *new.columns)))
    lots = [c for c in dict.fromkeys((*stored.batch_rows, *new.batch_rows)) if str(c).startswith("lot: ")]
    names = [*BATCH_COLUMNS, *columns, *lots]
    rows = _records(stored.batch_rows, names)
    last = dict(rows)
    for batch, row in _records(new.batch_rows, names):
        merged = row if batch not in last else _merged(last[batch], row)
        if batch in last and _was_restored(batch, row, rows):
            merged |= {name: last[batch][name] for name in ("state", "why")}
            findings.append(Problem("restored-before", "inform", batch, f"{row['state']}: {row['why']}", "",
                                    "it was restored since and stays so; mend the table"))  # fmt: skip
        if batch in last:
            findings += _moved(batch, last[batch], merged, [*columns, *lots])
        if last.get(batch) != merged:
            rows.append((batch, merged))
            last[batch] = merged
    frame = pd.DataFrame([row for _, row in rows], columns=names)
    frame.index = pd.Index([batch for batch, _ in rows], name="batch", dtype=object)
    readings = pd.DataFrame(
        [*stored.readings.to_dict("records"), *new.readings.iloc[keep].to_dict("records")],
        columns=list(READING_COLUMNS),
    )
    told = (*stored.findings, *new.findings, *findings)
    return Results(typed_readings(readings), typed_batches(frame), columns, told)


_MEASURED = ["value", "bound", "value_to"]


def _new_readings(stored: Results, new: Results, problems: list[Problem]) -> tuple[list[int], list[Problem]]:
    """Which of the new readings are to be added; what contradicts the record goes to `problems`.

    A workbook may come again: a reading that stands there is left out, also one that was corrected since. A reading
    that was not measured, or is told differently (a flag, a note), is a later row.
    """
    past: dict[tuple[object, ...], list[tuple[object, ...]]] = {}
    told: dict[tuple[object, ...], tuple[object, ...]] = {}
    for key, measured, words in _keyed(stored):
        past.setdefault(key, []).append(measured)
        told[key] = words
    keep, corrected = [], []
    for place, (key, measured, words) in enumerate(_keyed(new)):
        before = past.get(key)
        if before is None or before[-1][0] is None is not measured[0]:
            keep.append(place)
        elif measured == before[-1]:
            if words != told[key] and any(words):
                keep.append(place)
        elif measured in before:
            corrected.append(f"{key[1]} of {key[0]}: {typed_form(*measured)}, corrected to {typed_form(*before[-1])}")  # type: ignore[arg-type]
        elif measured[0] is not None:
            got, allowed = typed_form(*measured), f"{typed_form(*before[-1])}, as recorded before"  # type: ignore[arg-type]
            problems.append(Problem("recorded-before", "stop", f"{key[1]} of {key[0]}, reading {key[2]}", got, allowed,
                                    "use --correct with a reason, or number it as another reading"))  # fmt: skip
    findings = [
        Problem(
            "corrected-before", "inform", "table", listed(corrected), "", "the corrected value stays; mend the table"
        )
    ]
    return keep, findings if corrected else []


def _keyed(results: Results) -> list[tuple[tuple[object, ...], tuple[object, ...], tuple[object, ...]]]:
    """Each reading as what it is of, what was measured, and what else is said of it."""
    frame = results.readings
    missing = frame[_MEASURED].astype(object).where(frame[_MEASURED].notna(), None)
    return list(
        zip(
            frame[READING_KEY].itertuples(index=False, name=None),
            missing.itertuples(index=False, name=None),
            frame[["flag", "note"]].itertuples(index=False, name=None),
            strict=True,
        )
    )


def _moved(batch: str, before: Mapping[str, object], now: Mapping[str, object], names: list[str]) -> list[Problem]:
    """Levels and lots of a batch that are on record otherwise: taken, and said, so that nothing changes in silence."""
    changed = [
        f"{name} {before[name]:.6g} to {now[name]:.6g}"
        if isinstance(now[name], float)
        else f"{name} {before[name]} to {now[name]}"
        for name in names
        if before[name] is not None and _differs(before[name], now[name])
    ]
    if not changed:
        return []
    return [
        Problem("made-otherwise", "warn", batch, "now made otherwise than recorded: " + listed(changed),
                "what was recorded before", "the new levels count, the old row is kept; check that they are right")
    ]  # fmt: skip


def _differs(one: object, other: object) -> bool:
    if isinstance(one, float) and isinstance(other, float):
        return abs(one - other) > 1e-6 * max(1.0, abs(one))
    return one != other


def _records(frame: pd.DataFrame, names: list[str]) -> list[tuple[str, dict[str, object]]]:
    whole = frame.reindex(columns=names).astype(object)
    whole = whole.where(whole.notna(), None)
    return list(zip(frame.index, whole.to_dict("records"), strict=True))  # type: ignore[arg-type]


def _merged(old: Mapping[str, object], new: Mapping[str, object]) -> dict[str, object]:
    """What is known of a batch after new words of it; a batch set aside stays so until it is restored."""
    out = {name: old[name] if value is None else value for name, value in new.items()}
    if old["state"] not in USABLE and new["state"] in USABLE:
        out["state"], out["why"] = old["state"], old["why"]
    return out


def _was_restored(batch: str, row: Mapping[str, object], rows: Sequence[tuple[str, Mapping[str, object]]]) -> bool:
    """Whether a batch was put out for this very reason before, and counts again since."""
    past = [old for name, old in rows if name == batch]
    told = (row["state"], row["why"])
    return told[0] not in USABLE and past[-1]["state"] in USABLE and told in [(o["state"], o["why"]) for o in past]


def _recorded_before(stored: Results, new: Results) -> list[Problem]:
    """A historical table that stands there already, row for row."""

    def rows(results: Results) -> dict[tuple[object, ...], str]:
        past = results.batches[results.batches["round"] == 0]
        values = {
            batch: tuple(sorted(zip(group["response"], group["value"], strict=True), key=str))
            for batch, group in results.counted.groupby("batch", sort=False)
        }
        return {
            (source, tuple(levels), values.get(batch)): batch
            for batch, source, levels in zip(
                past.index,
                past["source_id"],
                past[sorted(results.columns)].itertuples(index=False, name=None),
                strict=True,
            )
        }

    before, now = rows(stored), rows(new)
    again = [now[row] for row in now if row in before]
    if not again:
        return []
    return [
        Problem(
            "recorded-before",
            "stop",
            "table",
            f"{len(again)} rows that were recorded before",
            "each batch once",
            "send only the new rows",
        )
    ]


def carried(study: Study, stored: Results) -> Results:
    """Stored results in terms of the present definition; what it cannot express is out, with the reason as a finding.

    A renamed ingredient or factor follows `was`; an ingredient that is no longer there is out where its level was not
    0; one that is new was 0; a factor that is new was not set, so those batches are out. Readings in another unit, by
    another method or of another kind are out. Targets do not matter here. Nothing stored is changed.
    """
    frame = stored.batch_rows.copy()
    findings: list[Problem] = []
    out: dict[str, Out] = {}
    _rename(study, frame)
    last = ~frame.index.duplicated(keep="last")
    known = {*BATCH_COLUMNS, *study.columns}
    for name in [str(c) for c in frame.columns if c not in known and not str(c).startswith("lot: ")]:
        _take_out(out, findings, *dropped(name, frame.pop(name)[last]))
    for item in study.ingredients:
        if item.name not in frame:
            frame[item.name] = 0.0
        frame[item.name] = frame[item.name].fillna(0.0)
        if item.role == "fixed":
            least, most = fixed_range(study, item)
            if most == 0:
                _take_out(out, findings, *dropped(item.name, frame.loc[last, item.name], fixed=True))
                continue
            room = GONE_SHARE * study.total + 5e-2 * (item.level or 0.0)
            off = last & ~frame[item.name].between(least - room, most + room)
            out |= dict.fromkeys(map(str, frame.index[off]), fixed_elsewhere(item))
    for factor in study.factors:
        if factor.of is not None and NONE in factor.levels and factor.name in frame:
            frame.loc[frame[factor.name].isna() & (frame[factor.of] == 0), factor.name] = NONE
        _carry_factor(frame, last, factor.name, factor.levels, out)
    usable = frame.index[last & frame["state"].isin(USABLE)]
    for batch, one in out.items():
        if frame.loc[[batch], "state"].isin(USABLE).any():
            frame.loc[[batch], ["state", "why"]] = ["set aside", one.why]
    findings += dropped_findings(out)
    if len(usable) and set(usable) <= set(out):
        findings.append(none_left([out[batch] for batch in usable]))
    lots = [str(c) for c in frame.columns if str(c).startswith("lot: ")]
    rows = typed_batches(frame[[*BATCH_COLUMNS, *study.columns, *lots]])
    readings = _carry_readings(study, stored.readings, findings)
    result = Results(readings, rows, study.columns, ())
    levels = {str(batch): dict(row) for batch, row in result.levels().T.items()}
    findings += range_findings(study, levels)
    return Results(readings, rows, study.columns, (*stored.findings, *findings))


def _take_out(
    out: dict[str, Out], findings: list[Problem], found: Mapping[str, Out], said: Sequence[Problem]
) -> None:  # fmt: skip
    out |= found
    findings += said


def _rename(study: Study, frame: pd.DataFrame) -> None:
    parts: list[Ingredient | Factor] = [*study.ingredients, *study.factors]
    for part in parts:
        for old in part.was:
            for before, after in ((old, part.name), (f"lot: {old}", f"lot: {part.name}")):
                if before in frame and after in frame:
                    frame[after] = frame[after].where(frame[after].notna(), frame[before])
                    del frame[before]
                elif before in frame:
                    frame.insert(list(frame.columns).index(before), after, frame.pop(before))


def _carry_factor(
    frame: pd.DataFrame, last: npt.NDArray[np.bool_], name: str, levels: tuple[str, ...], out: dict[str, Out]
) -> None:  # fmt: skip
    if name not in frame:
        frame[name] = None if levels else float("nan")
    unset = last & frame[name].isna()
    new = Out(f"{name} was not a factor then", f"without {name} they count")
    out |= dict.fromkeys(map(str, frame.index[unset]), new)
    if not levels:
        frame[name] = pd.to_numeric(frame[name], errors="coerce")
        return
    frame[name] = [f"{v:g}" if isinstance(v, float) else v for v in frame[name]]
    gone = last & ~unset & ~frame[name].isin(levels)
    for batch, was in frame.loc[gone, name].items():
        why = f"{name} was {was}, which is no longer a level"
        out[str(batch)] = Out(why, f"with {was} among its levels they count")


def _carry_readings(study: Study, readings: pd.DataFrame, findings: list[Problem]) -> pd.DataFrame:
    """Readings of responses as they are measured now; the others out, each reason said once."""
    keep = pd.Series(True, index=readings.index)
    for name, rows in readings.groupby("response", sort=False):
        response = next((r for r in study.responses if r.name == name), None)
        if response is None:
            keep[rows.index] = False
            findings.append(
                Problem(
                    "out",
                    "inform",
                    str(name),
                    f"{len(rows)} readings of a response no longer in the study",
                    "",
                    "kept in the folder, not fitted",
                )
            )
            continue
        unit, kind = unit_and_kind(response)
        for what, then, now in (
            ("kind", rows["kind"], kind),
            ("unit", rows["unit"], unit),
            ("method", rows["method"], response.method),
        ):
            same = then.map(
                lambda text, now=now, what=what: text == now or (what == "unit" and same_unit(str(text), now))
            )
            if not same.all():
                keep[rows.index[~same]] = False
                was = then[~same].iloc[0] or "none"
                findings.append(
                    Problem(
                        "out",
                        "warn",
                        str(name),
                        f"{int((~same).sum())} readings, {what} then: {was}",
                        f"{what} now: {now or 'none'}",
                        "left out of the fit; kept in the folder",
                    )
                )
    return readings[keep].reset_index(drop=True)
