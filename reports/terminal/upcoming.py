"""`next` at a terminal: the batches worth making, what they and more of them would bring, and what came back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from doe.problems import Problem
from doe.study import Study
from reports.numbers import counted, money
from reports.tables import aligned, clean, wrapped
from reports.terminal.terminal import moving, new_findings, next_line, number_of, paged
from reports.wording import further, grades
from reports.wording.decision import confirm_line
from reports.wording.levels import shown_level


def upcoming(
    study: Study, document: Mapping[str, Any], todo: str, told: Sequence[str] = (), issued: str = ""
) -> str:  # fmt: skip
    """The batches worth making next, from the document of `next`.

    `todo` says what to do then, `issued` what of all this is not issued yet.
    """
    rows = [
        [row["trial"], *(shown_level(study, c, row["levels"][c]) for c in study.columns if c in moving(study))]
        for row in document["runs"]
    ]
    head = ("trial", *(c for c in study.columns if c in moving(study)))
    again = [clean(str(row.get("replicate_of") or "")) for row in document["runs"]]
    if document["purpose"] == "learn" and any(again):
        rows = [[*row, f"again {of}" if of else ""] for row, of in zip(rows, again, strict=True)]
        head = (*head, "")
    name = clean(document["formula"])
    says = {
        "confirm": f"{counted(len(rows), 'confirmation batch', 'confirmation batches')} of {name}.",
        "learn": f"{counted(len(rows), 'batch', 'batches')} that {'teaches' if len(rows) == 1 else 'teach'} most about "
        "the formulas worth making.",
        "stop": _STOPS.get(document["why"], ""),
    }[document["purpose"]]
    if document.get("way"):
        says = f"{counted(len(rows), 'batch', 'batches')} on the way to a better {clean(document['way'])}."
    cost = number_of(document.get("cost"))
    spent = f" Cost {money(cost, study.currency, whole=cost >= 1)}." if cost else ""
    verdict = document.get("verdict") or {}
    said = str(verdict.get("says", ""))
    if said and "formula" in verdict:
        said = f"{verdict['formula']} is {said[:1].lower()}{said[1:]}"
    said = f"{said} {further.passes_line(verdict)}".strip()
    stop = str(document.get("stop") or "")
    problems = [Problem.from_dict(entry) for entry in document["problems"]]
    table = aligned(rows, head, right=range(1, len(head)), most=16) if rows else ""
    keep = _to_keep(study, document.get("limits") or {}, len(rows))
    told = [said, confirm_line(document.get("advice")), *told, stop]
    bring = _gains(study, document, len(rows), None if cost is None or not rows else cost / len(rows))
    return paged(
        wrapped(f"{says}{spent}"), table, bring, keep, *map(wrapped, told), new_findings(study, problems),
        wrapped(issued), next_line(todo),
    )  # fmt: skip


def _gains(study: Study, document: Mapping[str, Any], batches: int, each: float | None) -> str:
    """What the trials, and more or fewer of them, are expected to bring; `each` is what one costs in all."""
    # Further trials are held against the best formula there is by now, confirmed or not.
    gain, chance = document.get("gain") or {}, (document.get("better") or document).get("chance")
    if number_of(gain.get("chance")) is None or "course" not in gain:
        return ""
    each = each if study.batch_cost else None
    rows = further.gain_rows(gain, chance, each or study.batch_cost, study.currency)
    said = [further.gain_line(gain, chance, batches, study.currency), further.worth_line(gain, batches)]
    heads = further.HEADS[: len(rows[0])] if rows else ()
    table = aligned(rows, heads, right=range(len(heads))) if rows else ""
    note = further.gain_note(document["wanted"], study.batch_cost, each) if rows else ""
    return "\n".join([*(wrapped(line) for line in said if line), "", table, wrapped(note)]).strip()


_STOPS = {
    "confirmed": "Nothing more to make: the formula is confirmed.",
    "spent": "Nothing more to make: the batches or the money are used up.",
    "clash": "Nothing to make yet: some musts cannot be met together, as predicted; optimise says which.",
    "no aims": "Nothing to make yet: nothing is wanted of any response.",
    "flat": "No further trial is worth its cost, with these limits and ingredients.",
}


def _to_keep(study: Study, limits: Mapping[str, Sequence[float]], count: int) -> str:
    """Between what every confirmation batch has to come out if the models are right."""
    if not limits:
        return ""
    responses = {name: study.response(name) for name in limits}
    rows = [
        (clean(name), grades.as_read(responses[name], *ends), responses[name].unit) for name, ends in limits.items()
    ]
    every = "it comes" if count == 1 else "every one comes"
    head = f"As predicted if {every} out within these limits (95 % prediction, all of them at once):"
    return "\n".join([wrapped(head), "", aligned(rows, ("response", "within", "unit"))])
