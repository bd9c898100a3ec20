"""What a fit left over, by the question it answers; the answers are what the fit itself found."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from scipy.special import ndtri

from doe.study import Study
from optimise import Models
from reports.facts import Question
from reports.numbers import spans


def questions_of(study: Study, models: Models, entry: Mapping[str, Any]) -> tuple[Question, ...]:
    """The questions put to one response's residuals; none where fewer than three batches have one."""
    rows = [row for row in entry["trials"] if isinstance(row["deleted"], int | float)]
    if len(rows) < 3:
        return ()
    batches = [str(row["batch"]) for row in rows]
    off = np.array([float(row["deleted"]) for row in rows])
    fitted = [float(row["fitted"]) for row in rows]
    levels = models.tried.reindex(batches)
    units = {f.name: f.unit for f in study.numeric_factors}
    out = [_question("Does the scatter change with the value?", "fitted", "", batches, fitted, off, _spread(entry))]
    bow = _bow(entry)
    for name in (n for n in study.region.names if n != study.region.fill):
        values = levels[name].to_numpy(dtype=float)
        if np.isfinite(values).all() and np.ptp(values) > 0:
            unit = units.get(name, study.unit)
            out.append(_question(f"Is {name} read right?", name, unit, batches, values.tolist(), off, bow))
    out.append(_tails(batches, off, entry))
    return tuple(out)


def _question(
    asks: str, axis: str, unit: str, batches: list[str], xs: list[float], off: np.ndarray[Any, Any], answer: str
) -> Question:
    points = tuple((t, float(x), float(y)) for t, x, y in zip(batches, xs, off, strict=True))
    return Question(asks, axis, unit, points, answer)


def _found(entry: Mapping[str, Any], code: str) -> list[str]:
    return [str(finding["got"]) for finding in entry["findings"] if finding["code"] == code]


def _spread(entry: Mapping[str, Any]) -> str:
    said = _found(entry, "spread")
    return f"It does: {said[0]}." if said else "No sign that the scatter changes with the value."


def _bow(entry: Mapping[str, Any]) -> str:
    lack = entry["lack_of_fit"]
    if "unavailable" in lack:
        return "A bow along one of them would be a curve that the fit has missed."
    if lack["p"] < 0.05:
        return "The shape may be wrong: look for a bow along one of them."
    return "No bow that repeats of one recipe could tell from chance."


def _tails(batches: list[str], off: np.ndarray[Any, Any], entry: Mapping[str, Any]) -> Question:
    """Residuals in order of size against where as many from a normal law are expected (Blom 1958, from memory)."""
    order = np.argsort(off, kind="stable")
    n = len(off)
    expected = ndtri((np.arange(1, n + 1) - 0.375) / (n + 0.25))
    named = [text.split(" ", 1)[0] for text in _found(entry, "outlier")]
    answer = f"Out of the ordinary: {spans(named)}." if named else "No batch lies farther off than chance explains."
    points = tuple((batches[i], float(x), float(off[i])) for i, x in zip(order, expected, strict=True))
    return Question("Is a batch out of the ordinary?", "expected of chance alone", "", points, answer, straight=True)
