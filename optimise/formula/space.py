"""Where a search may go: the region with what is held and with the limits of exact responses, in free coordinates."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.definition.consistency import left_over
from doe.definition.parts import Response
from doe.problems import Problem, StudyError, Unavailable
from doe.region.region import Combination, Region
from doe.study import Study
from doe.trade.quantities import form_of

Array = npt.NDArray[np.float64]
Row = tuple[Mapping[str, float], float | None, float | None, str]


@dataclass(frozen=True, slots=True, eq=False)
class Space:
    """The searched part of a study's region: `region` (narrowed), `combos` of category levels, weighable `steps`.

    Levels are origin + basis u for free coordinates u (d); G u <= h are all limits, `centre` (d,) lies within.
    `steps` gives the weighable step by column name: a weighable level is a whole number of steps. Where limits, prices
    or steps are not the same at all combos, `parts` holds a space for each of them, and `at` finds it.
    """

    study: Study
    region: Region
    combos: tuple[Mapping[str, str], ...]
    steps: Mapping[str, float]
    origin: Array
    basis: Array
    G: Array
    h: Array
    centre: Array
    parts: Mapping[tuple[str, ...], Space] = field(default_factory=dict)

    @classmethod
    def build(
        cls, study: Study, hold: Mapping[str, Any] | None = None, exact: Sequence[Response] = (),
        tied: Sequence[Row] = (),
    ) -> Space:  # fmt: skip
        """The space with levels held, the limits of `exact` responses kept, and further rows `tied` over the levels.

        Raises StudyError with every held name or level that is not possible, and with the limits that conflict.
        """
        numbers, choices, problems = _held(study, dict(hold or {}))
        if problems:
            raise StudyError(problems)
        combos = [
            one for one in study.region.combinations if all(one[name] in levels for name, levels in choices.items())
        ]
        if not combos:
            raise StudyError([_nothing_there(study, hold or {})])
        groups: dict[Any, list[Combination]] = {}
        found: list[Space] = []
        closed: list[Problem] = []
        for combo in combos:
            try:
                rows = [row for response in exact for row in _exact_rows(study, response, combo)]
            except StudyError as error:
                closed += [p for p in error.problems if p not in closed]
                continue
            steps = _steps(study, numbers, combo)
            key = id(study.region.at(combo)), repr(rows), tuple(steps.items())
            groups.setdefault(key, []).append(combo)
        for alike in groups.values():
            try:
                found.append(cls._one(study, numbers, exact, alike, tied))
            except StudyError as error:
                closed += [p for p in error.problems if p not in closed]
        if not found:
            raise StudyError(closed)
        if len(found) == 1:
            return found[0]
        parts = {tuple(combo.values()): part for part in found for combo in part.combos}
        kept = tuple(combo for combo in combos if tuple(combo.values()) in parts)
        return replace(parts[tuple(kept[0].values())], combos=kept, parts=MappingProxyType(parts))

    @classmethod
    def _one(
        cls, study: Study, numbers: Mapping[str, float], exact: Sequence[Response], combos: Sequence[Combination],
        tied: Sequence[Row],
    ) -> Space:  # fmt: skip
        """The space at combos that have limits, prices and steps in common."""
        region = study.region.at(combos[0])
        rows = [*tied, *(row for response in exact for row in _exact_rows(study, response, combos[0]))]
        if numbers or rows:
            region = _narrowed(region, numbers, rows)
        d = region.dimension
        corners = region.decoded(np.vstack([np.zeros((1, d)), np.eye(d)]))
        origin, basis = corners[0], (corners[1:] - corners[0]).T
        centre = region.coded(np.array([[region.centroid[name] for name in region.names]]))[0]
        steps = _steps(study, numbers, combos[0])
        return cls(study, region, tuple(combos), steps, origin, basis, *_coded_rows(region, origin, basis), centre)

    def at(self, combo: Mapping[str, str]) -> Space:
        """The space at one combo of category levels."""
        return self.parts.get(tuple(combo.values()), self)

    @property
    def dimension(self) -> int:
        """Free numeric dimension: of the first combo, where they differ."""
        return self.region.dimension

    def chosen(self, combo: Mapping[str, str], n: int) -> dict[str, npt.NDArray[Any]]:
        """The category levels of a combo, repeated for n recipes."""
        return {name: np.full(n, level, dtype=object) for name, level in combo.items()}

    def frame(self, X: Array, combo: Mapping[str, str]) -> pd.DataFrame:
        """Whole recipes of levels X (n, k) and a combo, columns `study.columns`."""
        levels = pd.DataFrame(np.atleast_2d(X), columns=list(self.region.names)).assign(**combo)
        return self.study.complete(levels)

    def repaired(self, U: Array) -> Array:
        """Points (n, d) moved towards the centre until every row holds, at once for the last digits of a solver."""
        over, room = U @ self.G.T - self.h, np.maximum(self.h - self.G @ self.centre, 0.0)
        if not (over > 0).any():
            return U
        share = np.where(over > 0, over / np.maximum(over + room, 1e-300), 0.0).max(axis=1)
        moved: Array = U + np.minimum(1.0, share * (1 + 1e-12))[:, None] * (self.centre - U)
        return moved


def _coded_rows(region: Region, origin: Array, basis: Array) -> tuple[Array, Array]:
    """Rows G u <= h over free coordinates, bounds and limits alike, of unit length; rows that never move left out."""
    G = region.A @ basis
    h = region.b - region.A @ origin
    length = np.linalg.norm(G, axis=1)
    real = length > 1e-10 * np.maximum(1.0, np.abs(region.A).sum(axis=1))
    return G[real] / length[real, None], h[real] / length[real]


def unmet(study: Study, exact: Sequence[Response]) -> list[Problem]:
    """What there is to say of exact musts whose limits no recipe keeps; nothing where some recipe keeps them all."""
    try:
        Space.build(study, None, exact)
    except StudyError as error:
        return as_told(error)
    return []


def hold_problems(study: Study, hold: Mapping[str, Any]) -> list[Problem]:
    """Every held name or level that is not possible by itself; what they leave together, only `Space.build` knows."""
    return _held(study, dict(hold))[2]


def as_told(closed: StudyError) -> list[Problem]:
    """Limits of exact musts that leave no recipe, as something to be told: the rest of the study stands."""
    return [replace(p, code="exact-limit", level="warn") for p in closed.problems]


def _held(study: Study, hold: dict[str, Any]) -> tuple[dict[str, float], dict[str, tuple[str, ...]], list[Problem]]:
    """Held numbers, category levels still open, and what is wrong with the holds."""
    region = study.region
    choices = {name: tuple(levels) for name, levels in region.categories.items()}
    numbers: dict[str, float] = {}
    problems: list[Problem] = []
    for name, value in hold.items():
        where = f"hold {name}"
        if name in choices:
            if value not in choices[name]:
                problems.append(_problem(where, str(value), "one of " + ", ".join(choices[name])))
            choices[name] = (str(value),)
        elif name in region.names:
            low, high = region.reach[name]
            try:
                numbers[name] = float(value)
            except (TypeError, ValueError):
                problems.append(_problem(where, repr(value), f"a number from {low:g} to {high:g}"))
                continue
            slack = _held_slack(low, high)
            if not low - slack <= numbers[name] <= high + slack:
                problems.append(_problem(where, f"{numbers[name]:g}", f"{low:g} to {high:g}, its reach"))
        else:
            known = ", ".join([*region.names, *choices])
            problems.append(_problem(where, "not a varied ingredient or factor", f"one of {known}"))
    return numbers, choices, problems


def _held_slack(low: float, high: float) -> float:
    return 1e-9 * max(1.0, abs(low), abs(high))


def _problem(where: str, got: str, allowed: str) -> Problem:
    return Problem("cannot-hold", "stop", where, got, allowed, "hold another level, or leave it free")


def _nothing_there(study: Study, hold: Mapping[str, Any]) -> Problem:
    """What to say where the levels held leave no combination that is open."""
    held = " and ".join(f"{name} = {value}" for name, value in hold.items() if name in study.region.categories)
    return _problem(f"hold {held}", "no recipe is possible there", "a combination within the limits")


def _exact_rows(study: Study, response: Response, combo: Combination) -> list[Row]:
    """The limits of an exact response as linear rows over what varies.

    Raises StudyError where nothing that varies can bring it within them.
    """
    low, high = response.window
    form = form_of(study, response, combo)
    if isinstance(form, Unavailable) or (low is None and high is None):
        return []
    names = study.region.names
    out: list[Row] = []
    held = {i.name: i.level or 0.0 for i in study.ingredients if i.name not in names}
    if study.fill is not None and study.fill.name in held:
        held[study.fill.name] = left_over(study.total, study.ingredients)
    for weights, ends in form.rows(low, high):
        constant = sum(weight * held.get(name, 0.0) for name, weight in weights.items() if name not in names)
        over = {name: weight for name, weight in weights.items() if name in names and weight}
        if over:
            sides = [None if end is None else end - constant for end in ends]
            out.append((over, sides[0], sides[1], f"{response.name} {_window_words(low, high)}"))
        elif any(side * (end - constant) > 1e-9 for side, end in zip((1, -1), ends, strict=True) if end is not None):
            raise StudyError([_never(response, low, high)])
    return out


def _never(response: Response, low: float | None, high: float | None) -> Problem:
    got, do = "nothing that varies moves it there", "change the limit, or what it depends on"
    return Problem("exact-limit", "stop", response.name, got, _window_words(low, high), do)


def _window_words(low: float | None, high: float | None) -> str:
    if low is None:
        return f"at most {high:g}"
    return f"at least {low:g}" if high is None else f"from {low:g} to {high:g}"


def _narrowed(region: Region, numbers: Mapping[str, float], rows: Sequence[Row]) -> Region:
    """One polytope with levels held and further limits."""
    low, high = np.array(region.low), np.array(region.high)
    for name, value in numbers.items():
        column = region.names.index(name)
        least, most = region.reach[name]
        slack = _held_slack(least, most)
        if not least - slack <= value <= most + slack:
            raise StudyError([_problem(f"hold {name}", f"{value:g}", f"{least:g} to {most:g}, its reach")])
        low[column] = high[column] = min(max(value, least), most)
    limits: list[Row] = [
        (dict(zip(region.names, weights.tolist(), strict=True)), None, float(most), label)
        for weights, most, label in zip(region.A, region.b, region.labels, strict=True)
    ]
    return Region.build(
        names=region.names,
        blend=region.blend,
        blend_total=region.blend_total,
        fill=region.fill,
        low=low,
        high=high,
        rows=[*limits, *rows],
    )


def _steps(study: Study, held: Mapping[str, float], combo: Combination) -> dict[str, float]:
    steps = study.steps_at(combo)
    names = [item.name for item in study.varied] + [factor.name for factor in study.numeric_factors]
    free = [name for name in names if name in study.region.names]
    return {name: step for name in free if name not in held and (step := steps[name]) is not None}
