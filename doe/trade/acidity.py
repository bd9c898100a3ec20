"""pH: whether the windows of all materials and of the product meet, and how much of a preservative acid is left there.

What comes of it is an index of free acid. Whether a formula keeps is for a challenge test alone: oil takes such acids
out of the water, emulsifiers bind them, and their salts help a little.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from doe.definition.parts import Response
from doe.trade.acids import undissociated
from doe.trade.check import Check, Given, Live, figure
from doe.trade.composition import Stock

if TYPE_CHECKING:
    from doe.study import Study

Array = npt.NDArray[np.float64]
Rows = npt.NDArray[np.intp]

PH_SD = 0.05  # of a reading on an emulsion; common practice, no source
LEAST_FREE = 0.10  # share of the acid below which it is said; our choice
_TEST = "an index, no verdict: only a challenge test tells whether a formula keeps"
# Partition between oil and water, and into micelles: Anderson & Chow (1967) J. Soc. Cosmet. Chem. 18, 207.
_HELD = "oil and emulsifier hold some of that back from the water, not counted here; "


def ph_response(study: Study) -> Response | None:
    """The response that is a pH: by its unit, else by its name."""
    measured = [r for r in study.responses if not r.is_exact and r.kind == "number"]
    by_unit = (r for r in measured if r.unit.casefold() == "ph")
    return next(by_unit, next((r for r in measured if r.name.casefold() == "ph"), None))


def ph_window(study: Study) -> tuple[float | None, float | None]:
    """What is asked of the product's pH: low and high, None where nothing is."""
    response = ph_response(study)
    return (None, None) if response is None else response.window


def meter_error(study: Study) -> float:
    """The sd of a pH between batches, as the study expects it: of its response, else 0.05."""
    response = ph_response(study)
    if response is None or response.sd is None or response.sd[1]:
        return PH_SD
    return response.sd[0]


def _ends(stock: Stock, percent: Array) -> tuple[Array, Array]:
    """Highest low and lowest high pH (n,) of all materials that are there; infinite where none says."""
    there = percent > 0
    lows, highs = stock.windows
    low = np.where(there & ~np.isnan(lows), lows, -np.inf).max(axis=1, initial=-np.inf)
    high = np.where(there & ~np.isnan(highs), highs, np.inf).min(axis=1, initial=np.inf)
    return low, high


def material_window(stock: Stock, percent: Array) -> tuple[float | None, float | None]:
    """The pH that all materials of one recipe (percent, (m,)) bear: low and high, None where none of them says."""
    low, high = (float(end[0]) for end in _ends(stock, percent[None, :]))
    return (low if np.isfinite(low) else None), (high if np.isfinite(high) else None)


def window_checks(stock: Stock, percent: Array) -> Iterator[Check]:
    """K15: the windows of all materials that are there and of the product have room in common, less meter error."""
    low, high = _ends(stock, percent)
    asked = ph_window(stock.study)
    least = np.maximum(low, -np.inf if asked[0] is None else asked[0])
    most = np.minimum(high, np.inf if asked[1] is None else asked[1])
    known = np.isfinite(least) & np.isfinite(most) & (np.isfinite(low) | np.isfinite(high))
    error = meter_error(stock.study)
    ends = _bounding(stock, percent, asked)
    for pair in np.unique(ends[known], axis=0):
        own = known & (ends == pair).all(axis=1)
        room = np.full(len(percent), np.nan)
        room[own] = most[own] - least[own]
        yield Check(
            "K15", _names(stock, pair), room, lambda v: f"{_windows(stock, asked)}: {_room(v)}",
            f"room of {2 * error:g} or more, twice the sd of a reading",
            "take a material that works at the pH of the others, or move the pH; keep local rules for acids and alkalis"
            + stock.apart(_rows(stock, pair)),
            low=2 * error, number="room",
        )  # fmt: skip


def out_of_window(stock: Stock, ends: Mapping[str, tuple[float, float]]) -> Array:
    """Materials that must not be in, as 1 of (m,), for what is left to have pH windows that meet; else all 0.

    `ends` is how far each level can go. What may be left out is named before what is always there.
    """
    out = np.zeros(len(stock.items))
    percent = np.array([[float(ends[name][1] > 0) for name in stock.names]])
    while any(check.missed[0] for check in window_checks(stock, percent)):
        rows = _rows(stock, _bounding(stock, percent, ph_window(stock.study))[0])
        if not rows:  # what is asked of the product is too narrow by itself
            break
        row = min(rows, key=lambda row: ends[stock.names[row]][0])
        out[row], percent[0, row] = 1.0, 0.0
    return out


def _room(value: float) -> str:
    return f"the windows are {figure(-value)} apart" if value < 0 else f"{figure(value)} in common"


def _bounding(stock: Stock, percent: Array, asked: tuple[float | None, float | None]) -> Rows:
    """The two that leave least room in each recipe, (n, 2): of the lowest high and of the highest low.

    Rows of the stock; behind its last stands what is asked of the product's pH. Among equals the last by name.
    """
    response = ph_response(stock.study)
    names = [*stock.labels, "" if response is None else response.name]
    order = np.array(sorted(range(len(names)), key=lambda row: (names[row], row), reverse=True))
    there = np.column_stack([percent > 0, np.ones(len(percent), dtype=bool)])
    lows, highs = (
        np.append(ends, np.nan if end is None else end) for ends, end in zip(stock.windows, asked, strict=True)
    )
    low = np.where(there & ~np.isnan(lows), lows, -np.inf)[:, order].argmax(axis=1)
    high = np.where(there & ~np.isnan(highs), highs, np.inf)[:, order].argmin(axis=1)
    return np.column_stack([order[high], order[low]])


