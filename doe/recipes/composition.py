"""What a batch was really made of: actual weights, solutions taken apart, water lost and made up, adjuster added.

Everything is a mass balance in grams. Only water leaves with the steam and only water is made up; it belongs to
the fill (q.s.).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from doe.definition.parts import Ingredient
from doe.problems import Problem, ResultsError

if TYPE_CHECKING:
    from doe.study import Study

_WATER = {"water", "aqua", "purified water", "deionised water", "demineralised water"}
SMALL_SHARE = 1e-9


@dataclass(frozen=True, slots=True)
class Weighed:
    """What was written down of one batch, all in grams.

    `added` is what went in before make-up, as supplied, by ingredient. `after_heat_g` is the weight of the batch
    after heating and cooling (what is missing is water), `made_up_to_g` its weight after water was made up to, and
    `after` what went in later, such as the pH adjuster. Weights that were not taken are None.
    """

    added: Mapping[str, float]
    after_heat_g: float | None = None
    made_up_to_g: float | None = None
    after: Mapping[str, float] | None = None


@dataclass(frozen=True, slots=True)
class AsMade:
    """The composition of a batch: grams of each ingredient, and their sum.

    `water_lost_g` and `water_made_up_g` are the two steps of the balance.
    """

    grams: Mapping[str, float]
    total_g: float
    water_lost_g: float
    water_made_up_g: float

    def levels(self, total: float) -> dict[str, float]:
        """The grams as levels that add up to `total`."""
        return {name: grams / self.total_g * total for name, grams in self.grams.items()}


def parts_of(item: Ingredient, names: frozenset[str], fill: str | None) -> dict[str, float]:
    """An ingredient's share of each study ingredient it brings: `made_of`, with what has no name of its own kept.

    A part called by an ingredient's name is that ingredient; water is the fill if there is one; every other part,
    and what `made_of` leaves open, stays under the item's own name. Shares add up to 1.
    """
    shares = {item.name: 1.0}
    for part, share in item.made_of.items():
        if part in names:
            place = part
        elif part.casefold() in _WATER and fill is not None:
            place = fill
        else:
            continue
        if place != item.name:
            shares[place] = shares.get(place, 0.0) + share
            shares[item.name] -= share
    if abs(shares[item.name]) < SMALL_SHARE:
        shares[item.name] = 0.0
    return shares


def fixed_range(study: Study, item: Ingredient) -> tuple[float, float]:
    """What a batch as made may hold under a fixed ingredient's name, in the study's unit: least and most.

    Its level as supplied; less, where `made_of` puts a part of it elsewhere; more, where others bring some of it.
    """
    names = frozenset(other.name for other in study.ingredients)
    fill = study.fill.name if study.fill else None
    level = item.level or 0.0
    brought = 0.0
    for other in study.ingredients:
        share = parts_of(other, names, fill).get(item.name, 0.0)
        if other.name != item.name and share:
            brought += share * (other.level if other.level is not None else study.region.reach[other.name][1])
    return level * parts_of(item, names, fill)[item.name], level + brought


def as_made(study: Study, weighed: Weighed, *, apart: bool = True) -> AsMade:
    """The composition of a batch from its weights, every solution taken apart by `made_of` (or as supplied: `apart`).

    Lost water is what is missing after heating; made-up water is what was added to reach the weight made up to.
    Raises `ResultsError` where the weights contradict each other: water lost or made up would be negative or more
    than there was, or there is no fill to take it from.
    """
    names = frozenset(item.name for item in study.ingredients)
    fill = study.fill.name if study.fill else None
    grams = dict.fromkeys((item.name for item in study.ingredients), 0.0)

    def put(lines: Mapping[str, float]) -> float:
        for name, amount in lines.items():
            shares = parts_of(study.ingredient(name), names, fill) if apart else {name: 1.0}
            for part, share in shares.items():
                grams[part] += amount * share
        return sum(lines.values())

    charged = put(weighed.added)
    weight = charged if weighed.after_heat_g is None else weighed.after_heat_g
    lost = charged - weight
    made_up = 0.0 if weighed.made_up_to_g is None else weighed.made_up_to_g - weight
    if weighed.after_heat_g is None and weighed.made_up_to_g is not None:
        # One weight only: what is missing from it was lost and not replaced; loss and make-up cancel otherwise.
        lost, made_up = max(0.0, -made_up), max(0.0, made_up)
    _check_water(study, charged, lost, made_up, grams.get(fill, 0.0) if fill else None)
    if fill is not None:
        grams[fill] += made_up - lost
    put(weighed.after or {})
    return AsMade(grams, sum(grams.values()), lost, made_up)


def _check_water(study: Study, charged: float, lost: float, made_up: float, water: float | None) -> None:
    slack = 1e-6 * max(1.0, charged)
    problems = []
    if charged <= 0:
        problems.append(_wrong("nothing was weighed in", "grams of the ingredients", "fill in what was weighed"))
    if lost < -slack:
        problems.append(_wrong(f"the batch is {-lost:g} g heavier after heating than what went in",
                               "a weight not above what was weighed in", "check the tare and the weights"))  # fmt: skip
    if made_up < -slack:
        problems.append(_wrong(f"the batch is {-made_up:g} g lighter after make-up than before",
                               "a weight not below that before make-up", "check the tare and the weights"))  # fmt: skip
    if water is None and max(lost, made_up) > slack:
        problems.append(_wrong(f"{max(lost, made_up):g} g of water lost or made up, and no ingredient with qs = true",
                               "a fill that the water belongs to", "mark the water with qs = true"))  # fmt: skip
    if water is not None and lost > water + slack:
        problems.append(_wrong(f"{lost:g} g lost, with {water:g} g of {study.fill.name if study.fill else 'water'}",
                               "a loss of water only", "check the tare and the weights"))  # fmt: skip
    if problems:
        raise ResultsError(problems)


def _wrong(got: str, allowed: str, do: str) -> Problem:
    return Problem("mass-balance", "stop", "weights", got, allowed, do)


def fitted_levels(study: Study, levels: Mapping[str, float]) -> dict[str, float]:
    """The composition of `levels` (as supplied), every material taken apart, in the terms the models are in.

    Those are levels as supplied of what is varied, with all that is fixed at its level: what a fixed solution or an
    adjuster brings of a varied ingredient beyond what is expected of it counts with that ingredient. Water goes to the
    fill, other parts to the fixed ingredients of that name. A varied solution stays as supplied, as limits and plan
    have it: its water and parts are in every batch in proportion. The sum does not change.
    """
    fill = study.fill.name if study.fill else None
    names = frozenset(item.name for item in study.ingredients)
    shares = {item.name: _apart(item, names, fill) for item in study.ingredients}
    if all(parts == {name: 1.0} for name, parts in shares.items()):
        return dict(levels)
    taken = dict.fromkeys(names, 0.0)
    for name, level in levels.items():
        for part, share in shares[name].items():
            taken[part] += level * share
    varied = [item.name for item in study.ingredients if item.role == "varied"]
    expected = {
        item.name: {part: share * (item.level or 0.0) for part, share in shares[item.name].items() if part in varied}
        for item in study.fixed
        if item.name in levels
    }
    out = _varied_as_supplied(varied, shares, taken, list(expected.values()))
    for item in study.fixed:
        brought = sum(shares[name].get(item.name, 0.0) * out[name] for name in varied)
        out[item.name] = taken[item.name] - brought + sum(expected.get(item.name, {}).values())
    if fill is not None:
        out[fill] = sum(levels.values()) - sum(out.values())
    return {name: out[name] for name in levels}


def _apart(item: Ingredient, names: frozenset[str], fill: str | None) -> dict[str, float]:
    """The parts of an ingredient; a varied one that is nothing but other ingredients stays itself."""
    parts = parts_of(item, names, fill)
    return {item.name: 1.0} if item.role == "varied" and parts[item.name] == 0.0 else parts


def _varied_as_supplied(
    varied: Sequence[str],
    shares: Mapping[str, Mapping[str, float]],
    taken: Mapping[str, float],
    expected: Sequence[Mapping[str, float]],
) -> dict[str, float]:
    """How much of each varied ingredient, as supplied, gives what was `taken` of them beside what is `expected`."""
    apart = np.array([[shares[name].get(part, 0.0) for name in varied] for part in varied])
    wanted = np.array([taken[part] - sum(one.get(part, 0.0) for one in expected) for part in varied])
    if not varied:
        return {}
    return dict(zip(varied, np.linalg.solve(apart, wanted).tolist(), strict=True))
