"""Targets that a balance can weigh: rounded so that the batch adds up, with tolerances and smallest weights."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import TYPE_CHECKING

from doe.definition.materials import as_chosen, label, material
from doe.definition.parts import Balance, Ingredient

if TYPE_CHECKING:
    from doe.study import Study

_HOUSEHOLD = Balance(
    "balance", 0.01, 0.01, math.inf
)  # where the study names none: an ordinary top-pan, common practice


@dataclass(frozen=True, slots=True)
class Line:
    """One line to weigh: target and tolerance in grams, the balance, and the least it weighs within tolerance."""

    ingredient: Ingredient
    level: float
    target_g: float
    low_g: float
    high_g: float
    balance: str
    decimals: int
    least_g: float
    material: str = ""

    @property
    def label(self) -> str:
        """What is weighed: the ingredient, with the material that stands in its place where there is a choice."""
        return label(self.ingredient.name, self.material)

    @property
    def is_small(self) -> bool:
        """Whether the target is under the least that the balance weighs within tolerance."""
        return 0 < self.target_g < self.least_g * (1 - 1e-12)


def least_weight(balance: Balance, tolerance: float) -> float:
    """The least weight [g] that a balance gives within a relative `tolerance`: 2 max(s, 0.41 d) / tolerance.

    After USP General Chapter 41, which takes the repeatability s, but not less than 0.41 of the readability d, twice;
    there the tolerance is 0.10 %.
    """
    return 2.0 * max(balance.repeat_g, 0.41 * balance.step_g) / tolerance


def weigh_lines(study: Study, levels: Mapping[str, float | str]) -> tuple[Line, ...]:
    """The lines of one batch of `study.batch_g` grams, in file order; rounded targets add up to the batch exactly.

    The fill takes up what rounding leaves, or without one the largest line.
    """
    items = as_chosen(study, levels)
    if not items:
        return ()
    wanted = {item.name: float(levels[item.name]) / study.total * study.batch_g for item in items}
    balances = {item.name: _balance(study, wanted[item.name]) for item in items}
    steps = {name: Decimal(repr(balance.step_g)) for name, balance in balances.items()}
    grams = {name: (Decimal(repr(wanted[name])) / steps[name]).quantize(Decimal(1)) * steps[name] for name in wanted}
    rest = study.fill.name if study.fill else max(wanted, key=lambda name: wanted[name])
    grams[rest] += Decimal(repr(float(study.batch_g))) - sum(grams.values())
    lines = (_line(study, item, float(levels[item.name]), grams[item.name], balances[item.name]) for item in items)
    return tuple(replace(line, material=material(study, line.ingredient.name, levels)) for line in lines)


def step_of(study: Study, level: float) -> float:
    """What two levels about `level` differ by at least when they are weighed for a batch, in the study's unit."""
    return _balance(study, level / study.total * study.batch_g).step_g / study.batch_g * study.total


def _balance(study: Study, grams: float) -> Balance:
    """The coarsest balance that still weighs this within tolerance, else the finest that carries it."""
    carry = [b for b in study.balances if b.max_g >= grams] or list(study.balances) or [_HOUSEHOLD]
    by_step = sorted(carry, key=lambda balance: -balance.step_g)
    return next((b for b in by_step if least_weight(b, study.make.weigh_tolerance) <= grams), by_step[-1])


def _line(study: Study, item: Ingredient, level: float, grams: Decimal, balance: Balance) -> Line:
    tolerance = study.make.weigh_tolerance
    target = float(grams)
    step = Decimal(repr(balance.step_g))
    decimals = max(0, -int(grams.normalize().as_tuple().exponent), -int(step.normalize().as_tuple().exponent))
    low, high = target * (1 - tolerance), target * (1 + tolerance)
    return Line(item, level, target, low, high, balance.name, decimals, least_weight(balance, tolerance))


@dataclass(frozen=True, slots=True)
class Premix:
    """One part of an ingredient in ten of premix, all in grams: what to mix, and how much of the mix to take.

    `part_g` with `carrier_g` of the carrier make the premix; `dose_g` of it brings `target_g` of the ingredient.
    """

    line: Line
    carrier: Line
    part_g: float
    carrier_g: float
    dose_g: float


