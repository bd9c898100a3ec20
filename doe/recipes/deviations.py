"""How far batches were made from their plan: line by line on the balance, and as a whole once water is counted."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from doe.problems import Level, Problem
from doe.recipes.weighing import weigh_lines

if TYPE_CHECKING:
    from doe.study import Study

_FAR = 3.0  # a deviation of more than so many tolerances is to be looked at, a smaller one is only told; our choice
_SHOWN = 8


@dataclass(frozen=True, slots=True)
class Deviation:
    """Something of one batch that is off its plan: in words, and by how many tolerances."""

    trial: str
    words: str
    tolerances: float


def off_target(
    study: Study, trial: str, levels: Mapping[str, float | str], grams: Mapping[str, float]
) -> list[Deviation]:
    """What was weighed outside the tolerance printed for it; adjusters are weighed as needed and never off."""
    out = []
    for line in weigh_lines(study, levels):
        name = line.ingredient.name
        if name not in grams or line.ingredient.role == "adjuster":
            continue
        was, half = grams[name], 0.5 * 10.0**-line.decimals
        if line.low_g - 1e-9 <= was <= line.high_g + 1e-9 or abs(was - line.target_g) < half:
            continue
        allowed = max(line.high_g - line.target_g, half)
        words = f"{trial} {name} {was:g} g instead of {line.target_g:g} g"
        out.append(Deviation(trial, words, abs(was - line.target_g) / allowed))
    return out


def off_plan(study: Study, trial: str, put_in_g: float, there_g: float) -> list[Deviation]:
    """All but the fill, where water lost or made up moved its share of the batch by more than the tolerance.

    `put_in_g` is all that was weighed in, `there_g` what there was once water was lost and made up.
    """
    share = put_in_g / there_g
    off = abs(share - 1.0) / study.make.weigh_tolerance
    if study.fill is None or off <= 1.0:
        return []
    return [Deviation(trial, f"{trial} all but {study.fill.name} {100 * (share - 1):+.2g} %", off)]


def deviation_findings(
    study: Study, where: str, weighed: Sequence[Deviation], whole: Sequence[Deviation]
) -> list[Problem]:
    """At most one finding of each kind for a table: the worst of each trial, the worst trials first."""
    found = []
    tolerance = f"within {100 * study.make.weigh_tolerance:g} %"
    if weighed:
        found.append(_finding("off-target", where, "weighed outside the tolerance: ", weighed, tolerance,
                              "the fit uses what was weighed; check those weights"))  # fmt: skip
    if whole:
        found.append(_finding("off-plan", where, "water lost or made up moved the recipe: ", whole, tolerance,
                              "the fit uses what was made; make up to weight next time"))  # fmt: skip
    return found


def _finding(code: str, where: str, what: str, all_of: Iterable[Deviation], allowed: str, do: str) -> Problem:
    worst: dict[str, Deviation] = {}
    for one in all_of:
        if one.trial not in worst or one.tolerances > worst[one.trial].tolerances:
            worst[one.trial] = one
    ranked = sorted(worst.values(), key=lambda one: (-one.tolerances, one.trial))
    more = f" and {len(ranked) - _SHOWN} more" if len(ranked) > _SHOWN else ""
    level: Level = "warn" if ranked[0].tolerances > _FAR else "inform"
    return Problem(code, level, where, what + ", ".join(one.words for one in ranked[:_SHOWN]) + more, allowed, do)
