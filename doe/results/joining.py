"""Results on record joined with new ones: what stands there already is left out, what contradicts it is refused."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd

from doe.bench.drafts import USABLE
from doe.definition.cells import typed_form
from doe.problems import Problem, ResultsError, listed
from doe.results.resultset import (
    BATCH_COLUMNS,
    READING_COLUMNS,
    READING_KEY,
    Results,
    typed_batches,
    typed_readings,
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