def premixes(lines: Sequence[Line]) -> tuple[Premix, ...]:
    """A premix for each line that is too little for its balance and has a carrier: the heaviest of its own phase.

    None where the dose would still be too little to weigh, or where all premixes of a carrier together would leave
    less of it than its balance weighs.
    """
    out: list[Premix] = []
    for line in lines:
        if not line.is_small or 10 * line.target_g < line.least_g or line.ingredient.role not in ("varied", "fixed"):
            continue
        carrier = _carrier(line, lines)
        taken = 9 * line.target_g + sum(9 * one.line.target_g for one in out if one.carrier is carrier)
        if carrier is None or carrier.target_g - taken < carrier.least_g:
            continue
        step = 10.0**-line.decimals
        part = round(math.ceil(line.least_g / step - 1e-9) * step, line.decimals)
        out.append(Premix(line, carrier, part, 9 * part, 10 * line.target_g))
    return tuple(out)


def _carrier(line: Line, lines: Sequence[Line]) -> Line | None:
    mates = [
        one
        for one in lines
        if one.ingredient.phase == line.ingredient.phase and not one.is_small and one.ingredient.role != "adjuster"
    ]
    return max(mates, key=lambda one: one.target_g, default=None)


def small_weights(study: Study, lines: Sequence[Line]) -> tuple[str, ...]:
    """What is too little for its balance, a sentence a balance, with the ways out, then the recipes of premixes.

    They are a bigger batch, a finer balance, or a premix of one part in ten.
    """
    tolerance = study.make.weigh_tolerance
    mixed = premixes(lines)
    said = []
    for balance in dict.fromkeys(line.balance for line in lines if line.is_small):
        small = [line for line in lines if line.is_small and line.balance == balance]
        least, smallest = small[0].least_g, min(line.target_g for line in small)
        batch = math.ceil(study.batch_g * least / smallest / 10) * 10
        step = 10.0 ** math.floor(math.log10(smallest * tolerance / 2.0))  # repeating as well as it reads
        names = ", ".join(f"{line.label} {line.target_g:.{line.decimals}f} g" for line in small)
        ways = [f"a batch of {batch:g} g", f"a balance reading {step:g} g"]
        if any(one.line in small for one in mixed):
            ways.append("a premix")
        said.append(f"{names}: under {least:.3g} g, the least that {balance} weighs within {100 * tolerance:g} %. "
                    f"Better: {', or '.join(ways)}.")  # fmt: skip
    carriers = list(dict.fromkeys(one.carrier.ingredient.name for one in mixed))
    said += [_premix_words([one for one in mixed if one.carrier.ingredient.name == name]) for name in carriers]
    without = [line.label for line in lines if line.is_small and all(one.line is not line for one in mixed)]
    if mixed and without:
        said.append(f"No premix helps {', '.join(without)}: nothing in the same phase is heavy enough to carry it.")
    if mixed:
        said.append("Of a premix, write a tenth on the line of what is in it, and nine tenths on that of its carrier.")
    return tuple(said)


def _premix_words(mixed: Sequence[Premix]) -> str:
    """The recipes of all premixes with one carrier, and how much of the carrier is then weighed by itself."""
    carrier = mixed[0].carrier
    said: list[str] = []
    for one in mixed:
        name, places = one.line.label, one.line.decimals
        what = "premix" if said else "Premix"
        said.append(f"{what} of {name}: mix {one.part_g:.{places}f} g of it with {one.carrier_g:.{places}f} g of "
                    f"{carrier.label}; take {one.dose_g:.{places}f} g of that premix instead of "
                    f"{one.line.target_g:.{places}f} g {name}")  # fmt: skip
    left = carrier.target_g - sum(0.9 * one.dose_g for one in mixed)
    places = max(carrier.decimals, *(one.line.decimals for one in mixed))
    return (f"{'; '.join(said)}, and weigh {left:.{places}f} g of {carrier.label} "
            f"(not {carrier.target_g:.{places}f} g).")  # fmt: skip
