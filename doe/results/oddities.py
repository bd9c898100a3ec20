"""What looks odd in the results before anything is fitted: slips of the pen, swapped columns, repeats that differ.

Nothing here is judged by a model and nothing is changed; each finding names the batches to look at.
"""

from __future__ import annotations

import math
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import chdtr

from doe.bench.readings import LOW_TORQUE
from doe.definition.impossible import is_ph
from doe.definition.parts import Response
from doe.definition.units import unit_factor
from doe.problems import Problem, listed
from doe.results.curves import observed
from doe.results.oddbatches import LEAST_OTHERS, odd_batches
from doe.results.panel import odd_panels
from doe.results.resultset import UNUSED_FLAGS, Results

if TYPE_CHECKING:
    from doe.study import Study

Array = npt.NDArray[np.float64]

# A value this many times beyond all others, which would be among them after moving its decimal point; our choice.
_BEYOND, _NEAR, _SLIPS = 3.0, 1.5, (1000.0, 100.0, 10.0)
_SEVERAL, _ABOUT = 3, 10.0  # readings, and how many times what is asked they may lie apart and still be about it
_CLOSE_TORQUE = 20.0  # % of full scale; from there on the reading is within 5 % of the value; our choice
_ALIKE = 1e-3  # chance of a scatter this small or smaller, below which it is odd; our choice
_FAR_SDS = 4.0  # how many expected sds apart two batches of one recipe are odd; our choice


def odd(study: Study, results: Results) -> list[Problem]:
    """Everything that looks odd, in the order of the study: readings, then batches, then what people read."""
    seen = {r.name: _numbers(study, results, r) for r in study.fitted_responses if r.kind == "number"}
    values = pd.DataFrame({name: one["value"] for name, one in seen.items()})
    # What is taken from a curve was never typed: nothing of it can stand in another's place.
    typed = values[[r.name for r in study.measured_responses if r.name in values]]
    found: list[Problem] = []
    for response in study.fitted_responses:
        if response.kind == "number" and response.name in values:
            found += _impossible(response, values[response.name])
            found += _slips(response, values[response.name])
            found += _apart(response, seen[response.name])
            found += _alike(response, seen[response.name])
            found += _speeds(response, results)
            found += _low_torque(response, results)
    return [
        *found,
        *_curves(study, results),
        *_swapped(typed),
        *_same_twice(typed),
        *odd_batches(study, results),
        *odd_panels(study, results),
    ]


def _curves(study: Study, results: Results) -> list[Problem]:
    """What is wrong with the curves that something is taken from: falling, too short, badly known."""
    said = [observed(study, results, response)[1] for response in study.fitted_responses if response.is_derived]
    return [one for findings in said for one in findings if one.level == "warn"]


def flagged(results: Results) -> list[Problem]:
    """Readings that carry a flag, one finding a flag: what is used all the same, and what is not."""
    rows = results.counted
    rows = rows[rows["batch"].isin(results.usable) & rows["value"].notna() & ~rows["flag"].isin(("", "corrected"))]
    found = []
    for flag, group in rows.groupby("flag", sort=True):
        which = [f"{name} of {batch}" for name, batch in zip(group["response"], group["batch"], strict=True)]
        do = "not used" if flag in UNUSED_FLAGS else "used; look at it in the fit"
        found.append(Problem("flagged", "inform", "readings", f"{flag}: {listed(which)}", "", do))
    return found


def _numbers(study: Study, results: Results, response: Response) -> pd.DataFrame:
    """What was observed of a response, a row a batch, where it was measured to a number."""
    seen, _ = observed(study, results, response)
    return seen[(seen["bound"] == "none") & seen["value"].notna()].astype({"value": float})


def _together_made(seen: pd.DataFrame) -> list[pd.Series[float]]:
    """The values of each recipe that was made as two batches or more."""
    again = seen[seen["replicate_group"].duplicated(keep=False)]
    return [group["value"] for _, group in again.groupby("replicate_group", sort=False)]


def _impossible(response: Response, values: pd.Series[float]) -> list[Problem]:
    if not is_ph(response):
        return []
    out = [f"{batch} {value:g}" for batch, value in values.dropna().items() if not 0 <= value <= 14]
    if not out:
        return []
    return [Problem("impossible", "warn", response.name, "no pH: " + listed(out), "0 to 14", _MEND)]


