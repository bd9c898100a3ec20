"""Slices through the region at the formula: one response, or the chance, over two levels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe import Study, Unavailable
from doe.problems import StudyError
from optimise import Models, Optimum
from optimise.models.effects import Direction, directions
from optimise.upcoming.due import wanted_chance
from reports.facts import Effect, EffectRow, Slice, Spec
from reports.gathering.blends import frame_of
from reports.gathering.effects import SPEAKS, moved
from reports.numbers import figure, likely, listed, percent, with_unit
from reports.pictures.svg import round_steps
from reports.wording import grades

Array = npt.NDArray[np.float64]

_GRID = 23
_CHANCE_STEPS = (0.1, 0.25, 0.5, 0.75, 0.9)


def slices(study: Study, models: Models, best: Optimum, rows: Sequence[EffectRow]) -> tuple[Slice, ...]:
    """The chance over the pair of levels that moves the musts most, then each response over its own strongest pair."""
    at = best.levels
    planes: dict[tuple[int, int], _Plane | None] = {}
    found: list[Slice] = []
    musts = [row for row in rows if row.spec.must]
    plane = _strongest(study, at, musts, planes) if musts else None
    if plane is not None:
        drawn = _chance(study, models, plane)
        found += [drawn] if drawn is not None else []
    for row in rows:
        plane = _strongest(study, at, [row], planes)
        if plane is not None:
            found.append(_response(study, models, plane, row))
    return tuple(found)


def _strongest(
    study: Study, at: pd.DataFrame, rows: Sequence[EffectRow], planes: dict[tuple[int, int], _Plane | None]
) -> _Plane | None:
    """The plane of the two directions that move these responses most, each counted against its own strongest."""
    ways = directions(study, at.iloc[0])
    weight = np.zeros(len(ways))
    for row in rows:
        top = max((e.span for e in row.effects if not e.levels), default=0.0)
        for effect in row.effects:
            if effect.levels:
                continue
            place = next(i for i, way in enumerate(ways) if way[1] == effect.direction)
            weight[place] += (effect.span / top if top > 0 else 0.0) * (_room(effect) if len(rows) > 1 else 1.0)
    pairs = combinations(range(len(ways)), 2)
    for pair in sorted(pairs, key=lambda p: (-round(weight[p[0]] + weight[p[1]], 9), p)):
        if pair not in planes:
            planes[pair] = _Plane.through(study, at, ways[pair[0]], ways[pair[1]])
        if planes[pair] is not None:
            return planes[pair]
    return None


def _room(effect: Effect) -> float:
    """How far the formula stands from both ends of a direction: 1 in the middle, 0.2 at an end."""
    low, high = effect.points[0][0], effect.points[-1][0]
    share = (effect.now - low) / (high - low) if high > low else 0.0
    return 0.2 + 1.6 * min(share, 1 - share)


class _Plane:
    """A plane through the formula along two directions: its grid of recipes and the part that the limits allow."""

    def __init__(self, study: Study, at: pd.DataFrame, first: Direction, second: Direction, polygon: Array) -> None:
        self.names = (first[0], second[0])
        names = list(study.region.names)
        self.places = [names.index(name) for name in self.names]
        self.start = at[names].to_numpy(dtype=float)[0]
        self.polygon, self._along = polygon, (study, at, first, second)
        self.xs, self.ys = (np.linspace(polygon[:, i].min(), polygon[:, i].max(), _GRID) for i in (0, 1))
        along = [(x - self.start[self.places[0]], y - self.start[self.places[1]]) for y in self.ys for x in self.xs]
        self.frame = moved(study, at, self.start + np.array(along) @ _moves(study, first, second))
        blend = [n for n in study.region.blend if n not in self.names]
        gives = study.region.fill or (listed(blend) if len(blend) < 4 else "the other ingredients")
        gives = f"{gives} gives way" if gives in study.region.blend else f"{gives} give way"
        moving = any(name in study.region.blend for name in self.names)
        rest = "all else as in the formula"
        self.held = f"{gives}; {rest}" if moving and blend else rest
        units = {f.name: f.unit for f in study.factors}
        self.units = tuple(units.get(name, study.unit) for name in self.names)

    @classmethod
    def through(cls, study: Study, at: pd.DataFrame, first: Direction, second: Direction) -> _Plane | None:
        """The plane of two directions; None where they are one and the same, or no room is left in it."""
        if np.linalg.matrix_rank(_moves(study, first, second)) < 2:
            return None
        polygon = _polygon(study, at, first, second)
        flat = len(polygon) < 3 or bool(np.any(np.ptp(polygon, axis=0) <= 1e-9))
        return None if flat else cls(study, at, first, second, polygon)

    def cut(self, polygon: Array) -> _Plane:
        """The same plane, of which only `polygon` is looked at."""
        return _Plane(*self._along, polygon)

    @property
    def ends(self) -> str:
        """How far the limits let both levels go in this plane, in words."""
        spans = zip(self.names, self.polygon.min(axis=0), self.polygon.max(axis=0), self.units, strict=True)
        return listed([f"{name} {figure(low)} to {with_unit(figure(high), unit)}" for name, low, high, unit in spans])

    def grid(self, values: npt.ArrayLike) -> tuple[tuple[float, ...], ...]:
        """Values of the recipes as rows of y."""
        return tuple(tuple(map(float, row)) for row in np.asarray(values, dtype=float).reshape(_GRID, _GRID))


def _moves(study: Study, first: Direction, second: Direction) -> Array:
    """Rates of two directions taken together: each column named moves alone, the others give way to both."""
    names = list(study.region.names)
    a, b = first[2].copy(), second[2].copy()
    i, j = names.index(first[0]), names.index(second[0])
    for rates, own, other in ((a, i, j), (b, j, i)):
        if study.region.fill is None and rates[other] != 0.0:
            # In proportion, but the second level stays where the slice puts it.
            rest = [k for k, n in enumerate(names) if n in study.region.blend and k not in (own, other)]
            weight = -rates[rest]
            rates[other] = 0.0
            total = float(weight.sum())
            if rest:
                rates[rest] = -(weight / total if total > 1e-12 else np.full(len(rest), 1 / len(rest)))
    return np.array([a, b])


def _polygon(study: Study, at: pd.DataFrame, first: Direction, second: Direction) -> Array:
    """The region cut by the plane, as levels of the two columns, (v, 2), by clipping a large square."""
    region = study.region.holding(at)
    start = at[list(region.names)].to_numpy(dtype=float)[0]
    moves = _moves(study, first, second)
    reach = max(region.reach[n][1] - region.reach[n][0] for n in region.names)
    shape = 2.0 * reach * np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
    room = np.maximum(region.b - region.A @ start, 0.0)
    for weights, most in zip(region.A @ moves.T, room, strict=True):
        shape = _clip(shape, weights, float(most))
        if not len(shape):
            return np.zeros((0, 2))
    columns = [region.names.index(first[0]), region.names.index(second[0])]
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


def _chance(study: Study, models: Models, plane: _Plane) -> Slice | None:
    """The chance over a plane; None where there is none, or none to speak of."""
    values = _joint(models, plane)
    if values is None:
        return None
    wanted = wanted_chance(study)
    whole, near = plane, _near_the_chance(study, plane, values)
    if near is not None:
        plane, values = near, _joint(models, near) or values
    inside = _within(study, plane.frame)
    top, x, y = _top(values, inside, plane)
    if top < SPEAKS:
        return None
    names = plane.names
    reading = (
        f"In this slice the chance is highest, {likely(top)}, near {names[0]} "
        f"{with_unit(figure(x, np.ptp(plane.xs) / 30), plane.units[0])} and "
        f"{names[1]} {with_unit(figure(y, np.ptp(plane.ys) / 30), plane.units[1])}."
    )
    part = 1.0 if near is None else _area(plane.polygon) / _area(whole.polygon)
    reading += _likely(values, inside, wanted, part)
    if near is not None:
        reading += f" Shown is the part with any chance to speak of; the limits allow {whole.ends}."
    steps = tuple(step for step in _CHANCE_STEPS if abs(step - wanted) > 0.06)
    title = "Chance that a new batch meets every must"
    return _slice(study, models, plane, _Drawn(title, values, steps, (wanted,), reading))


def _joint(models: Models, plane: _Plane) -> tuple[tuple[float, ...], ...] | None:
    """The chance on the grid of a plane; None where there is none."""
    try:
        found = models.joint(plane.frame)
    except StudyError:
        return None
    return None if isinstance(found, Unavailable) else plane.grid(found[0])


def _near_the_chance(study: Study, plane: _Plane, values: tuple[tuple[float, ...], ...]) -> _Plane | None:
    """The plane cut to the places with a chance of at least `SPEAKS` and a margin, where that saves much; else None.

    A triangle is always drawn whole.
    """
    allowed = _within(study, plane.frame).reshape(_GRID, _GRID) & (np.array(values) >= SPEAKS)
    if not allowed.any() or (frame_of(study) is not None and set(plane.names) <= set(study.region.blend)):
        return None
    shape, cut = plane.polygon, False
    for axis, (marks, places) in enumerate(((plane.xs, allowed.any(axis=0)), (plane.ys, allowed.any(axis=1)))):
        step = marks[1] - marks[0]
        here = plane.start[plane.places[axis]]
        low, high = (float(v) for v in (min(marks[places].min(), here), max(marks[places].max(), here)))
        low, high = low - 2 * step, high + 2 * step
        if high - low > 0.6 * np.ptp(marks):
            continue
        cut, way = True, np.eye(2)[axis]
        shape = _clip(_clip(shape, way, high), -way, -low)
    if not cut or len(shape) < 3 or bool(np.any(np.ptp(shape, axis=0) <= 1e-9)):
        return None
    return plane.cut(shape)


def _area(shape: Array) -> float:
    """The area of a polygon."""
    x, y = shape.T
    return 0.5 * abs(float(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1))))


def _likely(values: tuple[tuple[float, ...], ...], inside: npt.NDArray[np.bool_], wanted: float, part: float) -> str:
    """Where in the slice the chance is as high as is wanted: its share of the whole slice, of which `part` is shown."""
    allowed = inside.reshape(_GRID, _GRID)
    high = allowed & (np.array(values) >= wanted)
    if not high.any():
        return f" Nowhere on the grid of this slice is it {percent(wanted)}."
    share = part * float(high.sum() / allowed.sum())
    return f" Inside the heavy line it is {percent(wanted)} or more: {percent(share)} of what the limits leave."


def _within(study: Study, frame: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Which recipes keep every limit."""
    X = frame[list(study.region.names)].to_numpy(dtype=float)
    return study.region.contains(X, 1e-6, study.region.chosen(frame))


