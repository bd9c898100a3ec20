"""Where a study stands: its rounds, whether its analyses are fresh, and the one step that comes next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from doe.bench.drafts import SET_ASIDE, USABLE
from doe.design.design import Design
from doe.results.results import stored_results
from optimise.models.findings import nothing_to_fit
from reports.wording.prompt import typed
from studies.analysis import is_fresh
from studies.folder import StudyFolder
from studies.names import MODELS, OPTIMUM

if TYPE_CHECKING:
    import pandas as pd


def rounds(folder: StudyFolder) -> list[dict[str, Any]]:
    """One row a round: how many trials it has, how many were made, came to nothing (`out`), or were withdrawn.

    `aside` counts those of the made of which every batch was set aside, `gone` those that the present definition cannot
    express. `changed` names the parts of the definition
    that differ from those it was planned for. A trial of which every batch failed or cannot be made is not made, but
    was tried.
    """
    withdrawn = set(folder.withdrawn())
    batches = stored_results(folder.path).batches if folder.has_results() else None
    now = _trials_in(folder.results.batches if folder.has_results() else None, USABLE)
    tried = set() if batches is None else {str(trial) for trial in batches["trial"]}
    counts = _trials_in(batches, USABLE)
    made = counts | _trials_in(batches, (SET_ASIDE,))
    rows = []
    for design in folder.designs():
        trials = {str(trial) for trial in design.table.index}
        rows.append(
            {
                "round": design.round,
                "purpose": folder.round_note(design.round).get("purpose", "plan"),
                "trials": len(trials),
                "made": len(trials & made),
                "aside": len(trials & made - counts),
                "gone": len(trials & counts - now),
                "out": len(trials & tried - made),
                "withdrawn": len(trials & withdrawn),
                "waiting": len(trials - tried - withdrawn),
                "changed": _changed(folder, design.study_digests),
            }
        )
    return rows


def _trials_in(batches: pd.DataFrame | None, states: Sequence[str]) -> set[str]:
    """The trials that have a batch in one of these states."""
    return set() if batches is None else {str(trial) for trial in batches.loc[batches["state"].isin(states), "trial"]}


def analyses(folder: StudyFolder) -> dict[str, str]:
    """Models and optimum: none, fresh, or stale where results or definition moved on."""
    return {key: _state(folder, file) for key, file in (("models", MODELS), ("optimum", OPTIMUM))}


def _state(folder: StudyFolder, name: str) -> str:
    if folder.stored(name) is None:
        return "none"
    return "fresh" if is_fresh(folder, name) else "stale"


def _changed(folder: StudyFolder, then: Mapping[str, str]) -> list[str]:
    """Which parts of the definition differ from those the round was planned for."""
    now = folder.study.digests
    return [part for part in ("tried", "measured", "wanted") if part in then and then[part] != now[part]]


def next_step(folder: StudyFolder, name: str) -> str:
    """The command that comes next in the folder a person calls `name`; every command that ends says this one.

    `folder` is read as it stands on disk: after a change, give one that was opened after it.
    """
    known = rounds(folder)
    if not known and not folder.has_results():
        return typed("plan", name)
    waiting = [row for row in known if row["waiting"]]
    if waiting:
        return typed("record", name, f"{name}/bench/round-{waiting[-1]['round']}.xlsx")
    if nothing_counts(folder):
        return nothing_to_fit(folder.results).do.replace("blendwright plan FOLDER", typed("plan", name))
    states = analyses(folder)
    due = (folder.stored(OPTIMUM) or {}).get("due") if states["optimum"] == "fresh" else None
    if due is None and known and known[-1]["purpose"] == "confirm":
        # Its batches came back: what they say comes first.
        return typed("next", name)
    if states["models"] != "fresh":
        return typed("fit", name)
    return command_for(due, name) if due is not None else typed("optimise", name)


def nothing_counts(folder: StudyFolder) -> bool:
    """Whether batches are on record and none of them counts: set aside, failed, or of a definition that is no more."""
    return folder.has_results() and not len(folder.results.usable)


def command_for(due: Mapping[str, Any], name: str) -> str:
    """The command by which what is due (as `Due.to_dict` gives it) is done in the folder a person calls `name`."""
    if due["why"] == "short":
        return typed("next", name, "--learn")
    if due["purpose"] != "stop":
        return typed("next", name, f"--{due['purpose']}", due["batches"])
    again = typed("optimise", name)
    relax = "agree which limit may move or what other ingredient to allow, change study.toml, then"
    return {
        "flat": f"{relax} {again}; or make it as it stands: {typed('next', name, '--confirm')}",
        "confirmed": typed("card", name),
        "spent": typed("report", name),
        "clash": f"agree which limit may move, change it in study.toml, then {again}",
        "no aims": f"say what is wanted in study.toml (aim, low, high), then {again}",
    }[due["why"]]


def untouched(folder: StudyFolder) -> Design | None:
    """A round of which nothing was tried yet and that was not retired."""
    for design, row in zip(folder.designs(), rounds(folder), strict=True):
        if row["waiting"] and not row["made"] + row["out"]:
            return design
    return None
