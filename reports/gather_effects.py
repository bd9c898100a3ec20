"""What drives each response: effects along stated directions from the formula, and slices through the region."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe import Study
from optimise import Models, Optimum
from reports.facts import Effect, EffectRow, Ends, Slice
from reports.gather_formula import spec_of
from reports.wording import effect_reading

Array = npt.NDArray[np.float64]

_POINTS = 17
_GRID = 25
_CHANCE_STEPS = (0.1, 0.25, 0.5, 0.75, 0.9)


def direction_of(study: Study, name: str) -> tuple[str, dict[str, float]]:
    """The words and the rates of moving one column: against the fill, else all others in proportion (Cox 1971)."""
    region = study.region
    if name not in region.blend:
        return f"{name} up", {name: 1.0}
    if region.fill is not None and name != region.fill:
        return f"{name} up, {region.fill} down", {name: 1.0, region.fill: -1.0}
    others = [n for n in region.blend if n != name]
    return f"{name} up, all others down in proportion", {name: 1.0, **dict.fromkeys(others, np.nan)}


def _rates(study: Study, name: str, at: pd.Series) -> tuple[str, Array]:
    says, rates = direction_of(study, name)
    rest = sum(float(at[n]) for n in study.region.blend if n != name)
    vector = np.zeros(len(study.region.names))
    for j, column in enumerate(study.region.names):
        rate = rates.get(column, 0.0)
        vector[j] = -float(at[column]) / rest if np.isnan(rate) and rest > 0 else (0.0 if np.isnan(rate) else rate)
    return says, vector


def _moved(study: Study, at: pd.DataFrame, X: Array) -> pd.DataFrame:
    frame = pd.concat([at] * len(X), ignore_index=True)
    for j, name in enumerate(study.region.names):
        frame[name] = X[:, j]
    return study.complete(frame)


def effect_rows(study: Study, models: Models, best: Optimum) -> tuple[EffectRow, ...]:
    """Effects of every column on every fitted response, the strongest first."""
    at = best.levels
    start = at[list(study.region.names)].to_numpy(dtype=float)
    lines: list[tuple[str, str, Array, pd.DataFrame]] = []
    for name in study.region.names:
        if name == study.region.fill:
            continue
        says, vector = _rates(study, name, at.iloc[0])
        down, up = (float(np.ravel(v)[0]) for v in study.region.line_range(start, vector[None, :]))
        if not np.isfinite([down, up]).all() or up - down <= 1e-9:
            continue
        steps = np.linspace(down, up, _POINTS)
        frame = _moved(study, at, start + steps[:, None] * vector)
        lines.append((name, says, frame[name].to_numpy(dtype=float), frame))
    rows = []
    for name, model in models.items():
        spec = spec_of(study.response(name), model.scale.name)
        effects = [_effect(study, models, name, line, float(at[line[0]].iloc[0])) for line in lines]
        effects.sort(key=lambda e: -e.span)
        values = [v for e in effects for p in e.points for v in p[1:]]
        axis: Ends = (min(values), max(values)) if values else (0.0, 1.0)
        rows.append(EffectRow(spec, axis, tuple(effects), effect_reading(name, spec.unit, effects)))
    return tuple(rows)


def _effect(
    study: Study, models: Models, response: str, line: tuple[str, str, Array, pd.DataFrame], now: float
) -> Effect:
    column, says, xs, frame = line
    scale = models[response].scale
    mixture = models.predictive(response, frame)
    centre, band = scale.back(mixture.mean()), scale.back(mixture.mean_interval())
    points = tuple((float(x), float(m), float(b[0]), float(b[1])) for x, m, b in zip(xs, centre, band, strict=True))
    units = {f.name: f.unit for f in study.factors}
    return Effect(says, units.get(column, study.unit), points, now, float(centre.max() - centre.min()))


def slices(study: Study, models: Models, best: Optimum, weak: str) -> tuple[Slice, ...]:
    """The chance that all musts are met, over the two levels that move the weakest must most."""
    columns = _strongest(study, models, best, weak or next(iter(models), ""))
    if len(columns) < 2:
        return ()
    at = best.levels
    start = at[list(study.region.names)].to_numpy(dtype=float)[0]
    first, second = columns[:2]
    moves = np.array([_rates(study, name, at.iloc[0])[1] for name in (first, second)])
    polygon = _polygon(study, start, moves)
    if len(polygon) < 3:
        return ()
    xs, ys = (np.linspace(polygon[:, i].min(), polygon[:, i].max(), _GRID) for i in (0, 1))
    places = [study.region.names.index(name) for name in (first, second)]
    steps = np.array([(x - start[places[0]], y - start[places[1]]) for y in ys for x in xs])
    frame = _moved(study, at, start + steps @ moves)
    try:
        chance = models.chance(frame).to_numpy(dtype=float).reshape(_GRID, _GRID)
    except (TypeError, ValueError):
        return ()
    inside = models.inside(frame)
    tried = np.asarray(inside, dtype=bool).reshape(_GRID, _GRID)
    units = {f.name: f.unit for f in study.factors}
    top = np.unravel_index(int(np.argmax(chance)), chance.shape)
    reading = f"In this slice the chance is highest near {first} {xs[top[1]]:.3g} and {second} {ys[top[0]]:.3g}."
    return (
        Slice(
            title="chance that one new batch meets every must",
            unit="",
            x_name=first,
            y_name=second,
            axis_unit=units.get(first, study.unit),
            xs=tuple(map(float, xs)),
            ys=tuple(map(float, ys)),
            values=tuple(tuple(map(float, row)) for row in chance),
            inside=tuple(tuple(map(bool, row)) for row in tried),
            levels=_CHANCE_STEPS,
            limits=(),
            polygon=tuple((float(x), float(y)) for x, y in polygon),
            trials=_near(study, models, start, places),
            chosen=(float(start[places[0]]), float(start[places[1]])),
            held="all else as in the formula" + (f", {study.region.fill} gives way" if study.region.fill else ""),
            reading=reading,
            is_chance=True,
        ),
    )


def _strongest(study: Study, models: Models, best: Optimum, weak: str) -> list[str]:
    if weak not in models:
        weak = next(iter(models), "")
    row = next((r for r in effect_rows(study, models, best) if r.spec.name == weak), None)
    names = [n for n in study.region.names if n != study.region.fill]
    order = [e.direction for e in row.effects] if row else []
    found = [next(n for n in names if direction_of(study, n)[0] == says) for says in order]
    return found if study.region.fill or not study.region.blend else [n for n in found if n not in study.region.blend]


def _polygon(study: Study, start: Array, moves: Array) -> Array:
    """The region cut by the plane of two moves, as levels of the two columns, (v, 2), by clipping a large square."""
    region = study.region
    reach = max(region.reach[n][1] - region.reach[n][0] for n in region.names)
    shape = 2.0 * reach * np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
    for weights, most in zip(region.A @ moves.T, region.b - region.A @ start, strict=True):
        shape = _clip(shape, weights, float(most))
        if not len(shape):
            return np.zeros((0, 2))
    columns = [int(np.argmax(move)) for move in moves]
    out: Array = start[columns] + shape
    return out


def _clip(shape: Array, weights: Array, most: float) -> Array:
    """The part of a convex polygon where weights . s <= most (Sutherland & Hodgman 1974, Comm. ACM 17, from memory)."""
    kept: list[Array] = []
    over = shape @ weights - most
    for i in range(len(shape)):
        j = (i + 1) % len(shape)
        if over[i] <= 1e-12:
            kept.append(shape[i])
        if (over[i] <= 1e-12) != (over[j] <= 1e-12):
            share = over[i] / (over[i] - over[j])
            kept.append(shape[i] + share * (shape[j] - shape[i]))
    return np.array(kept).reshape(-1, 2)


def _near(
    study: Study, models: Models, start: Array, places: Sequence[int]
) -> tuple[tuple[str, float, float, float], ...]:
    """Trials with their two levels, and how near each lies to this slice in all other columns."""
    levels = models.results.levels()
    X = levels[list(study.region.names)].to_numpy(dtype=float)
    size = np.array(
        [max(region[1] - region[0], 1e-12) for region in (study.region.reach[n] for n in study.region.names)]
    )
    away = np.abs((X - start) / size)
    away[:, list(places)] = 0.0
    near = np.clip(1.0 - away.max(axis=1), 0.0, 1.0)
    names = [str(b).rpartition("-")[0] or str(b) for b in levels.index]
    return tuple(
        (name, float(x[places[0]]), float(x[places[1]]), float(n)) for name, x, n in zip(names, X, near, strict=True)
    )
