"""The best possible plans for a model over a region, which efficiencies are relative to: found and proven once."""

from __future__ import annotations

from typing import Literal

from doe.ideal.approximate import Approximate, optimum
from doe.ideal.bracket import proven
from doe.region.region import Region
from doe.search.spaces import Layout, layout
from doe.terms.terms import Terms

_Name = Literal["D", "I"]


class BestPossible:
    """The best approximate plans for one model over one region, for D and for I, and what is proven of them.

    Efficiencies of plans are relative to these. They depend on the number of trials only where a prior for potential
    terms counts against it.
    """

    def __init__(self, plan: Layout) -> None:
        self.plan = plan
        self._best: dict[tuple[_Name, int], Approximate] = {}
        self._proven: dict[tuple[_Name, int], float] = {}

    def best(self, name: _Name, runs: int) -> Approximate:
        """The best approximate plan for `runs` trials."""
        key = self._key(name, runs)
        if key not in self._best:
            self._best[key] = optimum(self.plan, self.plan.criterion(name), max(runs, 1))
        return self._best[key]

    def proven(self, name: _Name, runs: int) -> float:
        """A proven bound (0..1) of how near `best` is to the true optimum."""
        key = self._key(name, runs)
        if key not in self._proven:
            self._proven[key] = proven(self.plan, self.best(name, runs))
        return self._proven[key]

    def _key(self, name: _Name, runs: int) -> tuple[_Name, int]:
        return name, runs if self.plan.prior.any() else 0


class BestByModel:
    """BestByModel by model, for plans of one study that are set side by side."""

    def __init__(self) -> None:
        self._known: dict[tuple[tuple[str, ...], tuple[bool, ...]], BestPossible] = {}

    def of(self, region: Region, terms: Terms) -> BestPossible:
        """Those of `terms` over the study's region, found when they are first asked for."""
        key = (tuple(terms.labels), tuple(terms.sure))
        if key not in self._known:
            self._known[key] = BestPossible(layout(region, terms))
        return self._known[key]
