"""Sentences on batches not made yet, what they may bring and where more stop paying; and on those that came back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from reports.numbers import counted, likely, listed, money, plain

Row = tuple[str, ...]
_NOTHING = 0.0005  # of the chance: what is shown as nothing
_SELDOM = 0.005
_LITTLE = 0.005  # of the chance: what takes no table
HEADS = ("batches", "chance then", "another adds", "enough in", "cost")


def gain_line(gain: Mapping[str, Any], chance: Any, batches: int, currency: str) -> str:
    """What so many of the next batches are expected to bring, from the chance as it is, and what that costs."""
    if not batches or not isinstance(chance, float):
        return ""
    risen = float(gain["chance"])
    if risen < _NOTHING:
        return "Not expected to raise the chance by anything to speak of."
    these = counted(batches, "further batch is", "further batches are")
    digits = 1 if likely(chance) == _then(chance, risen) else 0
    change = f"by about {_about(risen)}, from {likely(chance, digits)} to {_then(chance, risen, digits)}"
    said = f"{these} expected to raise the best chance {change}"
    paid = gain.get("money_per_percent")
    return f"{said}; a point costs about {_roughly(paid, currency)}." if isinstance(paid, float) else f"{said}."


def _about(rise: float) -> str:
    """A rise that is only expected: whole points from ten on, as in the chances beside it."""
    return f"{plain(100 * rise, 0)} points" if rise >= 0.0995 else points(rise)


def _roughly(paid: float, currency: str) -> str:
    """Money that is only expected: one digit below ten, two above."""
    return money(float(f"{paid:.1g}" if paid < 10 else f"{paid:.2g}"), currency, whole=paid >= 1)


def worth_line(gain: Mapping[str, Any], batches: int) -> str:
    """Which of the next batches are worth making, or how many would be; nothing where all of them are and no more."""
    gains, pays = list(gain.get("course") or ()), int(gain.get("pays") or 0)
    worth = sorted((str(trial) for trial in gain.get("worth") or ()), key=lambda name: (len(name), name))
    if not gains or not batches:
        return ""
    if pays < batches:
        others = batches - pays
        rest = "the other one" if others == 1 else f"the other {others}"
        added = points(gains[batches - 1] - (gains[pays - 1] if pays else 0.0))
        if pays:
            most = listed(worth) if worth else f"{pays} of them"
            return f"Most of that is to be had from {most}; {rest} would add {added}."
        return f"None of them is worth making: {'it' if batches == 1 else 'together they'} would add {added}."
    if pays > batches:
        return f"Up to {pays} are worth making: {pays - batches} more would add {_added(gains, batches, pays)}."
    if len(gains) > batches:
        more, added = len(gains) - batches, gains[-1] - gains[batches - 1]
        each = f", {points(added / more)} each" if more > 1 else ""
        return f"After {'it' if batches == 1 else 'these'} it flattens: {more} more would add {points(added)}{each}."
    return ""


def ceiling_line(gain: Mapping[str, Any], chance: Any, wanted: float) -> str:
    """What could be had were every must known exactly; nothing where there is no chance."""
    most = gain.get("ceiling")
    if not isinstance(most, Mapping) or not isinstance(chance, float):
        return ""
    then = _then(chance, float(most["chance"]))
    whole = f"Were every must known exactly, the best formula would pass with {then} in the mean"
    return f"{whole}, and reach the {likely(wanted)} asked for in {cases(float(most['reached']))}."


def gain_rows(gain: Mapping[str, Any], chance: Any, cost: float, currency: str) -> list[Row]:
    """A row a number of further batches: what the best chance is then, what the last of them adds, how often enough.

    The columns are `HEADS`, without the last where no `cost` of a batch is known; nothing where no gains are known, or
    all of them bring less than half a point: the sentence that says so says it all.
    """
    gains, reached = list(gain.get("course") or ()), list(gain.get("reached") or ())
    if not gains or not isinstance(chance, float) or gains[-1] < _LITTLE:
        return []
    rows = []
    for k, (gained, odds) in enumerate(zip(gains, reached, strict=True), 1):
        added = gained - (gains[k - 2] if k > 1 else 0.0)
        spent = [money(k * cost, currency, whole=cost >= 1)] if cost else []
        rows.append((str(k), _then(chance, gained, 1), points(added), in_a_hundred(odds), *spent))
    return rows


def gain_note(wanted: float, batch_cost: float, each: float | None) -> str:
    """What the columns of `gain_rows` mean; `each` is what a batch costs with its materials, where that is known."""
    alone = "Cost: by batch_cost alone, without materials." if batch_cost else "No batch_cost is given."
    return (
        f"Chance then: of the best formula, in the mean over what the batches may read. Enough in: how often the "
        f"{likely(wanted)} asked for is then reached. {alone if each is None else 'Cost: with materials.'}"
    )


def points(rise: float) -> str:
    """A rise of a chance: `7.1 points`, one below a tenth as such."""
    return "under 0.1 points" if 0 < rise < _NOTHING else f"{plain(100 * rise, 1)} points"


def in_a_hundred(share: float) -> str:
    """How often: `12 of 100`, below one half as no number."""
    return "hardly any case" if share < _SELDOM else f"{100 * share:.0f} of 100"


def cases(share: float) -> str:
    """How often, of cases: `12 of 100 cases`."""
    return in_a_hundred(share) + ("" if share < _SELDOM else " cases")


def passes_line(verdict: Mapping[str, Any] | None) -> str:
    """How many confirmation batches passed every must, against the chance that was said of them before."""
    told = None if verdict is None else verdict.get("passes")
    if not isinstance(told, Mapping) or "passed" not in told:
        return ""
    passed, count, so_few = int(told["passed"]), int(told["of"]), float(told["so_few"])
    known = "this batch" if count == 1 else "these batches"
    before = f"Without {known} the models give it a chance of {likely(float(told['chance']))}"
    if passed == count:
        every = "the one batch passes" if count == 1 else f"all {count} pass"
        return f"{before}; {every} then in {likely(float(told['so_many']))} of cases."
    how = "a surprise" if so_few < _SURPRISE else "no surprise"
    said = f"{passed} of {counted(count, 'fresh batch', 'fresh batches')} passed every must."
    few = "none passes" if passed == 0 else f"so few as {passed} {'passes' if passed == 1 else 'pass'}"
    return f"{said} {before}; {few} then in {likely(so_few)} of cases: {how}."


_SURPRISE = 0.05  # common practice, no source


def _then(chance: float, risen: float, digits: int = 0) -> str:
    return likely(min(chance + risen, 1.0), digits)


def _added(gains: Sequence[float], fewer: int, more: int) -> str:
    return points(gains[more - 1] - gains[fewer - 1])
