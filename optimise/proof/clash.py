"""Which musts cannot be met together: a smallest set, proven, and the recipe that comes closest to all of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from doe.plain import plain
from optimise.formula.brief import Brief
from optimise.formula.space import Space
from optimise.formula.specs import Spec, specs_of
from optimise.models.fence import Fence
from optimise.proof.feasibility import Feasibility
from optimise.proof.misssearch import HELD, MET, MissSearch, Numbers, Place

_BEARS = 1e-6  # the least multiplier of a must that bears on where the largest miss is smallest


@dataclass(frozen=True, slots=True, eq=False)
class Clash:
    """A smallest set of musts that cannot be met together, one entry a side; and the recipe that comes closest to all.

    Each entry: response, side, limit; `reached`, the nearest value to the limit that was found with the others of the
    set met; `change`, the least change of this limit that was found to make the whole brief possible, all other musts
    held (None where it takes more than one); `proved`: no recipe meets the set; `minimal`: without any one of them some
    recipe meets the rest; `fenced`: of recipes within what was tried, else of all recipes of the region. `closest`:
    levels and category levels, values by response, and the largest miss in batch sds.
    """

    entries: tuple[dict[str, Any], ...] = ()
    closest: Mapping[str, Any] = field(default_factory=dict)


def find_clash(brief: Brief, space: Space, fence: Fence | None) -> Clash:
    """The musts that no recipe of the space is predicted to meet together; empty where some recipe does.

    `space` must not itself be narrowed by the exact responses. Where no recipe is found within the fence, that is
    another matter: the clash is then looked for without it.
    """
    specs = specs_of(brief, space)
    if not specs:
        return Clash()
    never = [i for i, spec in enumerate(specs) if spec.never]
    # By how much a limit is missed that no value meets says nothing: its value is looked for as high or low as it goes.
    counted = [_at_middle(spec, space) if spec.never else spec for spec in specs]
    search = MissSearch.of(brief, space, fence, counted)
    if not search.pools:
        search = MissSearch.of(brief, space, None, counted)
    every = list(range(len(specs)))
    near = search.nearest(every)
    if never:
        found = _Set(never[:1], True, True)
    elif near[0].worst(every) <= MET:
        return Clash()
    else:
        found = _least(search, Feasibility.of(search), every, near)
    if not found.kept:
        return Clash()
    told = {"proved": found.proved, "minimal": found.minimal, "fenced": search.multistart.fence is not None}
    entries = tuple({**_entry(search, found.kept, every, i), **told} for i in found.kept)
    return Clash(entries, _closest(search, near[0]))


@dataclass(frozen=True, slots=True, eq=False)
class _Set:
    """Specs that no recipe was found to meet, whether that is proven, and that each is needed; none: all are met."""

    kept: list[int]
    proved: bool
    minimal: bool


def _least(search: MissSearch, feasibility: Feasibility, every: list[int], near: Sequence[Place]) -> _Set:
    """A set as small as can be: of what holds the balance at the nearest places, all but what has to stay left out.

    What holds the balance nowhere is left out first: as a rule the rest is as hard to meet without it.
    """
    kept = _bearing(search, every, near)
    said = feasibility.decide(kept, near)
    if said != "never" and len(kept) < len(every):
        whole = feasibility.decide(every, near)
        if whole != "open" or said == "met":
            kept, said = every, whole
    if said == "met":
        return _Set([], False, False)
    proved = minimal = said == "never"
    for spec in list(kept):
        rest = [i for i in kept if i != spec]
        there = search.nearest(rest) if rest else []
        if not rest or there[0].worst(rest) <= MET:
            continue
        # Where nothing is proven of all of them, a part that was not met is as good.
        found = feasibility.decide(rest, there) if proved else "never"
        if found == "never":
            kept = rest
        minimal &= found != "open"
    return _Set(kept, proved, minimal)


def _bearing(search: MissSearch, every: list[int], near: Sequence[Place]) -> list[int]:
    """The specs that hold the balance at some of the nearest places."""
    bears = np.zeros(len(every), dtype=bool)
    for place in near:
        bears |= search.multipliers(place, every) > _BEARS
    return [i for i in every if bears[i]]


def _entry(search: MissSearch, kept: Numbers, every: Numbers, number: int) -> dict[str, Any]:
    """One side of the set: how far it is reached with the others met, and what would make the whole brief possible."""
    spec = search.misses.specs[number]
    others, rest = ([i for i in some if i != number] for some in (kept, every))
    reached = _reached(search, number, others)
    if reached is None:
        # The others are not met without it either: what it is where all of them come nearest.
        reached = spec.value(float(search.nearest(kept)[0].misses[number]))
    whole = reached if len(rest) == len(others) else _reached(search, number, rest)
    change = None if whole is None else whole - spec.asked
    return {"response": spec.response, "side": spec.side, "limit": spec.asked, "reached": reached, "change": change}


def _reached(search: MissSearch, number: int, others: Numbers) -> float | None:
    """The value nearest to a limit that was found with the others met; None where they were not."""
    if others and search.nearest(others)[0].worst(others) > HELD:
        return None
    found = search.nearest([number], others)
    return search.misses.specs[number].value(float(found[0].misses[number])) if found else None


def _closest(search: MissSearch, place: Place) -> dict[str, Any]:
    """The recipe with the smallest largest miss that was found, in the study's units."""
    multistart, specs = search.multistart, search.misses.specs
    values = {spec.response: spec.value(float(miss)) for spec, miss in zip(specs, place.misses, strict=True)}
    whole = multistart.space.frame(search.levels(place)[None], search.combo(place)).iloc[0]
    levels = {name: plain(whole[name]) for name in multistart.brief.study.columns}
    return {"levels": levels, "responses": values, "worst_miss": float(place.misses.max())}


def _at_middle(spec: Spec, space: Space) -> Spec:
    """A spec that no value meets with the value in the middle of the region for its limit."""
    part, combo = space.at(space.combos[0]), space.combos[0]
    centre = part.region.decoded(part.centre[None])
    law = spec.aimed.predictor.at(centre, space.chosen(combo, 1)) if spec.aimed is not None else None
    return spec if law is None else replace(spec, limit=float(law.mean()[0]))
