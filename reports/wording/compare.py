"""Sentences about plans side by side: how many batches show what matters, and where more of them stop paying."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from doe.design.compare import WORTH, Comparison, Option
from doe.design.quality import Quality
from doe.problems import Unavailable
from doe.study import Study
from reports.numbers import THIN, counted, exactly, figure, likely, listed, money, percent, with_unit

HOW_TO_READ = (
    "Each sign is the smallest difference, from one end of an ingredient's or factor's reach to the other, that will "
    f"most likely (with 80{THIN}% chance) be seen in that response. Left of the heavy line it is smaller than the "
    "difference that matters: what matters will be seen."
)
RULE = (
    f"More trials are said to stop paying at the first number after which no larger one makes that difference smaller "
    f"by {100 * WORTH:g}{THIN}% or more for each further day of batches. The response farthest to the right decides."
)


def headline(weighed: Comparison) -> str:
    """The first line: how many batches show what matters."""
    if isinstance(weighed.reaches, int):
        return f"{weighed.reaches} batches show what matters in every response"
    if any(option.shows for option in weighed.options):
        return "None of these numbers of batches shows what matters in every response"
    return "What more batches would show"


def in_part(weighed: Comparison) -> str:
    """What the rows in brackets are: plans for fewer sure terms than the others; nothing where all have the same."""
    own = [o for o in weighed.options if o.own and isinstance(o.quality, Quality)]
    few = [o for o in own if o.potential]
    if not few:
        return ""
    runs, sure, every = listed([str(o.runs) for o in few]), len(few[0].terms), len(few[0].terms) + few[0].potential
    said = (
        f"With {runs} batches {few[0].potential} of the {every} terms are only potential: planned for, but not owed a "
        f"batch each. What is seen there (in brackets) is of the other {sure}"
    )
    return f"{said}: do not set it against rows of all {every}." if len(few) < len(own) else f"{said}."


def because(study: Study, weighed: Comparison) -> str:
    """The second line: what that costs, and what the number planned now would miss."""
    said = []
    chosen = next((o for o in weighed.options if o.own and o.runs == weighed.reaches), None)
    if chosen is not None:
        said.append(f"That is {spent(study, chosen)}.")
    elif isinstance(weighed.reaches, Unavailable):
        said.append(f"{weighed.reaches.reason[:1].upper()}{weighed.reaches.reason[1:]}.")
    now = next((o for o in weighed.options if o.own and o.runs == study.plan.runs), None)
    if now is not None and now is not chosen and now.shows:
        said.append(_now(study, now))
    before = next((o.quality.made_before for o in weighed.options if isinstance(o.quality, Quality)), 0)
    if before:
        said.append(
            f"{counted(before, 'batch', 'batches')} made before {'counts' if before == 1 else 'count'} in each."
        )
    return " ".join(said)


def _now(study: Study, now: Option) -> str:
    missed = [name for name, share in now.of_matters.items() if isinstance(share, float) and share > 1 + 1e-9]
    part = f", of their {counted(len(now.terms), 'sure term')} alone" if now.potential else ""
    if not missed:
        return f"The {now.runs} planned now show it as well{part}, in {spent(study, now)}."
    chances = [f"{name} {likely(chance)}" for name in missed if isinstance(chance := _chance(now, name), float)]
    return f"The {now.runs} planned now fall short of 80{THIN}% chance to see it{part}: {listed(chances)}."


def _chance(option: Option, name: str) -> object:
    entry = option.quality.can_see[name] if isinstance(option.quality, Quality) else None
    return None if entry is None or isinstance(entry, Unavailable) else entry["chance"]


def stops(weighed: Comparison) -> str:
    """Where more trials stop paying, and what that says of the number that shows what matters."""
    if not isinstance(weighed.stops_paying, int):
        return f"More trials do not stop paying within these numbers: {weighed.stops_paying.reason}."
    at, reach = weighed.stops_paying, weighed.reaches
    said = (
        f"More trials stop paying at {at}: each further day of batches makes the smallest visible difference less "
        f"than {100 * WORTH:g}{THIN}% smaller"
    )
    if not isinstance(reach, int):
        return f"{said}."
    if reach < at:
        return f"{said}. For what matters {reach} are enough; those up to {at} still sharpen the picture."
    if reach == at:
        return f"{said}. It is the number that shows what matters, too."
    return (
        f"{said}. From there on to the {reach} that show what matters the way is slow: if they are too many, ask "
        "whether a larger difference would do, or plan for fewer ingredients or a smaller model."
    )


def kinds(study: Study, weighed: Comparison) -> str:
    """Which other kind of plan of the same size shows most, and which are larger."""
    own = next((o for o in weighed.options if o.own and o.runs == study.plan.runs and o.worst), None)
    rest = [o for o in weighed.options if not o.own and o.worst is not None]
    if own is None or own.worst is None or not rest:
        return ""
    same = [o for o in rest if o.runs == own.runs and o.terms == own.terms and o.resets <= own.resets]
    said = []
    if same:
        best = min(same, key=lambda o: o.worst[1] if o.worst else 0.0)
        name, share = best.worst or ("", 0.0)
        if share < own.worst[1] * 0.99:
            where = "" if own.worst[0] == name else f" in {own.worst[0]}"
            said.append(
                f"Of the other plans of {own.runs} batches, {_quoted(best)} shows most, more than the one planned: "
                f"{figure(share)} of what matters in {name}, against {figure(own.worst[1])}{where}."
            )
        else:
            said.append(f"No other kind of plan of {own.runs} batches shows more than the one planned.")
    larger = [f"{o.plan} ({o.runs})" for o in rest if o.runs > own.runs]
    if larger:
        said.append(f"These kinds of plan need more batches here: {listed(larger)}.")
    return " ".join(said)


def refused(weighed: Comparison) -> list[tuple[str, str]]:
    """Plans that cannot be made, each with its reason and the way out."""
    out = []
    for option in weighed.options:
        if isinstance(option.quality, Unavailable):
            name = counted(option.runs, "batch", "batches") if option.own else option.plan
            out.append((name, f"{option.quality.reason}; {option.quality.do}" if option.own else option.quality.reason))
    return out


def _quoted(option: Option) -> str:
    return option.plan.replace("as planned, ", "the one planned with ", 1)


def told(weighed: Comparison) -> list[tuple[str, str]]:
    """What was changed to make plans possible, or has to be known of them: (plans, what)."""
    every = [pair for option in weighed.options for pair in option.of_matters.items()]
    seen = list(dict.fromkeys(name for name, share in every if isinstance(share, float)))
    by_what: dict[str, list[Option]] = {}
    for option in weighed.options:
        for what in option.told:
            by_what.setdefault(what, []).append(option)
        if seen and (why := nothing_shown(option, seen)):
            by_what.setdefault(f"what it shows is not known: {why}", []).append(option)
    return [(_plans(options), what) for what, options in by_what.items()]


def _plans(options: Sequence[Option]) -> str:
    """Plans by name: `16 and 20 batches, extreme vertices (67)`."""
    own = [str(option.runs) for option in options if option.own]
    batches = [f"{listed(own)} batches"] if own else []
    return ", ".join([*batches, *(f"{option.plan} ({option.runs})" for option in options if not option.own)])


def nothing_shown(option: Option, seen: Collection[str] = ()) -> str:
    """Why it is not known of a plan that can be made what it shows in any response; nothing where it is.

    The reason is that of one of the responses of which other plans show something, if there are any.
    """
    if isinstance(option.quality, Unavailable) or option.shows:
        return ""
    why = {name: one.reason for name, one in option.of_matters.items() if isinstance(one, Unavailable)}
    return next((why[name] for name in (*seen, *why) if name in why), "")


def spent(study: Study, option: Option) -> str:
    """Days and money of one plan in words: `7 days at the bench and about €1275`."""
    if not isinstance(option.quality, Quality):
        return ""
    days = f"{counted(option.quality.days, 'day')} at the bench"
    cost = option.quality.cost
    return f"{days} and about {money(cost, study.currency)}" if isinstance(cost, float) else days


def matters(study: Study) -> list[tuple[str, str]]:
    """What is said to matter in each response: (name, difference in its own terms)."""
    out = []
    for response in study.fitted_responses:
        if response.matters is None:
            out.append((response.name, "no difference that matters is given"))
            continue
        size, relative = response.matters
        unit = "" if response.unit == response.name else response.unit
        out.append((response.name, percent(size) if relative else with_unit(exactly(size), unit)))
    return out


def comes_to(option: Option) -> str:
    """What stands at the end of a row: `shows all 4`, `shows 2 of 4`; in brackets where terms are only potential."""
    if isinstance(option.quality, Unavailable):
        return "cannot be made"
    shown = option.shows
    if not shown:
        return "not known" if nothing_shown(option) else ""
    all_of_them = all(shown) and len(shown) > 1
    said = f"shows all {len(shown)}" if all_of_them else f"shows {sum(shown)} of {len(shown)}"
    return f"({said})" if option.potential else said
