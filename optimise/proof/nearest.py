"""The recipe of whole weighable steps that comes closest to all musts, from where the closest of all was found."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from optimise.formula.ascent import Ends
from optimise.formula.climb import Subproblem, climb_down
from optimise.formula.entries import recipe
from optimise.formula.exact import Exact, exact_form
from optimise.formula.peaks import Multistart, Peak
from optimise.formula.space import Space
from optimise.formula.specs import Misses, specs_of
from optimise.formula.wholesteps import weighable
from optimise.models.models import Models
from optimise.models.recipes import level_of

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class TowardsMusts(Multistart):
    """A search for the smallest largest miss of all musts: its score is that miss turned down."""

    misses: Misses

    @classmethod
    def of(cls, multistart: Multistart) -> TowardsMusts | None:
        """The search in the multistart's space and fence; None where no must has a limit."""
        specs = specs_of(multistart.brief, multistart.space)
        return cls(multistart.brief, multistart.space, "chance", multistart.fence, Misses.of(specs)) if specs else None

    def score_levels(self, X: Array, combo: Mapping[str, str]) -> Array:
        """The largest miss at levels X (n, k) turned down, (n,)."""
        worst: Array = -self.misses.many(X, self.space.chosen(combo, len(X))).max(axis=1)
        return worst

    def uphill(self, subproblem: Subproblem, starts: Array, known: Array | None = None) -> Ends:
        """Where the largest miss is smallest on the ways from `starts`; they never end early."""

        def under(U: Array) -> tuple[Array, Array]:
            misses, slopes = self.misses.with_slopes(subproblem.levels(U), subproblem.chosen(len(U)))
            return misses, slopes @ subproblem.space.basis

        return climb_down(subproblem, under, starts)


def closest(
    multistart: Multistart, models: Models, found: Mapping[str, Any], hold: Mapping[str, Any] | None
) -> Mapping[str, Any]:
    """The recipe that was `found` closest to all musts (see `Clash`) as it can be weighed, and what is predicted of it.

    With levels held, but beyond the limits of exact musts and levels as tried. Nothing where nothing was found.
    """
    if not found:
        return found
    study, levels = multistart.brief.study, found["levels"]
    wide = replace(multistart, space=Space.build(study, hold))
    at = np.array([[levels[name] for name in wide.space.region.names]])
    # Whether an ingredient is there or not is told by its level, and has no column of its own.
    fitting = [c for c in wide.space.combos if all(levels.get(name, level) == level for name, level in c.items())]
    combo = next((c for c in fitting if wide.space.at(c).region.contains(at, 1e-6)[0]), fitting[0])
    space = wide.space.at(combo)
    u = space.region.coded(np.array([[levels[name] for name in space.region.names]]))[0]
    peak, worst = _weighable(wide, Peak(u, combo, 0.0))
    whole, X, chosen = recipe(space, peak), space.region.decoded(peak.u[None]), space.chosen(combo, 1)
    said = models.predict(whole).iloc[0]
    forms = {one.name: exact_form(study, one) for one in multistart.brief.exact}
    exact = {name: float(form.values(X, chosen)[0]) for name, form in forms.items() if isinstance(form, Exact)}
    return {
        "levels": {name: level_of(whole[name].iloc[0]) for name in study.columns},
        "responses": {n: exact[n] if n in exact else float(said[n]["predicted"]) for n in found["responses"]},
        "worst_miss": worst,
    }


def _weighable(multistart: Multistart, peak: Peak) -> tuple[Peak, float]:
    """The closest recipe of whole steps about a peak, and its largest miss, in batch sds.

    The peak itself where no recipe of whole steps is allowed there.
    """
    towards = TowardsMusts.of(multistart)
    if towards is None:
        return peak, 0.0
    near = weighable(towards, replace(peak, score=float(towards.score(peak.u[None], peak.combo)[0])))
    return near, -near.score