_MEND = "look at the sheet; blendwright record FOLDER --correct TRIAL RESPONSE VALUE --why ..."


def _slips(response: Response, values: pd.Series[float]) -> list[Problem]:
    """Values far beyond all others that would be among them with the decimal point elsewhere, or in another unit."""
    seen = values.dropna()
    if (seen <= 0).any():
        return []
    if whole := _all_slipped(response, seen):
        return [whole]
    if len(seen) <= LEAST_OTHERS:
        return []
    found = []
    for batch, value, low, high in zip(seen.index, seen, *_ends_of_others(seen.to_numpy(float)), strict=True):
        if low / _BEYOND <= value <= high * _BEYOND:
            continue
        fits = [slip for slip in (*_SLIPS, *(1.0 / s for s in _SLIPS)) if low / _NEAR <= value / slip <= high * _NEAR]
        if fits:
            factor = f"{fits[0]:g} times too much" if fits[0] > 1 else f"{1 / fits[0]:g} times too little"
            found.append(f"{batch} {value:g} ({factor}?)")
    if not found:
        return []
    got = f"far from all others, which lie at {seen.quantile(0.1):.4g} to {seen.quantile(0.9):.4g}: " + listed(found)
    return [Problem("slip", "warn", response.name, got, "a decimal point or a unit that slipped?", _MEND)]


def _all_slipped(response: Response, seen: pd.Series[float]) -> Problem | None:
    """A whole column a thousand times off what is asked of it: Pa.s for mPa.s, say."""
    asked = [float(x) for x in (response.low, response.target, response.high) if isinstance(x, int | float) and x > 0]
    if len(seen) < _SEVERAL or not asked:
        return None
    near = (min(asked) / _ABOUT, max(asked) * _ABOUT)
    for factor, words in ((1000.0, "1000 times too little"), (0.001, "1000 times too much")):
        if (seen * factor).between(*near).all() and not seen.between(*near).any():
            got = f"all lie at {seen.min():.4g} to {seen.max():.4g}, where {min(asked):g} to {max(asked):g} is asked"
            do = f"all of them {words}? Look at the unit of the column; then set them aside and record it again"
            return Problem("slip", "warn", response.name, got, f"readings in {response.unit or 'its unit'}", do)
    return None


def _apart(response: Response, seen: pd.DataFrame) -> list[Problem]:
    """Batches of one recipe, or readings of one jar, that differ by far more than the study expects."""
    if response.sd is None:
        return []
    batches = []
    for group in _together_made(seen):
        low, high = float(group.min()), float(group.max())
        if high - low > _FAR_SDS * _expected(response, 0.5 * (low + high)) * math.sqrt(2.0):
            batches.append(" and ".join(f"{b} {v:g}" for b, v in group.items() if v in (low, high)))
    jars = [
        f"{batch} (sd {sd:.3g} of {int(n)} readings)"
        for batch, value, sd, n in zip(seen.index, seen["value"], seen["reading_sd"], seen["n_readings"], strict=True)
        if sd > 2.0 * _expected(response, value)
    ]
    found = []
    if batches:
        got = "one recipe, far apart: " + "; ".join(batches[:4])
        found.append(Problem("batches-apart", "warn", response.name, got,
                             "batches of one recipe within a few sd", "were both made and read alike?"))  # fmt: skip
    if jars:
        got = "readings of one jar far apart: " + listed(jars)
        found.append(Problem("readings-apart", "warn", response.name, got,
                             "less than between batches", "was one of them another jar?"))  # fmt: skip
    return found


def _alike(response: Response, seen: pd.DataFrame) -> list[Problem]:
    """Batches of one recipe that agree far better than separate batches are expected to: readings of one jar, perhaps.

    The scatter within recipes, in units of the expected sd, against its chi-square law.
    """
    if response.sd is None:
        return []
    free, squares, who = 0, 0.0, []
    for group in _together_made(seen):
        expected = _expected(response, float(group.mean()))
        if expected > 0:
            free += len(group) - 1
            squares += float(((group - group.mean()) ** 2).sum()) / expected**2
            who.append(" and ".join(map(str, group.index)))
    if free < _SEVERAL or chdtr(free, squares) > _ALIKE:
        return []
    got = f"batches of one recipe agree within {math.sqrt(squares / free):.2g} of the sd expected: " + listed(who)
    do = "if they are readings of one jar, number them in column reading; else a smaller sd may be expected"
    return [Problem("batches-alike", "warn", response.name, got, "separate batches scatter by about sd", do)]


