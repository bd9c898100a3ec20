"""What a round of trials takes from the store-room, material by material."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from doe.recipes.weighing import weigh_lines

if TYPE_CHECKING:
    from doe.design.design import Design
    from doe.study import Study

HANDLING = 0.05  # of what is weighed: stays on spoons and in containers; common practice, no source


@dataclass(frozen=True, slots=True)
class Need:
    """One material of a round, grams as supplied.

    `weighed_g` is the sum of all targets in `trials` batches, `largest_g` the most in one of them. `losses_g` is what
    boils off and is made up (of the fill), and what stays on spoons and in containers. `fetch_g` is all of it with the
    largest batch once more, for one that fails, rounded up to be told in two figures.
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
        for line in weigh_lines(study, {str(name): level for name, level in levels.items()}):
            item = line.ingredient
            about[line.label] = (item.phase, str(item.facts.get("lot", "")), item.role == "fill")
            place[line.label] = order.index(item.name)
            if line.target_g > 0:
                grams.setdefault(line.label, []).append(line.target_g)
    out = []
    for label in sorted(grams, key=lambda name: place[name]):
        weighed, largest = math.fsum(grams[label]), max(grams[label])
        phase, lot, is_fill = about[label]
        made_up = study.make.loss * study.batch_g * len(design.table) if is_fill and study.make.make_up else 0.0
        losses = HANDLING * weighed + made_up
        fetch = _rounded_up(weighed + losses + largest)
        out.append(Need(label, phase, len(grams[label]), weighed, largest, losses, fetch, lot))
    return tuple(out)


def _rounded_up(grams: float) -> float:
    """Two figures, never less: 1234 as 1300, 0.0123 as 0.013."""
    step = 10.0 ** (math.floor(math.log10(grams)) - 1)
    return float(f"{math.ceil(grams / step - 1e-9) * step:.12g}")
