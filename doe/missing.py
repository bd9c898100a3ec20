"""What is still missing of each planned trial: whether it was made, and which responses were not read."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from doe.drafts import USABLE
from doe.planned import planned_trials
from doe.resultset import Results

if TYPE_CHECKING:
    from doe.design import Design
    from doe.study import Study


@dataclass(frozen=True, slots=True)
class Missing:
    """What a trial still waits for: `made` says whether it was made, `responses` what is not read of its batch."""

    trial: str
    batch: str
    round: int
    made: bool
    responses: tuple[str, ...]

    def to_dict(self) -> dict[str, object]:
        """The form it has in `status --json`."""
        return {
            "trial": self.trial,
            "batch": self.batch,
            "round": self.round,
            "made": self.made,
            "responses": list(self.responses),
        }


def missing(
    study: Study, designs: Sequence[Design], results: Results | None, withdrawn: Collection[str] = ()
) -> tuple[Missing, ...]:
    """Trials not made yet, and batches in use that lack a response; in the order of the plans.

    A reading that was said to be not measured is not missing.
    """
    names = tuple(response.name for response in study.measured_responses)
    read = _read(results)
    out = []
    for trial, plan in planned_trials(designs).items():
        if trial in withdrawn:
            continue
        batches = _batches(results, trial)
        if not batches:
            out.append(Missing(trial, f"{trial}-1", plan.round, False, names))
        for batch, state in batches.items():
            lacks = tuple(name for name in names if name not in read.get(batch, set()))
            if lacks and state in USABLE:
                out.append(Missing(trial, batch, plan.round, True, lacks))
    return tuple(out)


def _read(results: Results | None) -> Mapping[str, set[str]]:
    out: dict[str, set[str]] = {}
    if results is not None:
        for batch, response in zip(results.readings["batch"], results.readings["response"], strict=True):
            out.setdefault(str(batch), set()).add(str(response))
    return out


def _batches(results: Results | None, trial: str) -> dict[str, str]:
    if results is None:
        return {}
    rows = results.batches[results.batches["trial"] == trial]
    return {str(batch): str(state) for batch, state in rows["state"].items()}
