"""The formula to make: what it is, how sure, what limits it, and what else would do nearly as well."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from doe.plain import plain
from doe.problems import Problem, Unavailable
from doe.shown import Shown

PLANNED = "least squares of the planned model"  # whose centres desirability is searched by
Number = float | Unavailable


@dataclass(frozen=True, slots=True, eq=False)
class Certificate:
    """How good the formula is known to be: its `value`, a proven `upper_bound` for any other, and their `gap`.

    No recipe of the region that was searched exceeds the bound, weighable or not, in these models. `proved` when the
    gap is at most `target`; without any proof the bound is what no chance or desirability can exceed: 1. `alone`: where
    responses of a batch go together, the bound of the product of their chances, which is what is searched.
    `boxes` is how many pieces of the region were looked at, `fenced` whether only what was tried counts, `held` what
    was held: the bound is for recipes that have it so. `beside`: nothing was found within what was tried, and only
    places nearest to it were looked at. `finished`: nothing is left to look at, and a longer look finds no lower bound.
    """

    objective: str
    value: Number
    upper_bound: Number
    proved: bool = False
    target: float = 0.001
    alone: float | None = None
    boxes: int = 0
    fenced: bool = True
    held: tuple[str, ...] = ()
    beside: bool = False
    finished: bool = False

    @property
    def gap(self) -> Number:
        """Upper bound less value."""
        if isinstance(self.value, Unavailable):
            return self.value
        if isinstance(self.upper_bound, Unavailable):
            return self.upper_bound
        return self.upper_bound - self.value

    def to_dict(self) -> dict[str, Any]:
        """The form promised for `--json`."""
        return {
            "objective": self.objective,
            "value": plain(self.value),
            "upper_bound": plain(self.upper_bound),
            "gap": plain(self.gap),
            "proved": self.proved,
            "target": self.target,
            "upper_bound_alone": self.alone,
            "boxes": self.boxes,
            "fenced": self.fenced,
            "held": list(self.held),
            "beside": self.beside,
            "finished": self.finished,
        }


@dataclass(frozen=True, slots=True, eq=False)
class Optimum(Shown):
    """The formula found for a study: `blend` (every ingredient, adding up to the total) and `factors`.

    `responses` gives by name predicted, prediction, chance, desirability and their kin; `chance` is that of one new
    batch meeting every must, `chance_interval` holds it and, in 90 of 100 cases or more, the chance in truth (see
    `optimise.models.chance.chance_interval`), `chance_error` its numerical error bar. `feasible`: every limit is kept,
    and every must holds at the predicted centres. `at_limits` names bounds and limits that the formula stands on.
    `tolerances` say how far each level may go, all others at will within theirs, with 0.9 of the chance kept; `clash`
    is a smallest set of musts that cannot be met together and `closest` the recipe that comes nearest to all of them
    (see `clash.Clash`). `problems` that come with the way are in `findings`. `study_digests` are those of the study
    searched.
    `cheapest` is the cheapest formula with practically the same chance (0.99 of it), where there is one. `front` goes
    from the least of its second aim to the best of its first, or along the limits of a response that is wanted within
    them; `front_of` names the two.
    """

    objective: str
    label: str
    blend: Mapping[str, float]
    factors: Mapping[str, float | str]
    feasible: bool
    responses: Mapping[str, Mapping[str, Any]]
    chance: Number
    chance_interval: tuple[float, float] | Unavailable
    chance_error: float
    desirability: Number
    cost_per_kg: Number
    certificate: Certificate
    at_limits: tuple[str, ...]
    inside: bool
    in_hull: bool | None
    leverage: Number
    alternatives: tuple[Mapping[str, Any], ...]
    front: tuple[Mapping[str, Any], ...]
    tolerances: Mapping[str, tuple[float, float]]
    limited_by: tuple[Mapping[str, Any], ...]
    clash: tuple[Mapping[str, Any], ...]
    closest: Mapping[str, Any]
    findings: tuple[Problem, ...]
    study_digests: Mapping[str, str]
    results_digest: str
    cheapest: Mapping[str, Any] | None = None
    front_of: tuple[str, ...] = ("chance", "cost_per_kg")

    @property
    def is_feasible(self) -> bool:
        """Whether every limit is kept and every must holds at the predicted centres."""
        return self.feasible

    @property
    def is_extrapolating(self) -> bool:
        """Whether it is predicted worse than any trial was."""
        return not self.inside

    @property
    def levels(self) -> pd.DataFrame:
        """The recipe as a frame of one row, indexed by its label, one column a name of the study."""
        return pd.DataFrame([{**self.blend, **self.factors}], index=pd.Index([self.label]))

    def named(self, names: Sequence[str]) -> Optimum:
        """The same formulas under other names: the first for the best, the rest for its alternatives in their order."""
        others = [{**row, "label": name} for row, name in zip(self.alternatives, names[1:], strict=True)]
        return replace(self, label=names[0], alternatives=tuple(others))

    def __str__(self) -> str:
        blend = ", ".join(f"{name} {level:g}" for name, level in self.blend.items())
        factors = ", ".join(f"{k} {v:g}" if isinstance(v, float) else f"{k} {v}" for k, v in self.factors.items())
        chance = self.chance if isinstance(self.chance, Unavailable) else f"{self.chance:.3f}"
        return f"Optimum {self.label}: {'; '.join(part for part in (blend, factors) if part)}; chance {chance}"

    __repr__ = __str__

    def to_dict(self) -> dict[str, Any]:
        """The form promised for `optimise --json` (without the keys every document has)."""
        interval = self.chance_interval
        return {
            "objective": self.objective,
            "label": self.label,
            "blend": dict(self.blend),
            "factors": dict(self.factors),
            "feasible": self.feasible,
            "responses": {name: plain(entry) for name, entry in self.responses.items()},
            "chance_all": plain(self.chance),
            "chance_interval": plain(interval),
            "chance_error": self.chance_error,
            "desirability": plain(self.desirability),
            "desirability_from": PLANNED if self.objective == "desirability" else "what is predicted here",
            "cost_per_kg": plain(self.cost_per_kg),
            "certificate": self.certificate.to_dict(),
            "at_limits": list(self.at_limits),
            "inside": self.inside,
            "in_hull": self.in_hull,
            "leverage": plain(self.leverage),
            "alternatives": [plain(entry) for entry in self.alternatives],
            "front": [plain(entry) for entry in self.front],
            "front_of": list(self.front_of),
            "cheapest": plain(self.cheapest),
            "tolerances": {name: list(ends) for name, ends in self.tolerances.items()},
            "limited_by": [plain(entry) for entry in self.limited_by],
            "clash": [plain(entry) for entry in self.clash],
            "closest": plain(self.closest),
            "findings": [finding.to_dict() for finding in self.findings],
            "digests": {**self.study_digests, "results": self.results_digest},
        }
