"""What is predicted of formulas, at a terminal: recipes that were asked about, and the formula to make."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from doe.problems import Problem, Unavailable
from doe.trade.rulebook import RULES
from optimise.models.aims import has_window
from optimise.models.broken import BROKEN
from reports.numbers import (
    THIN,
    batches_in_words,
    chance_between,
    figure,
    headed,
    level,
    likely,
    listed,
    money,
    percent,
    room,
)
from reports.tables import aligned, clean, wrapped
from reports.terminal.terminal import findings, moving, new_findings, next_line, number_of, paged
from reports.wording import grades as wording_grades
from reports.wording import proof as wording_proof
from reports.wording.changes import recipe_name
from reports.wording.formula import NO_MIXTURE, is_wish, passing
from reports.wording.levels import in_one_line, shown_level
from reports.wording.prompt import typed

if TYPE_CHECKING:
    import pandas as pd

    from doe.definition.parts import Response
    from doe.study import Study
    from optimise.formula.optimum import Certificate, Optimum
    from optimise.models.models import Models

_PREDICTION = f"one new batch, 95{THIN}% prediction"
_NONE = "no batch would"


def predict(
    models: Models, frame: pd.DataFrame, folder: str = "FOLDER", moved: Sequence[str] = (),
    points: Sequence[Mapping[str, Any]] | None = None, todo: str = "",
) -> str:  # fmt: skip
    """What the models say of given recipes, one of `points` each: centre, interval for one new batch, chance.

    `todo` is the command that comes next in the study.
    """
    study = models.study
    parts = []
    has_cost = any(r.source == "cost_per_kg" for r in study.responses)
    for label, point in zip(frame.index, models.points(frame) if points is None else points, strict=True):
        rows = []
        for name, entry in point["responses"].items():
            response = study.response(name)
            rows.append([name, *_predicted(response, entry), _chance(response, entry),
                         wording_grades.asked_for(response), response.unit])  # fmt: skip
        broken = any(row["code"] == BROKEN for row in point["findings"])
        where = "" if point["inside"] else " Outside what was tried: read it as a guess."
        where = " The study does not allow this recipe: see STOP, below." if broken else where
        where += NO_MIXTURE if point["inside"] and point["in_hull"] is False else ""
        on = _touched(point["at_limits"])
        head = wrapped(f"{recipe_name(label)}: {_all_pass(study, point['chance_all'], point['responses'])}{where}")
        table = aligned(
            rows,
            ("response", "predicted", _PREDICTION, "chance", "asked for", "unit"),
            right=(1, 3),
        )
        cost = number_of(point["cost_per_kg"])
        told = [Problem.from_dict(row) for row in point["findings"] if row["code"] in {*RULES, "off-step", BROKEN}]
        paid = f"Cost {money(cost, study.currency)} per kg." if cost is not None and not has_cost else ""
        parts.append(paged(head, table, paid, on, findings(told)))
    what = wrapped(wording_grades.legend(study.fitted_responses))
    return paged(*parts, what, "\n".join(map(wrapped, moved)), next_line(todo or typed("optimise", folder)))


def _touched(limits: Sequence[str]) -> str:
    """At which bounds and limits a formula stands."""
    return wrapped(f"It stands at the limit of: {listed([clean(one) for one in limits])}.") if limits else ""


def _ceiling(study: Study) -> float | None:
    """What a kilogram may cost at most; None where nothing is asked of it."""
    return next((r.high for r in study.responses if r.source == "cost_per_kg"), None)


def _chance(response: Response, entry: Mapping[str, Any]) -> str:
    """The chance of one response, sure only of what is computed; that it is watched where nothing is asked of it."""
    chance = number_of(entry.get("chance"))
    if chance is None and not has_window(response):
        return "watched"
    return percent(chance) if response.is_exact else likely(chance)


def _all_pass(study: Study, chance: Any, responses: Mapping[str, Mapping[str, Any]]) -> str:
    """How many batches pass everything; none where what is computed from the recipe alone misses a must.

    Where something is only wished for, what they pass is said to be the musts: a wish is not in the chance.
    """
    what = passing(any(map(is_wish, study.responses)))
    exact = [
        r.name for r in study.exact_responses if r.is_must and number_of(responses.get(r.name, {}).get("chance")) == 0
    ]
    if exact:
        missed = listed([clean(name) for name in exact])
        return f"{_NONE} {what}: what the recipe alone decides misses its limit, {missed}."
    if number_of(chance) is None:
        reason = chance.get("unavailable") if isinstance(chance, Mapping) else getattr(chance, "reason", "")
        return f"no chance of passing everything can be given ({reason})."
    return f"{batches_in_words(float(chance))} would {what} ({likely(float(chance))})."


def _predicted(response: Response, entry: Mapping[str, Any]) -> tuple[str, str]:
    ends, centre = entry.get("prediction"), number_of(entry.get("predicted"))
    if isinstance(ends, list | tuple):
        return wording_grades.one(response, centre, (ends[1] - ends[0]) / 4), wording_grades.span(response, *ends)
    return wording_grades.one(response, centre), ""


def optimise(
    study: Study, best: Optimum, todo: str, told: Sequence[str] = (), under: str = "", confirmed: str = ""
) -> str:
    """The formula to make, the chance, what a batch will read, what else would do.

    `under` says what it is only the best of, `confirmed` what fresh batches said that confirmed it.
    """
    keep = {name: room(*ends) for name, ends in best.tolerances.items()}
    lines = [
        [item.name, level(best.blend[item.name], item.step, study.total), keep.get(item.name, "")]
        for item in study.ingredients
    ]
    for factor in study.factors:
        value = best.factors[factor.name]
        lines.append([headed(factor.name, factor.unit),
                      shown_level(study, factor.name, value), keep.get(factor.name, "")])  # fmt: skip
    rows = []
    for response, entry in best.responses.items():
        spec = study.response(response)
        rows.append([response, *_predicted(spec, entry), _chance(spec, entry),
                     wording_grades.asked_for(spec), spec.unit])  # fmt: skip
    interval = best.chance_interval
    span = "" if isinstance(interval, Unavailable) else f" 90 % interval of the chance: {chance_between(*interval)}."
    only = f", the best {under}" if under else ""
    said = _all_pass(study, best.chance, best.responses)
    return paged(
        wrapped(f"Formula {best.label} of {study.name}{only}: {said}{'' if said.startswith(_NONE) else span}"),
        _levels(study, best, lines),
        aligned(
            rows,
            ("response", "predicted", _PREDICTION, "chance", "asked for", "unit"),
            right=(1, 3),
        ),
        wrapped(wording_grades.legend([study.response(name) for name in best.responses])),
        "\n".join(map(wrapped, _trust(study, best, confirmed))),
        "\n".join(wrapped(said, indent="  ") for said in _clashing(study, best)),
        "\n".join(map(wrapped, _besides(study, best))),
        _touched(best.at_limits),
        _front(study, best),
        "\n".join(map(wrapped, told)),
        new_findings(study, best.findings),
        next_line(todo),
    )


def _front(study: Study, best: Optimum) -> str:
    """The front that was asked for, a line a formula; that of the chance against the cost is left to the report."""
    up, across = best.front_of
    if across == "cost_per_kg" or not best.front:
        return ""
    names = [name for name in study.columns if name in moving(study)]
    rows = []
    for point in best.to_dict()["front"]:
        levels, values = {**point["blend"], **point["factors"]}, point["values"]
        seen = [
            wording_grades.one(study.response(name), number_of(values[name]), _width(best, name))
            for name in (across, up)
            if name in values
        ]
        share = [] if up in values else [_gone_by(best, point)]
        rows.append([*seen, *share, *(shown_level(study, name, levels[name]) for name in names)])
    kept = f" that keep 0.9 of the {best.objective}" if up in values else ""
    head = (clean(across), clean(up), *names)
    said = f"Formulas{kept} with the best {clean(up)} for each {clean(across)}:"
    if len(rows) == 1:
        best_up = f"{f'Of formulas{kept}, that' if kept else 'The formula'} with the best {clean(up)}"
        said = f"{best_up} has the best {clean(across)} too: nothing is to be traded. It is:"
    table = f"{wrapped(said)}\n{aligned(rows, head, right=range(len(head)), most=16)}"
    graded = [name for name in (across, up) if name in best.responses and wording_grades.named(study.response(name))]
    if len(rows) < 2 or not graded:
        return table
    return f"{table}\n{wrapped(f'Formulas of one grade of {listed(graded)} differ in how far they lie within it.')}"


def _width(best: Optimum, name: str) -> float | None:
    """What a response is rounded by, in every table of one answer alike: a quarter of the interval of the best."""
    ends = best.responses.get(name, {}).get("prediction")
    return (ends[1] - ends[0]) / 4 if isinstance(ends, list | tuple) else None


def _levels(study: Study, best: Optimum, lines: Sequence[Sequence[str]]) -> str:
    """Levels, and how far they may go where anything is known of that."""
    blend = ["ingredient", f"level [{study.unit}]"] if study.ingredients else ["factor", "setting"]
    head = [*blend, "all at once within"]
    if not any(line[2] for line in lines):
        return aligned([line[:2] for line in lines], head[:2], right=(1,))
    table = aligned(lines, head, right=(1,))
    kept = f"All levels anywhere within these at once keep nine tenths of the {best.objective}."
    return f"{table}\n{wrapped(kept)}"


def _trust(study: Study, best: Optimum, confirmed: str) -> list[str]:
    """What the formula rests on: predicted or confirmed, what it costs, and what is proved of others."""
    says = [confirmed or "Predicted, not confirmed."]
    if not best.inside:
        says[0] += " Outside what was tried: read every number as a guess."
    if isinstance(best.cost_per_kg, float) and all(r.source != "cost_per_kg" for r in study.responses):
        says.append(f"Cost {money(best.cost_per_kg, study.currency)} per kg.")
    planned = any("centre_from" in entry for entry in best.responses.values())
    if not isinstance(best.desirability, Unavailable):
        of = "" if planned else " of what is predicted here"
        scale = "(0: something asked for is missed; 1: all as wanted)"
        says.append(f"Desirability {figure(best.desirability)}{of} {scale}.")
    if planned:
        says.append(
            "What is predicted here is the least squares of the planned models, on which desirability is defined; "
            "chances, and predict, go by the average over models, which may differ."
        )
    # Where musts clash, what is proved of them is what counts.
    return says if best.clash else [*says, *_given(_proved(best.certificate))]


def _proved(certificate: Certificate) -> str:
    """What is proved of others, and how to have more looked at where that leaves something open."""
    said = wording_proof.bound(certificate.to_dict())
    left = certificate.boxes and not certificate.proved and not certificate.finished
    return f"{said} A longer look: optimise --prove 10." if said and left else said


def _clashing(study: Study, best: Optimum) -> list[str]:
    return [*wording_proof.clash(study, best.clash), *_given(wording_proof.closest(study, best.closest))]


def _given(said: str) -> list[str]:
    return [said] if said else []


def _besides(study: Study, best: Optimum) -> list[str]:
    """What else would do: others apart from it, and the same for less."""
    says = []
    if best.alternatives and not best.clash:
        others = [f"{entry['label']} {_gone_by(best, entry)}".rstrip() for entry in best.alternatives]
        by = ", by desirability" if best.objective == "desirability" else ""
        says.append(f"Others apart from it{by}: {', '.join(others)}.")
    if best.cheapest is not None:
        levels = {**best.cheapest["blend"], **best.cheapest["factors"]}
        paid = money(number_of(best.cheapest["cost_per_kg"]) or 0.0, study.currency, _ceiling(study))
        reached = _gone_by(best, best.cheapest) or "of what can be predicted"
        same = f"Practically the same {best.objective}{' ' if reached.startswith('of') else ', '}{reached}"
        says.append(f"{same}, for {paid} per kg: {in_one_line(study, levels)}.")
    return says


def _gone_by(best: Optimum, entry: Mapping[str, Any]) -> str:
    """What the search went by, of one formula: its chance or its desirability; "" where it has none."""
    value = number_of(entry.get("chance_all" if best.objective == "chance" else "desirability"))
    return "" if value is None else likely(value) if best.objective == "chance" else figure(value)
