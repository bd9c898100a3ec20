"""Fits as facts: what each rests on, observed beside fitted, and what its diagnosis says."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any

from optimise import Models
from reports.facts import (
    FitFacts,
    FitPoint,
    Spec,
)
from reports.gathering.made import place_in_order
from reports.gathering.residuals import questions_of
from reports.numbers import listed


def fit_facts(specs: Sequence[Spec], models: Models | None) -> tuple[FitFacts, ...]:
    """A record for each fitted response, in the order of the models; none without models."""
    if models is None:
        return ()
    by_name = {spec.name: spec for spec in specs}
    places = place_in_order(models.results)
    out = []
    for name in models:
        entry = models.entry(name)
        points = []
        for row in entry["trials"]:
            seen, fitted, off = (row[k] for k in ("observed", "fitted", "deleted"))
            if not (isinstance(seen, int | float) and isinstance(fitted, int | float)):
                continue
            left = float(off) if isinstance(off, int | float) else None
            end = row.get("to")
            points.append(
                FitPoint(
                    str(row["trial"]), places.get(str(row["batch"]), 0.0), float(seen), float(fitted), left,
                    str(row["bound"]), float(end) if isinstance(end, int | float) else None,
                )
            )  # fmt: skip
        asked = questions_of(models.study, models, entry)
        out.append(FitFacts(by_name[name], MappingProxyType(entry), tuple(points), _fit_reading(entry), asked))
    return tuple(out)


def _fit_reading(entry: Mapping[str, Any]) -> str:
    lack = entry["lack_of_fit"]
    if "unavailable" in lack:
        said = f"Whether the shape is right cannot be tested: {lack['unavailable']}."
    elif lack["p"] < 0.05:
        said = "The shape may be wrong: batches lie farther from it than repeats of one recipe lie from each other."
    else:
        said = "Repeats of one recipe give no sign that the shape is wrong."
    # The same batches that the fit itself names, by the same limits.
    for code, words in (("outlier", "Out of the ordinary"), ("influential", "Deciding much by themselves")):
        named = [str(f["got"]).split(" ", 1)[0] for f in entry["findings"] if f["code"] == code]
        said += f" {words}: {listed(named)}; look at the sheet." if named else ""
    return said
