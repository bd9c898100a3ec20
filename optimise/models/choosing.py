"""Which terms of a response are fitted: chosen by the batches, or all that were planned; and how that came about."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from doe.problems import Problem
from doe.terms.terms import Terms
from optimise.models.findings import say
from optimise.statistics.leastsq import Array
from optimise.statistics.selection import Choice, choose

TermsChoice = Literal["select", "all"]


@dataclass(frozen=True, slots=True, eq=False)
class Chosen:
    """The terms to fit, how they were chosen, and what there is to say of it."""

    terms: Terms
    selection: Mapping[str, Any]
    notes: tuple[Problem, ...]


def pick(planned: Terms, rows: Array, y: Array, choice: TermsChoice, where: str) -> Chosen:
    """The terms of `planned` for y (n,): its first columns of `rows` are theirs, further ones blocks, always kept."""
    free = [not s for s in planned.sure]
    if not any(free):
        free = [not first for first in planned.first_order]
    n, p = len(y), len(planned)
    if choice == "all":
        return _all_terms(planned, rows, n, free, where)
    extra = rows.shape[1] - p
    sure = [not f for f in free] + [True] * extra
    parents = _parents(planned) + [frozenset()] * extra
    found = choose(rows, y, sure, parents)
    kept = [j in found.chosen for j in range(p)]
    for j in range(p):
        kept[j] = kept[j] or sure[j]  # one that cannot be told apart is named as such later
    return Chosen(planned.only(kept), _selection(planned, found, sure), ())


def _parents(planned: Terms) -> list[frozenset[int]]:
    """Column numbers of the terms that divide each term, among those planned."""
    place = {frozenset(t.powers_dict.items()) | {("difference", t.difference)}: j for j, t in enumerate(planned.terms)}
    out = []
    for term in planned.terms:
        keys = [frozenset(t.powers_dict.items()) | {("difference", t.difference)} for t in term.parents()]
        out.append(frozenset(place[key] for key in keys if key in place))
    return out


def _selection(planned: Terms, found: Choice, sure: Sequence[bool]) -> dict[str, Any]:
    p = len(planned)
    best = found.aicc
    near = [
        {"terms": [planned.labels[j] for j in columns if j < p], "delta_aicc": score - best if score > best else 0.0}
        for score, columns in found.near
    ]
    share = {label: float(found.share[j]) for j, label in enumerate(planned.labels)}
    return {
        "how": f"{found.how}; first-order and sure terms were kept throughout",
        "criterion": "AICc",
        "near": near,
        "chosen_share": share,
        "always": [label for label, kept in zip(planned.labels, sure, strict=False) if kept],
        "looked_at": found.looked_at,
        "caution": "p-values are those of terms fixed beforehand: after a choice they are too small; read chosen_share",
    }


def _all_terms(planned: Terms, rows: Array, n: int, free: Sequence[bool], where: str) -> Chosen:
    how = {"how": "every planned term was kept", "criterion": "AICc", "near": [], "chosen_share": {}}
    if n > rows.shape[1] or not any(free):
        return Chosen(planned, how, ())
    kept = planned.only(not f for f in free)
    got = f"{n} batches cannot carry all {len(planned)} planned terms"
    note = say("too-few-for-all", "warn", where, f"{got}: only the {len(kept)} sure ones were fitted",
               "make more batches, or let terms be chosen (--terms select)")  # fmt: skip
    how["how"] = f"{got}: the sure ones were kept"
    return Chosen(kept, how, (note,))
