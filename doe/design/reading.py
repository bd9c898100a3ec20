"""A plan read in the study's own units: how well means will be known, what the trials span, what moves together."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.definition.parts import Response
from doe.design.design import Design
from doe.design.power import LOST, hardly_told, matters_of, without_sd
from doe.problems import Unavailable
from doe.study import Study

Array = npt.NDArray[np.float64]

ALIKE = 0.8  # terms correlated more than this are said to move together; our own choice
ALONE = 0.9  # a trial of this leverage and more is fitted almost exactly, whatever it reads; our own choice


@dataclass(frozen=True, slots=True, eq=False)
class PlanReading:
    """What a plan will show, read off its trials and its quality.

    `known`: for each response the sd of a predicted mean in its own terms, over the region: its mean, the value that
    half and nine tenths of the region do not exceed, and the greatest; `relative` says that they are fractions of the
    value, else they are in its unit. `shows`: the smallest difference seen with 80 % chance, what matters, and the
    chance to see that, all in the same terms. `spread`: for each ingredient and numeric factor its reach within all
    limits, the levels tried from and to, their share of the reach, and how many different ones; for named levels,
    materials and what may be absent how many batches each has. `alone`: trials that nothing else checks (leverage of
    0.9 and more). `terms` and `correlations` (p, p): of the model's terms over these trials, without the constant.
    `alike`: pairs of terms that are not the same and yet correlate at 0.8 or more, the strongest first.
    """

    known: Mapping[str, Mapping[str, Any] | Unavailable]
    shows: Mapping[str, Mapping[str, Any] | Unavailable]
    spread: Mapping[str, Mapping[str, Any]]
    alone: tuple[tuple[str, float], ...]
    terms: tuple[str, ...]
    correlations: Array
    alike: tuple[tuple[str, str, float], ...]

    @classmethod
    def of(cls, study: Study, design: Design) -> PlanReading:
        """Read `design`, under its own definition where the study has changed what is tried since then."""
        same = dict(study.digests).get("tried") == design.study_digests.get("tried")
        own = study if same else Study.from_dict(design.definition)
        terms, correlations = _correlations(own, design)
        leverage = [(name, value) for name, value in design.quality.leverage.items() if isinstance(value, float)]
        return cls(
            known=MappingProxyType({r.name: known_to(r, design.quality) for r in own.fitted_responses}),
            shows=MappingProxyType({r.name: _shows(r, _seen(r, design)) for r in own.fitted_responses}),
            spread=MappingProxyType(_spread(own, design.table)),
            alone=tuple((name, v) for name, v in leverage if v >= ALONE and name in design.table.index),
            terms=terms,
            correlations=correlations,
            alike=_alike(terms, correlations),
        )

    def to_dict(self) -> dict[str, Any]:
        """The reading as `plan --json` holds it."""
        return {
            "known": dict(self.known),
            "shows": dict(self.shows),
            "spread": dict(self.spread),
            "alone": [{"trial": trial, "leverage": value} for trial, value in self.alone],
            "terms": list(self.terms),
            "correlations": self.correlations.tolist(),
            "alike": [{"terms": [a, b], "r": r} for a, b, r in self.alike],
        }


def known_to(response: Response, quality: Any) -> Mapping[str, Any] | Unavailable:
    """The sd of a predicted mean of one response over the region, in its own terms.

    On a log scale an sd s of the logarithm is given as exp(s) - 1, the fraction by which the value may be off. Where it
    is `LOST` somewhere nothing is said: some terms are then told apart by a hair only, and no number means anything.
    """
    if response.sd is None:
        return without_sd(response)
    mean, most = quality.prediction_sd["mean"], quality.prediction_sd["max"]
    if isinstance(mean, Unavailable) or isinstance(most, Unavailable):
        return mean if isinstance(mean, Unavailable) else most
    if most > LOST:
        return hardly_told()
    sd, relative = response.sd
    logs = relative and response.scale == "log"
    sigma = math.sqrt(math.log1p(sd**2)) if logs else sd
    curve = np.array(quality.fds)
    half, most_of_it = (float(np.interp(share, curve[:, 0], curve[:, 1])) for share in (0.5, 0.9))
    values = {"mean": mean, "half": half, "nine_tenths": most_of_it, "max": most}
    inner = {key: math.expm1(v * sigma) if logs else v * sigma for key, v in values.items()}
    return MappingProxyType({**inner, "relative": relative})


def _seen(response: Response, design: Design) -> Mapping[str, Any] | Unavailable:
    """What the plan says it can see of a response; a response may be newer than the plan."""
    newer = Unavailable(f"{response.name} was added after this round was planned", "plan further trials")
    return design.quality.can_see.get(response.name, newer)


def _shows(response: Response, seen: Mapping[str, Any] | Unavailable) -> Mapping[str, Any] | Unavailable:
    if isinstance(seen, Unavailable):
        return seen
    return MappingProxyType(
        {
            "difference": seen["difference"],
            "matters": matters_of(response),
            "chance": seen["chance"],
            "worst_for": seen["worst_for"],
            "relative": seen["relative"],
        }
    )


def _spread(study: Study, table: pd.DataFrame) -> dict[str, Mapping[str, Any]]:
    out: dict[str, Mapping[str, Any]] = {}
    for name in study.region.names:
        low, high = (float(v) for v in study.region.reach[name])
        levels = table[name].to_numpy(dtype=float)
        tried = (float(levels.min()), float(levels.max()))
        share = (tried[1] - tried[0]) / (high - low) if high > low else 1.0
        count = len(np.unique(np.round(levels, 9)))
        out[name] = {"reach": (low, high), "tried": tried, "share": share, "levels": count}
    chosen = study.region.chosen(table)
    for name, known in study.region.categories.items():
        out[name] = {"batches": {str(level): int((chosen[name] == level).sum()) for level in known}}
    return out


def _correlations(study: Study, design: Design) -> tuple[tuple[str, ...], Array]:
    """Correlations of the model's columns over the trials, in the coding of the fit; 0 for a column that is still."""
    terms = design.terms
    F = terms.matrix(design.table, terms.fitting_coding(study.region)).values
    keep = [k for k, label in enumerate(terms.labels) if label != "1"]
    centred = F[:, keep] - F[:, keep].mean(axis=0)
    length = np.linalg.norm(centred, axis=0)
    moving = length > 1e-9 * (1 + np.abs(F[:, keep]).max(axis=0, initial=0.0))
    unit = np.where(moving, centred / np.where(moving, length, 1.0), 0.0)
    found = np.clip(unit.T @ unit, -1.0, 1.0)
    found.setflags(write=False)
    return tuple(terms.labels[k] for k in keep), found


def _alike(terms: tuple[str, ...], r: Array) -> tuple[tuple[str, str, float], ...]:
    pairs = [
        (terms[i], terms[j], float(r[i, j]))
        for i in range(len(terms))
        for j in range(i + 1, len(terms))
        if ALIKE <= abs(r[i, j]) < 1 - 1e-9
    ]
    return tuple(sorted(pairs, key=lambda pair: (-round(abs(pair[2]), 9), pair[:2])))
