"""Which confirmation batches are made together, on one day or in one whole plot, and so share what these differ by."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal

from doe.problems import Problem
from doe.results.results import Results
from doe.study import Study

Kind = Literal["whole_plot", "block"]
_KINDS: tuple[Kind, ...] = ("whole_plot", "block")


def planned_days(study: Study, count: int) -> dict[Kind, list[int]]:
    """How many of `count` batches of one formula are made on each day, as many as can be; one setting-up a day."""
    a_day = max(int(study.batches_per_day), 1)
    sizes = [min(a_day, count - made) for made in range(0, count, a_day)]
    return dict.fromkeys(_KINDS, sizes)


def recorded_days(study: Study, results: Results, batches: Sequence[str]) -> dict[Kind, list[int]]:
    """How many of `batches` share each day, and each whole plot, as recorded; as planned where that is not known."""
    planned = planned_days(study, len(batches))
    rows = results.batches.loc[list(batches)]
    out: dict[Kind, list[int]] = {}
    for kind in _KINDS:
        # Whole plots are numbered within a round.
        by = ["round", kind] if kind == "whole_plot" else [kind]
        known = bool(rows[kind].notna().all())
        out[kind] = [int(size) for size in rows.groupby(by, dropna=False).size()] if known else planned[kind]
    return out


def made_together(days: Mapping[Kind, Sequence[int]], shared: Sequence[str]) -> tuple[Problem, ...]:
    """What is taken for granted of the days on which the batches are made, where any response shares an error in them.

    `shared` names these responses.
    """
    sizes = days["block"]
    if not shared or max(sizes) < 2:
        return ()
    when = "on one day" if len(sizes) == 1 else f"on {len(sizes)} days"
    got = (
        f"the limits take the {sum(sizes)} batches as made {when}, with one setting-up a day: what that shifts, it"
        f" shifts in all of them ({', '.join(shared)}), so they say little of the days to come"
    )
    do = "make them on different days where you can; they are then judged by wider limits, and tell more"
    return (Problem("made-together", "inform", "confirmation", got, "", do),)
