"""Setting batches aside, restoring them, correcting readings: new rows after the old ones, each with its reason."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

import pandas as pd

from doe.bench.drafts import USABLE
from doe.bench.headings import meant_id, nearest_name
from doe.definition.cells import Entry, Refusal
from doe.definition.readingcells import read_reading
from doe.problems import Problem, ResultsError
from doe.results.resultset import Results, typed_batches, typed_readings

if TYPE_CHECKING:
    from doe.study import Study


def set_aside(results: Results, which: Iterable[str], why: str, *, state: str = "set aside") -> Results:
    """The results with some trials or batches not counting any more; `state` may also be failed or unmakeable.

    Raises `ResultsError` for an unknown name or without a reason.
    """
    return _marked(results, which, why, state)


def restore(results: Results, which: Iterable[str], why: str) -> Results:
    """The results with batches that were set aside counting again. Raises `ResultsError` as `set_aside` does."""
    return _marked(results, which, why, "made")


def _marked(results: Results, which: Iterable[str], why: str, state: str) -> Results:
    """The results with batches put into another `state`, a row each; raises ResultsError with all that is wrong."""
    problems = _no_reason(why)
    chosen: list[str] = []
    batches = results.batches
    for name in which:
        found = list(
            batches.index[(batches.index == name) | (batches["trial"] == name) | (batches["source_id"] == name)]
        )
        if not found:
            problems.append(_unknown(name, batches))
        chosen += [batch for batch in found if batch not in chosen]
    now = batches["state"]
    already = [batch for batch in chosen if now[batch] == state or (now[batch] in USABLE and state in USABLE)]
    if chosen and len(already) == len(chosen):
        word = "counts already" if state in USABLE else f"is {state} already"
        problems.append(
            Problem(
                "nothing-to-do", "stop", "record", f"{', '.join(already)} {word}", "a batch to change", "check the name"
            )
        )
    if problems:
        raise ResultsError(problems)
    rows = batches.loc[[batch for batch in chosen if batch not in already]].copy()
    rows["state"], rows["why"] = state, why.strip()
    records = [*results.batch_rows.to_dict("records"), *rows.to_dict("records")]
    frame = pd.DataFrame(records, columns=list(results.batch_rows.columns))
    frame.index = pd.Index([*results.batch_rows.index, *rows.index], name="batch", dtype=object)
    return Results(results.readings, typed_batches(frame), results.columns, results.findings)


def correct(
    study: Study, results: Results, which: str, response: str, typed: object, why: str, *, reading: int | None = None
) -> Results:
    """The results with one reading corrected: a row is added, the old one stays.

    `which` is a trial or batch, `typed` the new value as it would stand in a table. Raises `ResultsError` where it is
    not clear which reading is meant.
    """
    problems = _no_reason(why)
    names = [r.name for r in study.measured_responses]
    wanted = next((r for r in study.responses if r.name == response and r in study.measured_responses), None)
    entry: Entry | Refusal | None = None
    if wanted is None:
        problems.append(
            Problem(
                "unknown-response",
                "stop",
                "record",
                repr(response),
                ", ".join(names),
                nearest_name(response, names) or "name a response of the study",
            )
        )
    else:
        entry = read_reading(typed, wanted)
        if isinstance(entry, Refusal):
            problems.append(
                Problem("bad-reading", "stop", f"{response} of {which}", entry.got, entry.allowed, entry.do)
            )
    rows = results.counted
    batches = results.batches
    is_known = ((batches.index == which) | (batches["trial"] == which) | (batches["source_id"] == which)).any()
    if not is_known:
        problems.append(_unknown(which, batches))
    own = batches.index[batches["source_id"] == which]
    mine = (rows["batch"] == which) | (rows["trial"] == which) | rows["batch"].isin(own)
    rows = rows[mine & (rows["response"] == response)]
    if reading is not None:
        rows = rows[rows["reading"] == reading]
    if wanted is not None and is_known and len(rows) != 1:
        got = (
            "no reading"
            if rows.empty
            else f"{len(rows)} readings: "
            + ", ".join(
                f"{batch} reading {number}" for batch, number in zip(rows["batch"], rows["reading"], strict=True)
            )
        )
        problems.append(
            Problem(
                "unclear-reading",
                "stop",
                f"{response} of {which}",
                got,
                "one reading",
                "name the batch and the reading" if len(rows) else "record it instead",
            )
        )
    if not problems and isinstance(entry, Entry) and _is_so_already(rows.iloc[0].to_dict(), entry):
        got, do = f"it is {entry.missing or entry.shown} already", "check the batch and the value"
        problems.append(Problem("nothing-to-do", "stop", f"{response} of {which}", got, "another value", do))
    if problems or not isinstance(entry, Entry):
        raise ResultsError(problems)
    row = rows.iloc[0].to_dict()
    flag = entry.missing or "corrected"
    row |= {"value": entry.value, "bound": entry.bound, "value_to": entry.value_to, "flag": flag, "note": why.strip()}
    frame = pd.DataFrame([*results.readings.to_dict("records"), row], columns=list(results.readings.columns))
    return Results(typed_readings(frame), results.batch_rows, results.columns, results.findings)


def _unknown(name: str, batches: pd.DataFrame) -> Problem:
    known = [*batches["trial"], *batches.index, *(own for own in batches["source_id"] if isinstance(own, str))]
    do = meant_id(name, known) or "blendwright status FOLDER lists them"
    return Problem("unknown-trial", "stop", "record", f"{name}, which has no results", "a trial or batch that has", do)


def _is_so_already(row: Mapping[Any, Any], entry: Entry) -> bool:
    """Whether a reading on record says the same; one with a flag does not, as a correction takes that away."""
    kept = tuple(None if number is None or number != number else number for number in (row["value"], row["value_to"]))
    same = (kept[0], row["bound"], kept[1]) == entry.measured
    return same and row["flag"] in ((entry.missing,) if entry.missing else ("", "corrected"))


def _no_reason(why: str) -> list[Problem]:
    if why.strip():
        return []
    return [Problem("no-reason", "stop", "record", "no reason", "a reason in words", 'say why: --why "..."')]
