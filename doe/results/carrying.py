"""Results on record carried over to a changed definition: what it cannot express is out, and is named."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.bench.drafts import USABLE
from doe.bench.levels import range_findings
from doe.definition.categories import NONE
from doe.definition.parts import Factor, Ingredient
from doe.definition.units import same_unit
from doe.problems import Problem
from doe.recipes.composition import fixed_range
from doe.results.dropped import GONE_SHARE, Out, dropped, dropped_findings, fixed_elsewhere, none_left
from doe.results.resultset import (
    BATCH_COLUMNS,
    Results,
    typed_batches,
    unit_and_kind,
)

if TYPE_CHECKING:
    from doe.study import Study


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
