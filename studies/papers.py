"""What a round of trials leaves in the folder: its plan for machines and people, and the papers for the bench."""

from __future__ import annotations

import platform
import re
from collections.abc import Mapping
from typing import Any

from doe.design.design import Design
from doe.tables.tables import csv_text
from reports.documents import json_text
from reports.papers.sheets import write_sheets
from reports.papers.storeroom import write_storeroom
from reports.papers.workbook import write_bench_book
from studies.cli import version
from studies.folder import StudyFolder
from studies.writing import Change

_TRIAL = re.compile(r"T([0-9]+)")


def round_files(number: int) -> tuple[str, ...]:
    """Names of the files of a round, in the folder."""
    place = f"plan/round-{number}"
    return (
        f"{place}/plan.json",
        f"{place}/plan.csv",
        f"{place}/sheets.html",
        f"bench/round-{number}.xlsx",
        f"{place}/store-room.html",
    )


def issue(change: Change, folder: StudyFolder, design: Design, note: Mapping[str, Any]) -> tuple[str, ...]:
    """Have a round written: plan.json, plan.csv, a batch sheet a trial, the workbook to type into, store-room papers.

    `note` is kept beside the design (what the round is for). Returns the names of the files.
    """
    study = folder.study
    names = round_files(design.round)
    change.write(names[0], json_text({**design.to_dict(), **note, "versions": versions()}))
    change.write(names[1], plan_csv(design))
    change.draw(names[2], lambda path: write_sheets(path, study, design))
    change.draw(names[3], lambda path: write_bench_book(path, study, design))
    change.draw(names[4], lambda path: write_storeroom(path, study, design))
    return names


def versions() -> dict[str, str]:
    """Versions that a plan may depend on."""
    import numpy
    import scipy

    return {
        "blendwright": version(),
        "numpy": numpy.__version__,
        "scipy": scipy.__version__,
        "python": ".".join(platform.python_version_tuple()[:2]),
    }


def plan_csv(design: Design) -> str:
    """The plan as a table, one row a trial in the order of making."""
    columns = list(design.table.columns)
    told = [name for name in ("order", "block", "whole_plot", "replicate_of") if name in design.runs.columns]
    rows = []
    for trial in design.runs.sort_values("order").index:
        run, levels = design.runs.loc[trial], design.table.loc[trial]
        rows.append([trial, *(_cell(run[name]) for name in told), *(_cell(levels[name]) for name in columns)])
    return csv_text(["trial", *told, *columns], rows)


def _cell(value: Any) -> object:
    if value is None or value != value:
        return None
    return value if isinstance(value, str) else round(float(value), 10)


def first_free_trial(folder: StudyFolder, replaced: int | None = None) -> int:
    """The number of the next trial: ids run on through all rounds, but the one that is `replaced`, and old tables."""
    ids = [trial for design in folder.designs() if design.round != replaced for trial in design.table.index]
    if folder.has_results():
        ids += list(folder.results.batches["trial"])
    numbers = [int(match[1]) for trial in ids if (match := _TRIAL.fullmatch(str(trial)))]
    return max(numbers, default=0) + 1
