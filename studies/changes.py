"""What has moved: the formula since it was last looked for, and the chance of the formulas that are kept."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from doe.problems import StudyError, Unavailable
from optimise import Models, Optimum
from optimise.models.broken import standings
from studies import formulas
from studies.folder import StudyFolder
from studies.names import OPTIMUM
from studies.renamed import formula_now

BECAUSE = {
    "results": "new results",
    "wanted": "new aims or limits",
    "tried": "new ingredients, ranges or factors",
    "measured": "new methods or units",
    "facts": "new facts of materials, of the making or of a response",
}
_SAME = 1e-9


def of_best(folder: StudyFolder, document: Mapping[str, Any]) -> dict[str, Any] | None:
    """How the formula of an optimum document differs from the one last found, where that rested on something else.

    `because` says what moved on, `chance` and `levels` give then and now; levels that are the same are left out.
    None before any search, and where nothing moved on.
    """
    before = folder.stored(OPTIMUM)
    if before is None or "blend" not in before:
        return None
    then, now = before.get("digests", {}), document["digests"]
    because = [why for part, why in BECAUSE.items() if then.get(part) != now.get(part)]
    if not because:
        return None
    old, new = (
        {**row.get("blend", {}), **row.get("factors", {})} for row in (formula_now(before, folder.study), document)
    )
    levels = {
        name: [old.get(name, 0.0), new.get(name, 0.0)]
        for name in dict.fromkeys((*new, *old))
        if not _alike(old.get(name, 0.0), new.get(name, 0.0))
    }
    return {
        "because": because, "label": [before.get("label", "F1"), document["label"]],
        "chance": [before.get("chance_all"), document["chance_all"]], "levels": levels,
    }  # fmt: skip


def of_kept(folder: StudyFolder, models: Models) -> list[dict[str, Any]]:
    """Each kept formula with its chance as it was kept (`then`) and by the present models and aims (`now`).

    `breaks`, where there are any, are limits that the study has by now and that the formula does not keep.
    """
    out = []
    for name, kept in folder.formulas().items():
        now: Any
        breaks: list[str] = []
        try:
            levels = formulas.levels_of(kept, folder.study, name)
            breaks = list(standings(folder.study, levels)[0].broken)
            found = models.joint(levels)
            now = found if isinstance(found, Unavailable) else float(found[0][0])
        except StudyError as error:
            now = Unavailable(error.problems[0].got, error.problems[0].do)
        now = now.to_dict() if isinstance(now, Unavailable) else now
        out.append(
            {"formula": name, "then": kept.get("chance_all"), "now": now, **({"breaks": breaks} if breaks else {})}
        )
    return out


def told_with(folder: StudyFolder, models: Models, best: Optimum | None, document: Mapping[str, Any]) -> dict[str, Any]:
    """The keys `changed` (where there is something) and `kept` that go with a document."""
    changed = of_best(folder, document) if best is not None else None
    return {**({"changed": changed} if changed else {}), "kept": of_kept(folder, models)}


def _alike(one: Any, other: Any) -> bool:
    if isinstance(one, str) or isinstance(other, str):
        return bool(one == other)
    return abs(float(one) - float(other)) <= _SAME * max(1.0, abs(float(one)))
