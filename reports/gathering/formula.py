"""Formulas as facts: every line, every strip, what is predicted of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from doe.definition.categories import material_of
from doe.definition.materials import as_chosen, material
from doe.definition.parts import Response
from doe.definition.process import phase_order
from doe.problems import Problem, Unavailable
from doe.study import Study
from optimise.models.broken import standings
from optimise.models.models import Models
from reports.facts import Amount, Ends, Formula, Line, Setting, Spec, Strip
from reports.gathering.trade import trade_of
from reports.wording import grades
from reports.wording.formula import state_of
from reports.wording.levels import shown_level

_POINTS = 72


def spec_of(response: Response, scale: str | None = None) -> Spec:
    """A response of the study as a spec."""
    asked = response.aim != "watch"
    return Spec(
        response.name,
        response.unit,
        response.method or _taken_from(response),
        response.aim,
        response.is_must,
        response.is_exact,
        response.low if asked else None,
        response.target if asked else None,
        response.high if asked else None,
        (scale or response.scale) == "log",
        response.kind,
        tuple(grades.named(response).items()),
    )


def _taken_from(response: Response) -> str:
    """How a response without a method of its own is come by: by the recipe, or from a curve."""
    if response.is_exact:
        return "computed from the recipe"
    return f"{str(response.source).replace('_', ' ')} of {response.of}" if response.is_derived else ""


def revived(value: Any) -> Any:
    """JSON data with absent numbers as `Unavailable` again."""
    if isinstance(value, Mapping):
        if "unavailable" in value:
            return Unavailable(str(value["unavailable"]), str(value.get("do", "")))
        return {key: revived(inner) for key, inner in value.items()}
    return value


def amount(value: Any) -> Amount:
    """A number, or why there is none."""
    value = revived(value)
    if isinstance(value, Unavailable):
        return value
    if isinstance(value, int | float) and np.isfinite(value):
        return float(value)
    return Unavailable("no number came of it", "look at the findings")


def ends(value: Any) -> Ends | Unavailable:
    """An interval, or why there is none."""
    value = revived(value)
    if isinstance(value, list | tuple) and len(value) == 2 and all(np.isfinite(v) for v in value):
        return float(value[0]), float(value[1])
    return value if isinstance(value, Unavailable) else Unavailable("it has no interval", "exact values have none")


def formulas(
    study: Study,
    models: Models,
    frame: pd.DataFrame,
    entries: Sequence[Mapping[str, Any]] | None = None,
    *,
    tolerances: Mapping[str, Ends] | None = None,
    findings: tuple[Problem, ...] = (),
) -> tuple[Formula, ...]:
    """The recipes of `frame` as formulas named by its index; `entries` give what is already known of each."""
    points = models.points(frame)
    recipes = study.complete(frame)
    out = []
    for i, (label, point) in enumerate(zip(frame.index, points, strict=True)):
        known = {**point, **(entries[i] if entries else {})}
        strips = tuple(_strips(study, models, frame.iloc[[i]], known))
        out.append(
            Formula(
                name=str(label),
                unit=study.unit,
                total=study.total,
                batch_g=study.batch_g,
                balance_g=min((b.step_g for b in study.balances), default=0.01),
                lines=_lines(study, models, recipes.iloc[i], tolerances or {}),
                settings=_settings(study, models, recipes.iloc[i], tolerances or {}),
                strips=strips,
                chance=amount(known["chance_all"]),
                chance_interval=ends(known["chance_interval"]),
                cost_per_kg=amount(known["cost_per_kg"]),
                currency=study.currency,
                pack_g=study.pack_g,
                inside=bool(point["inside"]),
                in_hull=point["in_hull"],
                desirability=amount(
                    known.get("desirability", Unavailable("not asked for", "optimise by desirability"))
                ),
                broken=standings(study, recipes.iloc[[i]])[0].broken,
                findings=findings,
                trade=trade_of(study, recipes.iloc[i], point["findings"]),
            )
        )
    return tuple(out)


def _lines(study: Study, models: Models, recipe: pd.Series, tolerances: Mapping[str, Ends]) -> tuple[Line, ...]:
    every, region = models.tried, study.region.holding(recipe.to_frame().T)
    lines = []
    levels = {str(name): value for name, value in recipe.items()}
    order = phase_order(study.steps, study.ingredients)
    for item in sorted(as_chosen(study, levels), key=lambda item: order.index(item.phase)):
        level = float(recipe[item.name])
        moves = item.role in ("varied", "fill") and item.name in study.region.reach
        category = material_of(item.name)
        tried = every[every[category] == levels[category]] if category in every else every
        span = (float(tried[item.name].min()), float(tried[item.name].max())) if moves and len(tried) else None
        lines.append(
            Line(
                item.name,
                item.inci,
                item.phase,
                item.role,
                level,
                level / study.total * study.batch_g,
                item.step,
                region.reach.get(item.name) if moves else None,
                span,
                tolerances.get(item.name),
                material(study, item.name, levels),
                item.assay,
            )
        )
    return tuple(lines)


def _settings(study: Study, models: Models, recipe: pd.Series, tolerances: Mapping[str, Ends]) -> tuple[Setting, ...]:
    tried = models.tried
    out = []
    # Which material stands in an ingredient's place is said on its line.
    for factor in (f for f in study.factors if f.of is None):
        value = recipe[factor.name]
        if factor.is_category:
            out.append(Setting(factor.name, factor.unit, str(value), str(value), None, None, factor.levels))
            continue
        span = (float(tried[factor.name].min()), float(tried[factor.name].max())) if len(tried) else None
        reach = study.region.holding(recipe.to_frame().T).reach[factor.name]
        kept = tolerances.get(factor.name)
        said = shown_level(study, factor.name, value)
        out.append(Setting(factor.name, factor.unit, float(value), said, reach, span, (), kept))
    return tuple(out)


def _strips(study: Study, models: Models, row: pd.DataFrame, known: Mapping[str, Any]) -> list[Strip]:
    out = []
    for response in study.responses:
        entry = known["responses"].get(response.name)
        if entry is None:
            continue
        model = models.get(response.name)
        spec = spec_of(response, model.scale.name if model is not None else None)
        predicted, prediction = amount(entry.get("predicted")), ends(entry.get("prediction"))
        marks = tuple(
            (ref.name, float(ref.measured[response.name])) for ref in study.references if response.name in ref.measured
        )
        chance = amount(entry.get("chance"))
        axis = _axis(spec, predicted, prediction, [value for _, value in marks])
        sd: Amount = (
            (prediction[1] - prediction[0]) / 4
            if not isinstance(prediction, Unavailable)
            else Unavailable("it has no spread", "exact values have none")
        )
        shape = _shape(models, response.name, row, axis, spec) if not isinstance(prediction, Unavailable) else ()
        out.append(
            Strip(
                spec, predicted, sd, ends(entry.get("confidence")), prediction, ends(entry.get("tolerance")), chance,
                state_of(chance, spec), axis, shape, marks, together=_together(entry),
                shares=_shares(models, row, spec),
            )
        )  # fmt: skip
    return out


def _together(entry: Mapping[str, Any]) -> tuple[Ends, Ends] | None:
    """Confidence and prediction limits that hold for all responses at once, where the entry has them."""
    found = entry.get("together") or {}
    pair = [ends(found.get(key)) for key in ("confidence", "prediction")]
    confidence, prediction = pair
    if isinstance(confidence, Unavailable) or isinstance(prediction, Unavailable):
        return None
    return confidence, prediction


def _shares(models: Models, row: pd.DataFrame, spec: Spec) -> tuple[float, ...]:
    """How often a new batch has each grade; empty where nothing predicts them.

    A threshold lies half way between two grades.
    """
    model = models.get(spec.name)
    if len(spec.grades) < 2 or model is None or isinstance(model.predictor, Unavailable):
        return ()
    values = np.array([value for _, value in spec.grades])
    cuts = model.scale.forward((values[1:] + values[:-1]) / 2)
    below = models.predictive(spec.name, row).at(np.zeros(len(cuts), dtype=int)).cdf(cuts)
    return tuple(float(share) for share in np.diff(below, prepend=0.0, append=1.0))


def _axis(spec: Spec, predicted: Amount, prediction: Ends | Unavailable, marks: Sequence[float]) -> Ends:
    """Ends of a strip: the limits, one batch's interval and the references, with room; none far off may spoil it.

    A share that passes goes from none to all.
    """
    if spec.kind == "pass":
        return 0.0, 1.0
    if len(spec.grades) > 1:
        values = [value for _, value in spec.grades]
        return min(values) - 0.7, max(values) + 0.7
    core = [v for v in (spec.low, spec.target, spec.high) if v is not None]
    if isinstance(predicted, float):
        core.append(predicted)
    if not isinstance(prediction, Unavailable):
        core += list(prediction)
    core = core or list(marks) or [0.0, 1.0]
    if spec.log and min(core) > 0:
        low, high = min(core), max(core)
        near = [m for m in marks if m > 0 and low / 4 <= m <= high * 4]
        low, high = min([low, *near]), max([high, *near])
        room = max((high / low) ** 0.14, 1.05)
        return low / room, high * room
    low, high = min(core), max(core)
    span = (high - low) or abs(high) * 0.2 or 1.0
    if spec.exact and span < 0.25 * abs(high):  # an exact value beside its limit: leave room to see how near
        low, span = high - 0.25 * abs(high), 0.25 * abs(high)
    near = [m for m in marks if low - 1.5 * span <= m <= high + 1.5 * span]
    low, high = min([low, *near]), max([high, *near])
    room = 0.14 * ((high - low) or span)
    return low - room, high + room


def _shape(models: Models, name: str, row: pd.DataFrame, axis: Ends, spec: Spec) -> tuple[tuple[float, float], ...]:
    """The density of one new batch along the strip, highest at 1, per length of the strip as it is drawn."""
    model = models[name]
    if isinstance(model.predictor, Unavailable) or model.kind == "pass":
        return ()
    law = models.predictive(name, row)
    spaced = np.geomspace if spec.log and axis[0] > 0 else np.linspace
    edges = spaced(axis[0], axis[1], _POINTS + 1)
    below = law.at(np.zeros(len(edges), dtype=int)).cdf(model.scale.forward(edges))
    height = np.diff(below)
    top = float(height.max())
    if not top > 0:
        return ()
    middles = np.sqrt(edges[1:] * edges[:-1]) if spaced is np.geomspace else (edges[1:] + edges[:-1]) / 2
    return tuple((float(v), float(h)) for v, h in zip(middles, height / top, strict=True))