def _top(
    values: tuple[tuple[float, ...], ...], inside: npt.NDArray[np.bool_], plane: _Plane
) -> tuple[float, float, float]:
    grid = np.where(inside.reshape(_GRID, _GRID), np.array(values), -np.inf)
    j, i = np.unravel_index(int(np.argmax(grid)), grid.shape)
    return float(grid[j, i]), float(plane.xs[i]), float(plane.ys[j])


def _response(study: Study, models: Models, plane: _Plane, row: EffectRow) -> Slice:
    spec = row.spec
    scale = models[spec.name].scale
    values = plane.grid(scale.back(models.predictive(spec.name, plane.frame).median()))
    inside = _within(study, plane.frame)
    seen = np.array(values).ravel()[inside] if inside.any() else np.array(values).ravel()
    low, high = float(seen.min()), float(seen.max())
    marks = grades.steps(spec) or round_steps(low, high, 5, log=spec.log)
    steps = [s for s in marks if low < s < high][:5]
    limits = tuple(v for v in grades.edges(spec) if v is not None and low < v < high)
    reading = f"{spec.name} goes from {grades.from_to(spec, low, high)} in this slice"
    reading += f"{_good_side(spec, limits)}."
    title = f"{spec.name}, predicted" + (f" [{spec.unit}]" if spec.unit else "")
    return _slice(study, models, plane, _Drawn(title, values, tuple(steps), limits, reading, spec))


