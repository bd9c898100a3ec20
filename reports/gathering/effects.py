"""What drives each response: effects along stated directions from the formula."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe import Study, Unavailable
from doe.definition.categories import NONE, short
from doe.definition.parts import Factor
from optimise import Models, Optimum
from optimise.models.effects import Direction, directions
from optimise.upcoming.due import wanted_chance
from reports.facts import Effect, EffectRow, Ends, Spec
from reports.gathering.formula import spec_of
from reports.wording.effects import chance_reading, effect_reading

Array = npt.NDArray[np.float64]

SPEAKS = 0.05  # a chance below it is not worth room in a picture; our own choice
_POINTS = 17
_FINE = 41


def moved(study: Study, at: pd.DataFrame, X: Array) -> pd.DataFrame:
    """Whole recipes with the region's columns at X (n, k) and all else as in the one recipe `at`."""
    frame = at.iloc[np.zeros(len(X), dtype=int)].reset_index(drop=True)
    for j, name in enumerate(study.region.names):
        frame[name] = X[:, j]
    return study.complete(frame)


def effect_rows(study: Study, models: Models, best: Optimum) -> tuple[EffectRow, ...]:
    """Effects of every direction on every fitted response, the strongest first."""
    at = best.levels
    lines = _lines(study, at, _POINTS)
    rows = []
    for name, model in models.items():
        if not hasattr(model.predictor, "at"):
            continue
        spec = spec_of(study.response(name), model.scale.name)
        effects = [_effect(study, models, name, direction, frame, at) for direction, frame in lines]
        effects += [_category(study, models, name, *levels, at) for levels in _categories(study, at)]
        effects = _by_strength(effects, model.residual_sd)
        rows.append(EffectRow(spec, _axis(spec, effects), tuple(effects), effect_reading(spec, effects)))
    return tuple(rows)


def _by_strength(effects: list[Effect], sd: float | Unavailable) -> list[Effect]:
    """The strongest first; those that move the mean by less than one batch differs from the next are slight.

    Where no such spread exists (grades, pass or fail), those below a tenth of the strongest are.
    """
    effects = sorted(effects, key=lambda e: -e.span)
    least = sd if isinstance(sd, float) else 0.1 * max((e.span for e in effects), default=0.0)
    return [replace(one, slight=i > 0 and one.span < least) for i, one in enumerate(effects)]


def _lines(study: Study, at: pd.DataFrame, points: int) -> list[tuple[Direction, pd.DataFrame]]:
    """Recipes along every direction from `at`, as far as the limits allow."""
    start = at[list(study.region.names)].to_numpy(dtype=float)
    region = study.region.holding(at)
    lines = []
    for direction in directions(study, at.iloc[0]):
        down, up = (float(np.ravel(v)[0]) for v in region.line_range(start, direction[2][None, :]))
        if np.isfinite([down, up]).all() and up - down > 1e-9:
            steps = np.linspace(down, up, points)
            # The formula itself is a point of every line, so that its top is not cut off.
            steps = np.unique(np.append(steps, 0.0)) if down <= 0 <= up else steps
            lines.append((direction, moved(study, at, start + steps[:, None] * direction[2])))
    return lines


def chance_effects(study: Study, models: Models, best: Optimum) -> EffectRow | None:
    """The chance of all along every direction, with its 90 % interval; None where there is none to speak of."""
    at = best.levels
    wanted = wanted_chance(study)
    units = {f.name: f.unit for f in study.factors}
    effects = []
    for (column, says, _), frame in _lines(study, at, _FINE):
        found = models.joint(frame)
        if isinstance(found, Unavailable):
            return None
        points = zip(frame[column].to_numpy(dtype=float), found[0], found[1], strict=True)
        rows = tuple((float(x), 100 * float(p), 100 * float(low), 100 * float(high)) for x, p, (low, high) in points)
        span = max(row[1] for row in rows) - min(row[1] for row in rows)
        effects.append(Effect(says, units.get(column, study.unit), rows, float(at[column].iloc[0]), span))
    if not any(row[1] >= 100 * SPEAKS for one in effects for row in one.points):
        return None
    effects.sort(key=lambda e: -e.span)
    spec = Spec("Chance of all", "%", "", "above", must=True, exact=False, low=100 * wanted)
    return EffectRow(spec, (0.0, 100.0), tuple(effects), chance_reading(effects, wanted), is_chance=True)


