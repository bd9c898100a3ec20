"""How good a formula is known to be: a bound that no recipe of the searched region exceeds, and what it rests on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from doe.problems import Unavailable
from optimise.formula.optimum import Certificate, Number
from optimise.formula.peaks import Multistart, Peak
from optimise.proof.association import share_of_log
from optimise.proof.branching import Field, Proof, prove
from optimise.proof.chancefield import ChanceField
from optimise.proof.desirabilityfield import DesirabilityField

if TYPE_CHECKING:
    from optimise.models.models import Models


TARGET = 0.001  # the gap at which a formula is called proven the best
A_SECOND = 1e9  # of one slow core, about, in the units of work
_WORK, _FAR_WORK = A_SECOND, 5 * A_SECOND  # the second from so many free dimensions on:
_FAR = 6  # free dimensions
_BETTER = 1e-6  # of a log score: a place that is better than the best peak
_NEARLY = 1 - 1e-6  # of the target, so that rounding does not take a proof over it
# What has to be left of the target above the best peak for the bound to be held against the recipe of whole steps.
_ROOM = 0.3
_LEAST = 1e-12  # added to a bound, for rounding


@dataclass(frozen=True, slots=True, eq=False)
class Searched:
    """What cutting up the region has shown: no score above `proof.upper`; `peaks` with any that it made better."""

    proof: Proof | None
    peaks: list[Peak]


def searched(multistart: Multistart, peaks: list[Peak], whole: float, work: float | None = None) -> Searched:
    """The proof for a multistart and its peaks (best first); a better place that turns up on the way is climbed from.

    `whole` is the score of the best recipe of whole weighable steps: the bound is to come within the target of it, or
    of the best peak where the steps alone cost more. `work` is about nanoseconds of one slow core, counted in boxes; by
    itself a second, and five from six free dimensions on, where the gap that is left is still wide after one.
    """
    if not peaks:
        return Searched(None, peaks)
    if all(multistart.space.at(combo).dimension == 0 for combo in multistart.space.combos):
        return Searched(_one_each(multistart), peaks)
    fields = _fields(multistart)
    if fields is None:
        return Searched(None, peaks)
    dimension = max(multistart.space.at(combo).dimension for combo in multistart.space.combos)
    allowed = work if work is not None else (_FAR_WORK if dimension >= _FAR else _WORK)
    best = max(peak.score for peak in peaks)
    found = prove(fields, _enough(best, whole), allowed)
    if found.best > best + _BETTER:
        combo = multistart.space.combos[found.where]
        better = multistart.climb(multistart.subproblem(combo), found.place[: multistart.space.at(combo).dimension])
        peaks = sorted([better, *peaks], key=lambda peak: -peak.score)
        if found.upper > (enough := _enough(peaks[0].score, whole)):
            # What was asked of the boxes was too much: a better formula is to be proven.
            found = prove(fields, enough, allowed)
    return Searched(found, peaks)


def _enough(best: float, whole: float) -> float:
    """The score below which boxes are done with: within the target of the best peak, or of whole steps if they cost."""
    free, stepped = float(np.exp(best)), float(np.exp(whole))
    near = _NEARLY * TARGET
    return float(np.log(stepped + near if stepped + TARGET >= free + _ROOM * TARGET else free + near))


def _one_each(multistart: Multistart) -> Proof:
    """The proof where every combination leaves one recipe only: the best of them is known."""
    spot = np.zeros((1, 0))
    combos = multistart.space.combos
    allowed = [bool(multistart.inside(spot, combo)[0]) for combo in combos]
    scores = [float(multistart.score(spot, combo)[0]) for combo in combos]
    counted = scores if not any(allowed) else [s if ok else -np.inf for s, ok in zip(scores, allowed, strict=True)]
    where = int(np.argmax(counted))
    return Proof(counted[where], True, counted[where], where, spot[0], 0)


def _fields(multistart: Multistart) -> list[Field] | None:
    """One field for each combination of category levels; None where some prediction cannot be bounded."""
    out: list[Field] = []
    if any(multistart.space.at(combo).dimension == 0 for combo in multistart.space.combos):
        return None
    for combo in multistart.space.combos:
        made: ChanceField | DesirabilityField | None
        if multistart.objective == "chance":
            if any(one.low == np.inf or one.high == -np.inf for one in multistart.brief.aimed):
                return None
            made = ChanceField.of(multistart.space, combo, multistart.fence, multistart.brief.aimed)
        else:
            made = DesirabilityField.of(multistart.space, combo, multistart.fence, multistart.brief.properties)
        if made is None:
            return None
        out.append(made)
    return out


def certificate(
    objective: str,
    value: Number,
    multistart: Multistart,
    models: Models,
    proof: Proof | None,
    exact_met: bool = True,
    held: tuple[str, ...] = (),
    inside: bool = True,
) -> Certificate:
    """What is proven of a formula's `value`. `exact_met`: some recipe keeps the limits of all exact musts; `inside`:
    the formula keeps the fence.

    The proof is of the product of the musts' chances; what follows of their joint chance, where batches' responses go
    together by a correlation matrix, `association` tells.
    """
    if isinstance(value, Unavailable):
        return Certificate(objective, value, value, target=TARGET)
    if not exact_met and objective == "chance" and value == 0:
        return Certificate(objective, value, 0.0, proved=True, target=TARGET)
    if proof is None or multistart.objective != objective:
        beside = multistart.fence is not None and not inside
        return Certificate(objective, value, 1.0, target=TARGET, fenced=inside, beside=beside)
    upper = min(1.0, float(np.exp(proof.upper)) + _LEAST)
    alone = None
    if objective == "chance":
        share = _share(multistart, models)
        if share < 1:
            alone, upper = upper, min(1.0, upper**share + _LEAST)
    upper = max(upper, value)
    fenced, proved = multistart.fence is not None, bool(upper - value <= TARGET)
    return Certificate(objective, value, upper, proved, TARGET, alone, proof.boxes, fenced, held, finished=proof.closed)


def _share(multistart: Multistart, models: Models) -> float:
    """What the log of the musts' joint chance is of that of their product, at least."""
    aimed = multistart.brief.aimed
    names = [one.response.name for one in aimed]
    if len(names) < 2:
        return 1.0
    matrix = models.residual_correlation.loc[names, names].to_numpy(dtype=float)
    return share_of_log(matrix, [(one.low is None) - float(one.high is None) for one in aimed])
