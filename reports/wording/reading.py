"""Sentences and rows that read a plan: how well means will be known, what will be seen, what moves together."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from doe.design.reading import PlanReading
from doe.problems import Unavailable
from doe.study import Study
from reports.facts import Facts, PlanFacts
from reports.numbers import THIN, counted, exactly, figure, likely, listed, percent, spans, with_unit

SHOWN_HEAD = (
    "Response", "Mean known to, in half of the region", "at worst", "Smallest difference seen", "What matters",
    "Chance to see that", "Hardest for",
)  # fmt: skip
SHOWN_NOTE = (
    "Known to: one standard deviation of a predicted mean. Differences are from one end of an ingredient's or factor's "
    f"reach to the other, for the one that is hardest to see; the smallest is seen with 80{THIN}% chance."
)
NOT_KNOWN = "not known"
_MOST = 5
_NAMED = 8
_LONG = 12  # names that a sentence still holds, where many follow each other as one span
_FEW = 3
_FILLING = ("nearest", "farthest", "nearest_by_lot", "farthest_by_lot")


def units_of(study: Study) -> dict[str, str]:
    """The unit of each response, none where it says no more than the name."""
    return {r.name: "" if r.unit == r.name else r.unit for r in study.responses}


def units_in(facts: Facts) -> dict[str, str]:
    """The same from facts."""
    return {spec.name: "" if spec.unit == spec.name else spec.unit for spec in facts.specs}


def size(value: Any, relative: bool, unit: str, digits: int = 2) -> str:
    """A difference or an sd: a percentage of the value, or in its unit."""
    if not isinstance(value, int | float):
        return ""
    return (
        with_unit(figure(100 * value, digits=digits), "%")
        if relative
        else with_unit(figure(value, digits=digits), unit)
    )


def shown_rows(reading: PlanReading, units: Mapping[str, str]) -> list[list[str]]:
    """What a plan will show in each response, a row a response."""
    rows = []
    for name, seen in reading.shows.items():
        known, unit = reading.known[name], units.get(name, "")
        if isinstance(known, Unavailable):
            rows.append([name, NOT_KNOWN, NOT_KNOWN, "", "", "", ""])
            continue
        relative = bool(known["relative"])
        row = [name, size(known["half"], relative, unit), size(known["max"], relative, unit)]
        if isinstance(seen, Unavailable):
            rows.append([*row, NOT_KNOWN, "", "", ""])
            continue
        matters, chance = seen["matters"], seen["chance"]
        asked = size(matters, relative, unit, 4) if isinstance(matters, float) else "not given"
        row += [size(seen["difference"], relative, unit), asked]
        rows.append([*row, likely(chance) if isinstance(chance, float) else "", str(seen["worst_for"])])
    return rows


def unknown_lines(reading: PlanReading) -> list[str]:
    """Why figures of `shown_rows` are not known, responses with one reason in one sentence."""
    why: dict[str, list[str]] = {}
    for name, seen in reading.shows.items():
        known = reading.known[name]
        missing = known if isinstance(known, Unavailable) else seen
        if isinstance(missing, Unavailable):
            why.setdefault(f"{missing.reason}; {missing.do}", []).append(name)
    return [f"Not known for {listed(names)}: {reason}." for reason, names in why.items()]


def known_line(reading: PlanReading, units: Mapping[str, str]) -> str:
    """How well means will be known, in the responses' own units."""
    said = []
    for name, known in reading.known.items():
        if not isinstance(known, Unavailable):
            half, most = (size(known[key], bool(known["relative"]), units.get(name, "")) for key in ("half", "max"))
            said.append(f"{name} to {half} (at worst {most})")
    if not said:
        return ""
    return (
        f"In half of the region or more the mean of a recipe not made will be known better than this: {listed(said)}."
    )


def model_line(plan: PlanFacts) -> str:
    """Which terms are sure and which maybe, and for which of them each figure holds; nothing where all are sure."""
    if not plan.maybe:
        return ""
    sure, maybe = _named(plan.terms), _named(plan.maybe)
    left = next((seen["df"] for seen in plan.quality["can_see"].values() if "df" in seen), None)
    judged = (
        f", judged by {counted(int(left), 'trial')} left over" if isinstance(left, int | float) and left >= 1 else ""
    )
    return (
        f"Sure terms: {sure}. Only maybe: {maybe}. A plan has to tell each sure term from all others, the maybe ones "
        "as far as its runs allow. Differences seen and chances are for a model of the sure terms "
        f"alone{judged}. How well means are known, and D and I, are for all {len(plan.terms) + len(plan.maybe)} terms, "
        "the maybe ones held to be small beforehand."
    )


def _named(terms: Sequence[str]) -> str:
    names = ["the constant" if term == "1" else term for term in terms]
    return listed(names) if len(names) <= _NAMED else f"{', '.join(names[:_NAMED])} and {len(names) - _NAMED} more"


def missed(reading: PlanReading) -> dict[str, float]:
    """The responses of which what matters has less than 80 % chance to be seen, with that chance."""
    return {
        name: seen["chance"]
        for name, seen in reading.shows.items()
        if not isinstance(seen, Unavailable) and isinstance(seen["chance"], float) and seen["chance"] < 0.8 - 1e-9
    }


def missed_line(reading: PlanReading) -> str:
    """Where the chance to see what matters is short of 80 %."""
    short = [f"{name} ({likely(chance)})" for name, chance in missed(reading).items()]
    judged = any(
        not isinstance(seen, Unavailable) and isinstance(seen["chance"], float) for seen in reading.shows.values()
    )
    if not judged:
        return ""
    if not short:
        return f"What matters will be seen with a chance of 80{THIN}% or more in every response that says what does."
    return f"What matters may go unseen in {listed(short)}: plan --compare says how many more batches it takes."


