"""The JSON documents of the commands, and the one function that writes JSON.

Keys stand in a fixed order, numbers at full precision, text as UTF-8. A number that does not exist is
`{"unavailable": reason, "do": remedy}`; NaN and Infinity never pass.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from importlib.metadata import PackageNotFoundError
from importlib.metadata import version as installed
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from doe.design.compare import WORTH
from doe.design.reading import PlanReading
from doe.problems import Problem, StudyError, Unavailable
from doe.recipes.costs import cost_range
from doe.region.redundant import redundant_limits
from doe.region.share import share_of_box
from reports.wording.stopping import when_to_stop
from reports.wording.verdict import said

if TYPE_CHECKING:
    from doe.design.compare import Comparison
    from doe.design.design import Design
    from doe.region.region import Region
    from doe.results.results import Results
    from doe.study import Study
    from optimise.formula.optimum import Optimum
    from optimise.models.models import Models
    from optimise.models.without import Changed
    from optimise.upcoming.upcoming import Upcoming

Document = dict[str, Any]

_NO_NUMBER = Unavailable("the calculation gave no finite number", "look at the findings that stand beside it")


def version() -> str:
    """The installed version of this program."""
    try:
        return installed("blendwright")
    except PackageNotFoundError:
        return "not installed"


def plain_data(value: Any) -> Any:
    """`value` as plain JSON data: arrays to lists, records to their `to_dict`, what is not finite to its reason."""
    if value is None or isinstance(value, str | bool):
        return value
    if isinstance(value, np.generic):
        return plain_data(value.item())
    if isinstance(value, int):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else _NO_NUMBER.to_dict()
    if isinstance(value, Mapping):
        return {str(key): plain_data(inner) for key, inner in value.items()}
    if isinstance(value, pd.DataFrame):
        return [plain_data(dict(row)) for row in value.to_dict("records")]
    if isinstance(value, pd.Series):
        return plain_data(value.to_dict())
    if hasattr(value, "to_dict"):
        return plain_data(value.to_dict())
    if isinstance(value, Iterable):
        return [plain_data(inner) for inner in value]
    return str(value)


def json_text(document: Any) -> str:
    """A document as JSON text, ending in a newline. The same data always give the same bytes."""
    return json.dumps(plain_data(document), ensure_ascii=False, allow_nan=False, indent=2) + "\n"


def document(
    command: str,
    body: Mapping[str, Any],
    *,
    problems: Iterable[Problem] = (),
    digests: Mapping[str, str] | None = None,
) -> Document:
    """The frame of every document: command, version, ok, problems, digests; then `body`."""
    found = tuple(problems)
    head = {
        "command": command,
        "version": version(),
        "ok": not any(p.level == "stop" for p in found),
        "problems": [p.to_dict() for p in found],
        "digests": dict(digests or {}),
    }
    data: Document = plain_data({**head, **{key: value for key, value in body.items() if key not in head}})
    return data


def problem_document(command: str, problems: Iterable[Problem]) -> Document:
    """The document of exit 2: nothing was done, and these are the reasons."""
    return {**document(command, {}, problems=problems), "ok": False}


def check_document(study: Study, refused: Sequence[Problem] = (), trade: Sequence[Problem] = ()) -> Document:
    """`check --json`: what is wrong with the definition, the true reach of each ingredient, what it costs.

    `refused` is why no such plan can be made, or what it would tell; `trade` what checks of the trade say over all that
    the study allows.
    """
    region = study.region
    cost = cost_range(study)
    body = {
        "study": study.name,
        "region": {
            "dimension": region.dimension,
            "vertices": _corner_count(region),
            "reach": {name: list(ends) for name, ends in region.reach.items()},
            "centroid": dict(region.centroid),
            "centroid_of": "corners" if region.has_corners else "points spread evenly",
            "never_reached": list(region.redundant),
            "never_deciding": [{"limit": i.label, "because": i.says} for i in redundant_limits(region)],
            "share_of_box": share_of_box(region),
        },
        "cost_per_kg": cost if isinstance(cost, Unavailable) else {"low": cost[0], "high": cost[1]},
    }
    found = (*study.problems, *refused, *trade)
    return document("check", body, problems=found, digests=study.digests)


def _corner_count(region: Region) -> int | Unavailable:
    try:
        return region.vertex_count
    except StudyError as error:
        (problem,) = error.problems
        return Unavailable(f"{problem.got} are too many to count", problem.do)


def run_rows(design: Design) -> list[Document]:
    """The trials of a plan in the form of `runs`; `replicate_of` is absent for a first batch."""
    rows = []
    for trial, run in design.runs.iterrows():
        row = {
            "trial": trial,
            "order": run["order"],
            "block": _given(run.get("block")),
            "whole_plot": _given(run.get("whole_plot")),
            "levels": design.table.loc[str(trial)].to_dict(),
        }
        first = _given(run.get("replicate_of"))
        if first is not None:
            row["replicate_of"] = first
        rows.append(row)
    return rows


def _given(value: Any) -> Any:
    return None if value is None or (isinstance(value, float) and math.isnan(value)) or value is pd.NA else value


def plan_document(study: Study, design: Design) -> Document:
    """`plan --json`: the trials in the order to be made, its quality, and how it reads in the study's units."""
    body = {
        "round": design.round,
        "seed": design.seed,
        "runs": run_rows(design),
        "make_first": list(design.make_first),
        "quality": design.quality.to_dict(),
        "reading": PlanReading.of(study, design),
    }
    rests = {**design.study_digests, "plan": design.digest}
    return document("plan", body, problems=design.findings, digests=rests)


