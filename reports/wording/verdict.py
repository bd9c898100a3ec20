"""What confirmation batches said of a formula, in words, from the facts of `optimise.confirmation`."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from reports.facts import Formula
from reports.numbers import counted, exactly, listed

Verdict = Mapping[str, Any]


def said(verdict: Verdict) -> str:
    """What came of it: `Confirmed: ...`, or `Not confirmed: ...` and in what."""
    if verdict["confirmed"]:
        return f"Confirmed: {confirmed(verdict)}."
    if confirmed_once(verdict):
        return f"Not confirmed any more: {_against(verdict)}. {_ONCE}"
    return f"Not confirmed: {_against(verdict)}."


_ONCE = "By what was asked when its batches were planned, they confirmed it."


def confirmed_words(verdict: Verdict | None) -> str | None:
    """By what a formula is confirmed; None where it is not."""
    return confirmed(verdict) if verdict is not None and verdict["confirmed"] else None


def confirmed(verdict: Verdict) -> str:
    """How the batches came out that confirmed a formula; those that do not count are named."""
    count, left_out = len(verdict["batches"]), list(verdict["left_out"])
    batches = "the confirmation batch" if count == 1 else f"all {count} confirmation batches"
    if left_out:
        others = (
            f"{', '.join(left_out)} made otherwise than planned by over {exactly(100 * verdict['near'])} % of a reach"
        )
        batches += f" that count ({others})"
    return f"{batches} came out as predicted and met every must"


def not_confirmed(verdict: Verdict) -> str:
    """That fresh batches did not confirm a formula, or do no more, and in what."""
    batches = counted(len(verdict["batches"]), "fresh batch", "fresh batches")
    if confirmed_once(verdict):
        return f"Not confirmed any more by {batches}: {_against(verdict)}. {_ONCE}"
    return f"Not confirmed by {batches}: {_against(verdict)}."


def confirmed_once(verdict: Verdict) -> bool:
    """Whether a formula that is not confirmed would be by what was asked when its batches were planned."""
    return not verdict["confirmed"] and bool(verdict.get("confirmed_then"))


def failed(verdict: Verdict | None, formula: Formula) -> bool:
    """Whether fresh batches of this very formula came back and do not confirm it."""
    return verdict is not None and not verdict["confirmed"] and verdict.get("formula", formula.name) == formula.name


def not_yet(formula: Formula, verdict: Verdict) -> str:
    """Why a formula of which fresh batches came back is not to be handed over."""
    if confirmed_once(verdict):
        return f"Do not hand over {formula.name} yet: what is asked has changed since fresh batches confirmed it"
    return f"Do not hand over {formula.name} yet: fresh batches did not confirm it"


def standing(formula: Formula, verdict: Verdict | None) -> str:
    """Whether fresh batches have confirmed the formula, and where they did not, in what."""
    if formula.confirmed:
        return f"{formula.confirmed[:1].upper()}{formula.confirmed[1:]}."
    none = "Predicted; no fresh batches of this very formula have confirmed it yet."
    if verdict is None:
        return none
    if not failed(verdict, formula):
        said_of = not_confirmed(verdict)
        return f"{none} {verdict['formula']}: {said_of[:1].lower()}{said_of[1:]}"
    count = len(verdict["batches"])
    these = f"{'The fresh batch' if count == 1 else f'{count} fresh batches'} of it"
    if confirmed_once(verdict):
        return f"{these} confirmed it by what was asked when they were planned; now: {_against(verdict)}."
    off, out = list(verdict["off"]), [name for name in verdict["missed"] if name in verdict["responses"]]
    says = [f"did not come out as predicted in {listed(off)}"] if off else []
    says += [f"lay outside the limits of {listed(out)}"] if out else []
    return f"{these} {listed(says or ['count no more: the study has moved on'])}."


def _against(verdict: Verdict) -> str:
    """What stands against it, in one line."""
    off, missed, breaks = (list(verdict[key]) for key in ("off", "missed", "breaks"))
    its = "the present" if confirmed_once(verdict) else "its" if len(missed) == 1 else "their"
    parts = [f"not as predicted: {', '.join(off)}"] if off else []
    parts += [f"outside {its} limits: {', '.join(missed)}"] if missed else []
    parts += [f"the study does not allow it any more: {', '.join(breaks)}"] if breaks else []
    return "; ".join(parts)
