"""Plans side by side: what their picture shows, on a page and at a terminal alike."""

from __future__ import annotations

from doe.design.compare import Comparison, Option
from doe.design.quality import Quality
from doe.study import Study
from reports.numbers import counted, money
from reports.pictures.compare import Chart, Row
from reports.wording import compare as wording_compare


def chart_of(study: Study, weighed: Comparison) -> Chart:
    """What the picture shows: every plan that can be made, its responses against what matters."""
    names = [name for option in weighed.options[:1] for name, _ in option.of_matters.items()]
    drawn = tuple(n for n in names if any(isinstance(o.of_matters[n], float) for o in weighed.options))
    terms = next((o.terms for o in weighed.options if o.own and o.runs == weighed.reaches), None) or _usual(weighed)
    own = tuple(_row(study, o, drawn, o.terms == terms) for o in weighed.options if o.own)
    other = tuple(_row(study, o, drawn, False) for o in weighed.options if not o.own and isinstance(o.quality, Quality))
    title = next((o.plan for o in weighed.options if o.own), "")
    groups = ((f"As planned: {title}", own), *((("Other plans", other),) if other else ()))
    axis = weighed.measure
    if not drawn:
        return Chart(groups, ("sd of a prediction",), axis, None)
    return Chart(groups, drawn, axis, 1.0)


def _usual(weighed: Comparison) -> tuple[str, ...]:
    return max((o.terms for o in weighed.options if o.own), key=len, default=())


def _row(study: Study, option: Option, drawn: tuple[str, ...], joined: bool) -> Row:
    quality = option.quality
    marks: tuple[tuple[int, float], ...] = ()
    if isinstance(quality, Quality):
        shares = [(i, option.of_matters[name]) for i, name in enumerate(drawn)]
        marks = tuple((i, share) for i, share in shares if isinstance(share, float))
        mean = quality.prediction_sd["mean"]
        if not drawn and isinstance(mean, float):
            marks = ((0, mean),)
    name = counted(option.runs, "batch", "batches") if option.own else f"{option.plan}, {option.runs}"
    return Row(
        name=name,
        days=str(quality.days) if isinstance(quality, Quality) else "",
        cost=money(quality.cost, study.currency)
        if isinstance(quality, Quality) and isinstance(quality.cost, float)
        else "",
        marks=marks,
        comes_to=wording_compare.comes_to(option),
        joined=joined,
        now=option.own and option.runs == study.plan.runs,
    )
