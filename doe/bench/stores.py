"""What a round of trials takes from the store-room, material by material."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from doe.recipes.weighing import Line, premixes, weigh_lines

if TYPE_CHECKING:
    from doe.design.design import Design
    from doe.study import Study

HANDLING = 0.05  # of what is weighed: stays on spoons and in containers; common practice, no source


@dataclass(frozen=True, slots=True)
class Need:
    """One material of a round, grams as supplied.

    `weighed_g` is what `trials` batches weigh, premixes as their sheets have them mixed, `largest_g` the most in one of
    them. `losses_g` is what boils off and is made up (of the fill), and what stays on spoons and in containers.
    `fetch_g` is all of it with the largest batch once more, for one that fails, rounded up to be told in two figures.
    """

    label: str
    phase: str
    trials: int
    weighed_g: float
    largest_g: float
    losses_g: float
    fetch_g: float
    lot: str


def needs(study: Study, design: Design) -> tuple[Need, ...]:
    """Every material that a plan takes, in the order of the study; one in place of another stands by itself."""
    grams: dict[str, list[float]] = {}
    about: dict[str, tuple[str, str, bool]] = {}
    order = [item.name for item in study.ingredients]
    place: dict[str, int] = {}
    for levels in design.table.to_dict("records"):
        lines = weigh_lines(study, {str(name): level for name, level in levels.items()})
        more = _for_premixes(lines)
        for line in lines:
            item = line.ingredient
            about[line.label] = (item.phase, str(item.facts.get("lot", "")), item.role == "fill")
            place[line.label] = order.index(item.name)
            if line.target_g > 0:
                grams.setdefault(line.label, []).append(line.target_g + more.get(line.label, 0.0))
    out = []
    for label in sorted(grams, key=lambda name: place[name]):
        weighed, largest = math.fsum(grams[label]), max(grams[label])
        phase, lot, is_fill = about[label]
        made_up = study.make.loss * study.batch_g * len(design.table) if is_fill and study.make.make_up else 0.0
        losses = HANDLING * weighed + made_up
        fetch = _rounded_up(weighed + losses + largest)
        out.append(Need(label, phase, len(grams[label]), weighed, largest, losses, fetch, lot))
    return tuple(out)


def _for_premixes(lines: Sequence[Line]) -> dict[str, float]:
    """Grams over its target that a batch takes of what is in its premixes: a premix is mixed larger than its dose."""
    more: dict[str, float] = {}
    for mix in premixes(lines):
        for line, taken, target in (
            (mix.line, mix.part_g, mix.dose_g / 10), (mix.carrier, mix.carrier_g, 0.9 * mix.dose_g),
        ):  # fmt: skip
            more[line.label] = more.get(line.label, 0.0) + taken - target
    return more


def premixed(study: Study, design: Design) -> tuple[tuple[str, str], ...]:
    """What is weighed as a premix in some batch of a plan, each with its carrier, in the order of the study."""
    found: dict[tuple[str, str], None] = {}
    for levels in design.table.to_dict("records"):
        lines = weigh_lines(study, {str(name): level for name, level in levels.items()})
        found |= {(mix.line.label, mix.carrier.label): None for mix in premixes(lines)}
    return tuple(found)


def _rounded_up(grams: float) -> float:
    """Two figures, never less: 1234 as 1300, 0.0123 as 0.013."""
    step = 10.0 ** (math.floor(math.log10(grams)) - 1)
    return float(f"{math.ceil(grams / step - 1e-9) * step:.12g}")
