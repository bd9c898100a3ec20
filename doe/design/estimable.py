"""Which terms can be estimated at all: others say the same as these wherever a trial can be, whatever the plan.

Limits, steps or materials tie levels together: a fixed ratio makes two ingredients one, a step that leaves two levels
makes a square a constant, a material that no recipe can have makes its contrast one. Such terms are left out of a named
model: what is left spans the same surfaces.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from doe.definition.categories import NONE, short
from doe.definition.steps import whole_steps
from doe.problems import Problem
from doe.region.lattice import on_steps
from doe.region.limits import number
from doe.region.pieces import Pieces
from doe.search.spaces import dependent
from doe.terms.term import Term
from doe.terms.terms import Terms

if TYPE_CHECKING:
    from doe.region.region import Region
    from doe.study import Study

Array = npt.NDArray[np.float64]

_FEW = 4  # levels on steps below which a square may be a constant
_TOLERANCE = 1e-8
_MOST_NAMED = 8  # terms that are named


@dataclass(frozen=True, slots=True, eq=False)
class Estimable:
    """The terms that can be estimated, those that cannot (`gone`), and what to say where these are left out."""

    terms: Terms
    gone: tuple[str, ...] = ()
    findings: tuple[Problem, ...] = ()


def estimable(study: Study, terms: Terms, *, named: bool) -> Estimable:
    """The terms without those that others span wherever a trial can be, with a finding that names them and says why.

    Terms that were asked for one by one (`named` is False) are not left out.

    Sure terms stay before potential ones, lower ones before higher, and those in columns that are chosen freely before
    those in columns that follow from them.
    """
    region = study.region
    few = _few_levels(study)
    flat = region.dimension < len(region.names) - (region.blend_total is not None)
    if not (few or flat or isinstance(region, Pieces)) or not len(terms):
        return Estimable(terms)
    order = sorted(range(len(terms)), key=lambda k: (not terms.sure[k], *_rank(terms.terms[k], region), k))
    F = _rows(study, terms, few)[:, order]
    gone = sorted(int(k) for k in dependent(F, tuple(map(str, order)), _TOLERANCE))
    if not gone:
        return Estimable(terms)
    labels = tuple(terms.labels[k] for k in gone)
    if not named:
        return Estimable(terms, labels)
    return Estimable(terms.only(k not in gone for k in range(len(terms))), labels, (_finding(study, labels, few),))


def _rank(term: Term, region: Region) -> tuple[int, int]:
    used = {name for name, _ in term.powers} | set(term.difference or ())
    return term.order, len([n for n in used if n not in region.free])


def _few_levels(study: Study) -> dict[str, Array]:
    """Levels on steps of the columns that have no more than three of them within reach, at any combination."""
    found: dict[str, set[float]] = {}
    stepped: dict[str, int] = {}
    pieces = [(study.region.at(c), c) for c in study.region.combinations]
    for piece, chosen in pieces:
        for name, step in on_steps(piece, study.steps_at(chosen)).items():
            levels = whole_steps(*piece.reach[name], step)
            stepped[name] = stepped.get(name, 0) + 1
            found[name] = found.get(name, set()) | (set(levels) if len(levels) < _FEW else {np.nan})
    return {
        name: np.array(sorted(levels))
        for name, levels in found.items()
        if levels and stepped[name] == len(pieces) and not any(np.isnan(v) for v in levels) and len(levels) < _FEW
    }


def _rows(study: Study, terms: Terms, few: dict[str, Array]) -> Array:
    """Model rows at points spread over the region, levels that steps leave few of on the nearest of these."""
    region = study.region
    combos = region.combinations
    n = max(4 * len(terms) + 40, 3 * len(combos))
    X = region.sample(n, seed=1)
    for name, levels in few.items():
        j = region.names.index(name)
        X[:, j] = levels[np.abs(X[:, j, None] - levels).argmin(axis=1)]
    chosen: dict[str, npt.NDArray[Any]] = {
        name: np.array([combos[i % len(combos)][name] for i in range(n)], dtype=object) for name in region.categories
    }
    return terms.rows(X, chosen, terms.fitting_coding(region))


def _finding(study: Study, gone: Sequence[str], few: dict[str, Array]) -> Problem:
    shown = ", ".join(gone[:_MOST_NAMED]) + (f" and {len(gone) - _MOST_NAMED} more" if len(gone) > _MOST_NAMED else "")
    reasons = _reasons(study, few)
    got = f"{shown} {'is' if len(gone) == 1 else 'are'} left out: nowhere can {'it' if len(gone) == 1 else 'they'} be"
    got += f" told from the terms that are kept{', because ' if reasons else ''}{'; '.join(reasons)}"
    do = "nothing, if it is meant so; else widen the limits or make steps finer"
    if not all(label.startswith("[") for label in gone):
        do = do.replace("so;", "so: what is kept stands for both;")
    return Problem("terms-left-out", "inform", "[plan], model", got, "", do)


def _reasons(study: Study, few: dict[str, Array]) -> list[str]:
    region = study.region
    given = [label for label in region.equal_labels if " fixed at " in label or label.startswith("all that")]
    out = [label for label in region.equal_labels if label not in given]
    out += [f"steps leave only {' and '.join(number(v) for v in levels)} of {name}" for name, levels in few.items()]
    for name, levels in region.categories.items():
        open_now = {c[name] for c in region.combinations}
        shut = [level for level in levels if level not in open_now and level != NONE]
        if shut:
            out.append(f"no recipe has {short(name)}: {', '.join(shut)}")
    return out
