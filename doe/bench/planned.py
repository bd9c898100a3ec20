"""What was planned, trial by trial, over all rounds: what results are joined to."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from doe.groups.setups import group_label, is_absent

if TYPE_CHECKING:
    from doe.design.design import Design


@dataclass(frozen=True, slots=True)
class Planned:
    """One planned trial: its round, whole recipe, place in the order, and the trial it repeats ("" if none)."""

    trial: str
    round: int
    levels: Mapping[str, float | str]
    order: int | None
    block: str | None
    whole_plot: str | None
    replicate_of: str


def planned_trials(design: Design | Sequence[Design] | None) -> dict[str, Planned]:
    """Every planned trial by its id, of one design or of several rounds."""
    designs = [] if design is None else list(design) if isinstance(design, Sequence) else [design]
    out: dict[str, Planned] = {}
    for one in designs:
        recipes = one.table.to_dict("records")
        for trial, row in zip(one.table.index, recipes, strict=True):
            run = one.runs.loc[trial]
            out[str(trial)] = Planned(
                trial=str(trial),
                round=int(one.round),
                levels={str(k): v if isinstance(v, str) else float(v) for k, v in row.items()},
                order=None if is_absent(run.get("order")) else int(run["order"]),
                block=group_label(run.get("block")),
                whole_plot=group_label(run.get("whole_plot")),
                replicate_of=group_label(run.get("replicate_of")) or "",
            )
    return out