def _speeds(response: Response, results: Results) -> list[Problem]:
    """A viscosity read at several speeds: what thins by stirring reads otherwise at each, so no mean of them tells."""
    if all(unit_factor(response.unit, unit) is None for unit in ("Pa.s", "Pa")):
        return []
    rows = results.counted
    rows = rows[(rows["response"] == response.name) & rows["batch"].isin(results.usable) & rows["value"].notna()]
    rows = rows[(rows["speed"].astype(str) != "") & ~rows["flag"].isin(UNUSED_FLAGS)]
    groups = {str(speed): list(map(str, group["batch"].unique())) for speed, group in rows.groupby("speed", sort=False)}
    if len(groups) < 2:
        return []
    got = "read at several speeds: " + "; ".join(f"{speed} in {listed(who)}" for speed, who in groups.items())
    return [Problem("other-method", "warn", response.name, got, "one speed, named in its method",
                    "make each speed a response of its own, or read a curve")]  # fmt: skip


def _low_torque(response: Response, results: Results) -> list[Problem]:
    """Readings low on the scale of the instrument: 1 % of full scale is then much of what was read.

    The error of a rotational viscometer is one of full scale, 1 % of it as makers state.
    """
    rows = results.counted
    rows = rows[(rows["response"] == response.name) & rows["batch"].isin(results.usable) & rows["value"].notna()]
    torque = pd.to_numeric(rows["torque_pct"], errors="coerce")
    low = torque.between(LOW_TORQUE, _CLOSE_TORQUE, inclusive="left")
    if not low.any():
        return []
    read = zip(rows["batch"][low], torque[low], strict=True)
    got = "may be off by the reading alone: " + listed([f"{batch} by {100 / share:.2g} %" for batch, share in read])
    do = "a larger spindle or more speed for batches this thin, as a response of its own; aim at half of full scale"
    return [Problem("low-torque", "inform", response.name, got, f"{_CLOSE_TORQUE:g} % torque or more", do)]


def _expected(response: Response, value: float) -> float:
    number, relative = response.sd or (0.0, False)
    return number * abs(value) if relative else number


def _swapped(values: pd.DataFrame) -> list[Problem]:
    """Batches in which two responses would each fit the other's range, and not their own."""
    found = []
    for one, other in combinations(values.columns, 2):
        both = values[[one, other]].dropna()
        if len(both) <= LEAST_OTHERS:
            continue
        first, second = both[one].to_numpy(float), both[other].to_numpy(float)
        own, others = _ends_of_others(first), _ends_of_others(second)
        fits = ~_within(first, own) & ~_within(second, others) & _within(first, others) & _within(second, own)
        found += [f"{one} and {other} of {batch}" for batch in both.index[fits]]
    if not found:
        return []
    return [Problem("swapped", "warn", "readings", "each in the other's range: " + listed(found),
                    "each response under its own name", _MEND)]  # fmt: skip


def _ends_of_others(values: npt.ArrayLike) -> tuple[Array, Array]:
    """The lowest and highest of all other values, for each of two values or more (n,)."""
    x = np.asarray(values, dtype=np.float64)
    (low, above), (below, high) = np.sort(x)[:2], np.sort(x)[-2:]
    lows, highs = np.full(len(x), low), np.full(len(x), high)
    lows[np.argmin(x)], highs[np.argmax(x)] = above, below
    return lows, highs


def _within(values: Array, ends: tuple[Array, Array]) -> npt.NDArray[np.bool_]:
    return (ends[0] <= values) & (values <= ends[1])


def _same_twice(values: pd.DataFrame) -> list[Problem]:
    """Different batches with the same readings of everything: a row copied, or one jar read under two names."""
    if values.shape[1] < 2:
        return []
    whole = values.dropna()
    groups = whole.groupby(list(whole.columns), sort=False).groups.values()
    found = [" and ".join(map(str, group)) for group in groups if len(group) > 1]
    if not found:
        return []
    return [Problem("same-values", "warn", "readings", "the same readings of everything in " + listed(found),
                    "other batches, other readings", "was a row copied, or one jar read under two names?")]  # fmt: skip