_CHAINS = 10
_ROMAN = {3: "III", 4: "IV", 5: "V"}
_MEANS = {
    3: "main effects are mixed up with products of two factors",
    4: "main effects are clear of products of two factors, which are mixed up with each other",
    5: "main effects and products of two factors are clear of each other",
}
_PARTLY = {
    3: "what is read for a main effect has up to {} of each product of two other factors in it",
    4: "main effects are clear of products of two factors, of which each has up to {} of others in what is read",
    5: "main effects and products of two factors are clear of each other, but not of products of three (up to {})",
}


def two_level_lines(mixed: Mapping[str, Any]) -> list[str]:
    """What a two-level plan mixes up: its resolution, and which effects share a column."""
    resolution, out = mixed.get("resolution"), []
    if isinstance(resolution, float):
        whole = int(resolution)
        if resolution == whole and whole in _ROMAN:
            out.append(f"Resolution {_ROMAN[whole]}: {_MEANS[whole]}.")
        elif resolution != whole and whole in _ROMAN:
            most = figure(whole + 1 - resolution, digits=2)
            out.append(f"Generalised resolution {figure(resolution, digits=3)}: {_PARTLY[whole].format(most)}.")
    chains = [
        " = ".join(("" if sign == first else "-") + name for name, sign in chain.items())
        for chain in mixed.get("chains") or ()
        for first in [next(iter(chain.values()))]
    ]
    if chains:
        more = f"; and {len(chains) - _CHAINS} more such" if len(chains) > _CHAINS else ""
        out.append(f"Read only together: {'; '.join(chains[:_CHAINS])}{more}.")
    return out


def _same_lines(aliases: Sequence[Mapping[str, Any]], count: int) -> list[str]:
    """Terms that are sums of others on these trials: a sentence each where they are few and plain, else one for all."""
    rows = [(str(row["term"]), [n if n != "1" else "the constant" for n in row["same_as"]]) for row in aliases]
    if len(rows) > _FEW or any(len(others) > _FEW for _, others in rows):
        names = [term for term, _ in rows]
        more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
        told = f"{', '.join(names[:_NAMED])}{more}" if more else listed(names)
        said = f"{len(rows)} of the {count} terms cannot be told from the rest over these trials"
        return [f"{said}, so that an effect of the one is read as one of others: {told}."]
    out = []
    for term, others in rows:
        what = listed(others) or "nothing: it never moves"
        out.append(f"{term} cannot be told from {what}: an effect of the one is read as one of the other.")
    return out


def alias_lines(plan: PlanFacts) -> list[str]:
    """Terms that these trials cannot tell apart, and those they nearly cannot."""
    out = _same_lines(plan.quality.get("aliases") or (), len(plan.terms) + len(plan.maybe))
    alike = plan.reading.alike
    if alike:
        pairs = [f"{a} with {b} ({figure(r, digits=2)})" for a, b, r in alike[:_MOST]]
        more = f", and {counted(len(alike) - _MOST, 'pair')} more" if len(alike) > _MOST else ""
        out.append(
            f"These move nearly together over the trials, so their effects are hard to part: {listed(pairs)}{more}."
        )
    out += two_level_lines(plan.quality.get("two_level") or {})
    if not out:
        out.append(
            "No two terms of the model move closely together over these trials: each effect can be told from the rest."
        )
    return out


def alone_line(plan: PlanFacts) -> str:
    """Trials that nothing else checks."""
    trials = [trial for trial, _ in plan.reading.alone]
    if not trials:
        return ""
    one = len(trials) == 1
    named = spans(trials) if len(trials) <= _LONG else f"{spans(trials[:_LONG])} and {len(trials) - _LONG} more"
    return (
        f"{named} {'stands' if one else 'stand'} alone: no other trial speaks for "
        f"{'its' if one else 'their'} part of the region, so a slip there would go unnoticed. "
        f"Make {'it' if one else 'them'} with care, and look twice at what {'it reads' if one else 'they read'}."
    )


def spread_rows(reading: PlanReading) -> list[list[str]]:
    """Each ingredient's and factor's reach, and what of it is tried."""
    rows = []
    for name, entry in reading.spread.items():
        if "batches" in entry:
            counts = ", ".join(f"{level} {n}" for level, n in entry["batches"].items())
            rows.append([name, "", counts, "", str(sum(1 for n in entry["batches"].values() if n))])
            continue
        low, high = entry["reach"]
        tried = entry["tried"]
        rows.append(
            [name, f"{_short(low)} to {_short(high)}", f"{_short(tried[0])} to {_short(tried[1])}",
             percent(entry["share"]), str(entry["levels"])]
        )  # fmt: skip
    return rows


def _short(value: float) -> str:
    return exactly(float(f"{value:.4g}"))


def filling_line(quality: Mapping[str, Any]) -> str:
    """How evenly a space-filling plan fills the region; nothing for other plans."""
    told = quality.get("filling")
    if not told:
        return ""
    near, far, near_lot, far_lot = (percent(told[key]) for key in _FILLING)
    return (
        f"The two recipes nearest to each other differ by {near} of the reach ({near_lot} for as many drawn by lot), "
        f"and no recipe within the limits is farther than {far} from a trial ({far_lot}): the root mean square over "
        "what varies freely, each in its own reach."
    )


def spread_line(reading: PlanReading) -> str:
    """Which columns are not tried over their whole reach."""
    short = [
        f"{name} ({percent(math.floor(100 * entry['share']) / 100)})"
        for name, entry in reading.spread.items()
        if "share" in entry and entry["share"] < 0.9
    ]
    if not short:
        return "Every ingredient and factor is tried over nine tenths of its reach or more."
    return f"Tried over less than nine tenths of their reach: {listed(short)}. Nothing will be known beyond."