def compare_document(study: Study, weighed: Comparison) -> Document:
    """`plan --compare --json`: plans side by side, one row each, and where more trials stop paying."""
    rows = [
        {
            "runs": runs,
            **row,
            "own": option.own,
            "told": list(option.told),
            "terms": list(option.terms),
            "potential": option.potential,
        }
        for (runs, row), option in zip(weighed.table.iterrows(), weighed.options, strict=True)
    ]
    body = {
        "compare": rows,
        "measure": weighed.measure,
        "reaches": weighed.reaches,
        "stops_paying": weighed.stops_paying,
        "worth": WORTH,
    }
    return document("plan", body, digests=study.digests)


def record_document(
    study: Study, results: Results, *, files: Sequence[str], missing: Sequence[Mapping[str, Any]] = ()
) -> Document:
    """`record --json`: what was taken in, batch by batch, what is missing, and everything noticed on the way."""
    body = {
        "files": list(files),
        "trials": int(results.batches["trial"].nunique()),
        "batches": len(results.batches),
        "readings": len(results.counted),
        "states": results.batches["state"].value_counts().to_dict(),
        "missing": list(missing),
    }
    return document("record", body, problems=results.findings, digests={**study.digests, "results": results.digest})


def fit_document(models: Models, changed: Mapping[str, Changed] | None = None) -> Document:
    """`fit --json`: per response its terms, variance, anova, diagnosis, selection and findings.

    `changed` is what leaving trials out for a look changes.
    """
    body = {
        "responses": {name: models.entry(name) for name in models},
        "residual_correlation": _correlations(models),
        **({} if changed is None else {"changes": dict(changed)}),
    }
    return document("fit", body, problems=models.findings, digests=_digests(models))


def predict_document(models: Models, frame: pd.DataFrame, told: Callable[[int], None] | None = None) -> Document:
    """`predict --json`: what the models say of recipes, one point a row of `frame`; `told` hears how many are done."""
    points = models.points(frame, told)
    # With many recipes the place alone would not say of which one.
    found = [
        replace(one, where=one.where if len(points) == 1 else f"{name}, {one.where}")
        for name, point in zip(frame.index, points, strict=True)
        for one in map(Problem.from_dict, point["findings"])
        if one.level != "inform"
    ]
    return document("predict", {"points": points}, problems=found, digests=_digests(models))


def optimum_document(best: Optimum, *, digests: Mapping[str, str] | None = None) -> Document:
    """`optimise --json`: the formula to make, its chance and certificate, alternatives, tolerances, clashes."""
    return document("optimise", best.to_dict(), problems=best.findings, digests=digests)


def next_document(upcoming: Upcoming, *, digests: Mapping[str, str] | None = None) -> Document:
    """`next --json`: the batches worth making now, what they are for, what they cost, and when to stop."""
    runs = [] if upcoming.design is None else run_rows(upcoming.design)
    body = {**upcoming.to_dict(), "runs": runs, "stop": when_to_stop(upcoming)}
    if not isinstance(upcoming.verdict, Unavailable):
        body["verdict"] = {**body["verdict"], "says": said(upcoming.verdict)}
    return document("next", body, problems=upcoming.findings, digests=digests)


def status_document(
    study: Study, *, rounds: Sequence[Mapping[str, Any]], results: Results | None, todo: str, **more: Any
) -> Document:
    """`status --json`: where the study stands and what to do next."""
    body = {
        "study": study.name,
        "rounds": list(rounds),
        "batches": 0 if results is None else len(results.batches),
        "next": todo,
        **more,
    }
    rests = {} if results is None else {"results": results.digest}
    return document("status", body, problems=study.problems, digests={**study.digests, **rests})


def _digests(models: Models) -> dict[str, str]:
    return {**models.study.digests, "results": models.results_digest}


def _correlations(models: Models) -> Any:
    table = models.residual_correlation
    return table if isinstance(table, Unavailable) else {name: row.to_dict() for name, row in table.iterrows()}
