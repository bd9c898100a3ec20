"""What is still missing of each planned trial: whether it was made, and which responses were not read."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from doe.bench.drafts import USABLE
from doe.bench.planned import planned_trials
from doe.results.resultset import Results

if TYPE_CHECKING:
    from doe.definition.parts import Response
    from doe.design.design import Design
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
    wanted = study.measured_responses
    names = tuple(response.name for response in wanted)
    read = _read(results)
    out = []
    for trial, plan in planned_trials(designs).items():
        if trial in withdrawn:
            continue
        batches = _batches(results, trial)
        if not batches:
            out.append(Missing(trial, f"{trial}-1", plan.round, False, names))
        for batch, state in batches.items():
            lacks = tuple(r.name for r in wanted if not _is_read(r, read.get((batch, r.name), set())))
            if lacks and state in USABLE:
                out.append(Missing(trial, batch, plan.round, True, lacks))
    return tuple(out)


def _read(results: Results | None) -> Mapping[tuple[str, str], set[str]]:
    """The speeds at which there is something of a batch and response; "" where none stands beside it."""
    out: dict[tuple[str, str], set[str]] = {}
    if results is not None:
        columns = (results.readings[name] for name in ("batch", "response", "speed"))
        for batch, response, speed in zip(*columns, strict=True):
            out.setdefault((str(batch), str(response)), set()).add(str(speed or ""))
    return out


def _is_read(response: Response, speeds: set[str]) -> bool:
    """Whether a response is read: a curve at all its rates, unless a reading says of the whole that it is not."""
    if response.kind != "curve" or not speeds or "" in speeds:
        return bool(speeds)
    given = [number for number in map(_number, speeds) if number is not None]
    return all(any(math.isclose(rate, one, rel_tol=1e-6) for one in given) for rate in response.rates)


def _number(text: str) -> float | None:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return None


def _batches(results: Results | None, trial: str) -> dict[str, str]:
    if results is None:
        return {}
    rows = results.batches[results.batches["trial"] == trial]
    return {str(batch): str(state) for batch, state in rows["state"].items()}