def _good_side(spec: Spec, limits: tuple[float, ...]) -> str:
    """On which side of the limits that cross a slice the response is met; dark is a high value."""
    if not limits:
        return ""
    if len(limits) > 1:
        return "; it is met between the heavy lines"
    return f"; it is met on the {'darker' if limits[0] == grades.edges(spec)[0] else 'lighter'} side of the heavy line"


@dataclass(frozen=True, slots=True)
class _Drawn:
    """What is drawn over a plane: `values` on its grid, steps (`levels`), heavy lines (`limits`), the sentence.

    Without a `spec` it is the chance.
    """

    title: str
    values: tuple[tuple[float, ...], ...]
    levels: tuple[float, ...]
    limits: tuple[float, ...]
    reading: str
    spec: Spec | None = None


def _slice(study: Study, models: Models, plane: _Plane, drawn: _Drawn) -> Slice:
    """One slice as facts: what is drawn, the outline of the plane, and trials near it."""
    spec = drawn.spec
    inside = np.asarray(models.inside(plane.frame), dtype=bool).reshape(_GRID, _GRID)
    return Slice(
        spec=spec,
        title=drawn.title,
        unit="" if spec is None else spec.unit,
        x_name=plane.names[0],
        y_name=plane.names[1],
        x_unit=plane.units[0],
        y_unit=plane.units[1],
        xs=tuple(map(float, plane.xs)),
        ys=tuple(map(float, plane.ys)),
        values=drawn.values,
        inside=tuple(tuple(map(bool, row)) for row in inside),
        levels=drawn.levels,
        limits=drawn.limits,
        polygon=tuple((float(x), float(y)) for x, y in plane.polygon),
        trials=_near(study, models, plane),
        chosen=(float(plane.start[plane.places[0]]), float(plane.start[plane.places[1]])),
        held=plane.held,
        reading=drawn.reading,
        is_chance=spec is None,
        frame=frame_of(study) if set(plane.names) <= set(study.region.blend) else None,
    )