def _effect(
    study: Study, models: Models, response: str, direction: Direction, frame: pd.DataFrame, at: pd.DataFrame
) -> Effect:
    column, says, _ = direction
    scale = models[response].scale
    law = models.predictive(response, frame)
    centre, band = scale.back(law.median()), scale.back(law.mean_interval())
    xs = frame[column].to_numpy(dtype=float)
    points = tuple((float(x), float(m), float(b[0]), float(b[1])) for x, m, b in zip(xs, centre, band, strict=True))
    units = {f.name: f.unit for f in study.factors}
    span = float(np.ptp(scale.forward(centre)))
    return Effect(says, units.get(column, study.unit), points, float(at[column].iloc[0]), span)


def _categories(study: Study, at: pd.DataFrame) -> list[tuple[Factor, tuple[str, ...]]]:
    """The categories that can be changed in a formula, with the levels that allow for what else is in it.

    Of materials those that may be there as much as it is; none where something takes up the rest.
    """
    out = []
    for factor in study.category_factors:
        levels = factor.levels
        if factor.of is not None:
            item, level = study.ingredient(factor.of), float(at[factor.of].iloc[0])
            ends = {m.name: item.ends(m.name) for m in item.choice}
            slack = 1e-9 * max(1.0, level)
            fits = {name for name, (low, high) in ends.items() if low - slack <= level <= high + slack}
            fits |= {NONE} if study.fill is not None else set()
            levels = tuple(one for one in levels if one in fits) if level > 0 else ()
        if len(levels) > 1 and str(at[factor.name].iloc[0]) in levels:
            out.append((factor, levels))
    return out


def _category(
    study: Study, models: Models, response: str, factor: Factor, levels: tuple[str, ...], at: pd.DataFrame
) -> Effect:
    """One response at each level of a category, all else as in the formula."""
    category = factor.name
    frame = at.iloc[np.zeros(len(levels), dtype=int)].reset_index(drop=True)
    frame[category] = list(levels)
    if factor.of is not None:
        frame.loc[frame[category] == NONE, factor.of] = 0.0
    frame = study.complete(frame)
    scale = models[response].scale
    law = models.predictive(response, frame)
    centre, band = scale.back(law.median()), scale.back(law.mean_interval())
    points = tuple(
        (float(i), float(m), float(b[0]), float(b[1])) for i, (m, b) in enumerate(zip(centre, band, strict=True))
    )
    now = float(levels.index(str(at[category].iloc[0])))
    return Effect(short(category), "", points, now, float(np.ptp(scale.forward(centre))), tuple(levels))


def _axis(spec: Spec, effects: list[Effect]) -> Ends:
    """One axis for a response: the means with room, bands as far as they do not dwarf them, limits that are near."""
    means = [p[1] for e in effects for p in e.points]
    if not means:
        return 0.0, 1.0
    near = spec.log and min(means) > 0
    forward = np.log if near else np.asarray
    low, high = float(np.min(forward(means))), float(np.max(forward(means)))
    span = max(high - low, 1e-9 * max(1.0, abs(high)))
    ends = [v for e in effects for p in e.points for v in p[2:] if v > 0 or not near]
    ends += [v for v in (spec.low, spec.high) if v is not None and (v > 0 or not near)]
    shown = forward(ends)
    bottom = min(low, float(np.min(shown, initial=low, where=shown > low - 0.4 * span)))
    top = max(high, float(np.max(shown, initial=high, where=shown < high + 0.4 * span)))
    bottom, top = bottom - 0.05 * (top - bottom), top + 0.05 * (top - bottom)
    return (float(np.exp(bottom)), float(np.exp(top))) if near else (bottom, top)