def _rows(stock: Stock, pair: Rows) -> list[int]:
    """Those of a pair that are materials, as rows of the stock."""
    return [int(row) for row in pair if row < len(stock.items)]


def _names(stock: Stock, pair: Rows) -> str:
    """A pair by name, the product's pH by that of its response."""
    response = ph_response(stock.study)
    names = [*stock.labels, "" if response is None else response.name]
    return " and ".join(dict.fromkeys(names[row] for row in pair))


def _windows(stock: Stock, asked: tuple[float | None, float | None]) -> str:
    said = [
        f"{name} {_span(*stock.window(row))}"
        for row, (name, is_in) in enumerate(zip(stock.labels, stock.present, strict=True))
        if is_in and stock.window(row) != (None, None)
    ]
    said += [f"product {_span(*asked)}"] if asked != (None, None) else []
    return "pH windows " + ", ".join(said)


def _span(low: float | None, high: float | None) -> str:
    if low is None:
        return f"up to {high:g}"
    return f"from {low:g}" if high is None else f"{low:g} to {high:g}"


def measured_checks(stock: Stock, percent: Array, given: Given) -> Iterator[Check]:
    """The pH measured or predicted against the window of each material that is there."""
    if given.ph is None:
        return
    for row in range(len(stock.items)):
        low, high = stock.window(row)
        if low is None and high is None:
            continue
        yield Check(
            "ph-outside", stock.labels[row], np.where(percent[:, row] > 0, given.ph, np.nan),
            lambda v: f"pH {v:.2f} {given.how}", f"pH {_span(low, high)}",
            "move the pH, or take another material",
            low=-np.inf if low is None else low, high=np.inf if high is None else high, number="ph",
            live=Live(f"pH {{v:.2f}} {given.how}", reading="ph", low=low, high=high, present=(stock.names[row],)),
        )  # fmt: skip


def acid_checks(stock: Stock, percent: Array, given: Given) -> Iterator[Check]:
    """K13: the undissociated share of each preservative acid at the pH known, else over the window of pH.

    The window is that of the product and of all materials that are there; where its own does not meet that of the rest,
    the rest's.
    """
    test = f"{_HELD}{_TEST}" if _holds_acid(stock) else _TEST
    for row in range(len(stock.items)):
        for name, pka, factor in stock.acids(row):
            there = percent[:, row] > 0
            if given.ph is not None:
                free = np.where(there, undissociated(given.ph, pka), np.nan)
                total = percent[:, row] * factor
                yield _free(stock.labels[row], name, free, total, given.how, pka, test, stock.names[row])
                continue
            low, high = _window_of_acid(stock, percent, row)
            free = np.where(there & np.isfinite(high), undissociated(high, pka), np.nan)
            least = float(np.min(np.where(np.isfinite(free), low, np.inf), initial=np.inf))
            end = "the upper end of the window"
            if np.isfinite(least):
                end += f"; at {least:g} it is {100 * float(undissociated(least, pka)):.2g} %"
            yield _free(stock.labels[row], name, free, percent[:, row] * factor, end, pka, test)


def _holds_acid(stock: Stock) -> bool:
    """Whether oil or emulsifier is among the materials, as facts tell: both take undissociated acid from the water."""
    return bool((~np.isnan(stock.facts("required_hlb")) | ~np.isnan(stock.facts("hlb"))).any())


def _window_of_acid(stock: Stock, percent: Array, row: int) -> tuple[Array, Array]:
    """Low and high pH (n,) of the product and all materials, one's own only where it meets; infinite if none says."""
    others = percent.copy()
    others[:, row] = 0.0
    low, high = _ends(stock, others)
    asked = ph_window(stock.study)
    low = np.maximum(low, -np.inf if asked[0] is None else asked[0])
    high = np.minimum(high, np.inf if asked[1] is None else asked[1])
    own_low, own_high = (float(ends[row]) for ends in stock.windows)
    own_low, own_high = (-np.inf if np.isnan(own_low) else own_low), (np.inf if np.isnan(own_high) else own_high)
    meets = (own_low <= high) & (own_high >= low)
    return np.where(meets, np.maximum(low, own_low), low), np.where(meets, np.minimum(high, own_high), high)


def _free(
    item: str, acid: str, free: Array, total: Array, at: str, pka: float, test: str, name: str | None = None
) -> Check:  # fmt: skip
    """Below the least it is a warning; else it is told as it is, with what only a `test` tells.

    `name` is the ingredient where the pH is known.
    """
    little = bool((np.nan_to_num(free, nan=1.0) < LEAST_FREE).any())
    most = float(total.max(initial=0.0))
    return Check(
        "K13", item, free,
        lambda v: f"{100 * v:.2g} % of its {acid} acid is undissociated at pH {_ph_of(v, pka):.3g} ({at}); "
        f"of up to {figure(most)} % acid in all that is {figure(v * most)} %",
        f"at least {100 * LEAST_FREE:g} % (our choice)" if little else "",
        f"lower the pH, or take a preservative that works there; {test}" if little else test,
        low=LEAST_FREE, number="undissociated", level="warn" if little else "inform", tell=not little, worse=-1.0,
        also=(("pka", pka), ("acid_percent", most)), topic=acid,
        live=None if name is None else Live(
            f"at pH {{v}} less than {100 * LEAST_FREE:g} % of its {acid} acid is undissociated", reading="ph",
            high=pka + float(np.log10(1.0 / LEAST_FREE - 1.0)), present=(name,), level="warn",
        ),
    )  # fmt: skip


def _ph_of(free: float, pka: float) -> float:
    """The pH at which a share of an acid is undissociated."""
    return pka + float(np.log10(1.0 / max(free, 1e-15) - 1.0)) if free < 1 else 0.0