def _near(study: Study, models: Models, plane: _Plane) -> tuple[tuple[str, float, float, float], ...]:
    """Trials at their two levels, and how near each lies to this slice in all other free columns (1: in it)."""
    tried = models.tried
    names = list(study.region.names)
    X = tried[names].to_numpy(dtype=float)
    size = np.array([max(study.region.reach[n][1] - study.region.reach[n][0], 1e-12) for n in names])
    third = len(study.region.blend) == 3 and set(plane.names) <= set(study.region.blend)
    gives_way = [k for k, n in enumerate(names) if n == study.region.fill or (third and n in study.region.blend)]
    away = np.abs((X - plane.start) / size)
    away[:, [*plane.places, *gives_way]] = 0.0
    near = np.clip(1.0 - away.max(axis=1), 0.0, 1.0)
    x, y = plane.places
    labels = [str(batch).rpartition("-")[0] or str(batch) for batch in tried.index]
    low, high = plane.polygon.min(axis=0), plane.polygon.max(axis=0)
    return tuple(
        (name, float(row[x]), float(row[y]), float(n))
        for name, row, n in zip(labels, X, near, strict=True)
        if low[0] - 1e-9 <= row[x] <= high[0] + 1e-9 and low[1] - 1e-9 <= row[y] <= high[1] + 1e-9
    )
