"""Coefficients in the coding asked for; the stationary point and the way to better places in the study's units."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from doe.definition.parts import Response
from doe.problems import Problem, Unavailable, listed
from doe.region.region import Region
from doe.study import Study
from doe.terms.terms import Terms
from optimise.models.batchdata import BatchData
from optimise.models.findings import say
from optimise.models.fittask import FitTask
from optimise.models.fitted import Core, Stationary
from optimise.models.frames import number_column
from optimise.models.scales import Scale
from optimise.models.surface import Fitted as Surface
from optimise.models.surface import best_way, eigenvalue_errors, stationary_edges
from optimise.statistics.diagnosis import no_error
from optimise.statistics.leastsq import Array, LeastSquares, solve, two_sided
from optimise.statistics.stationary import Canonical, canonical, quadratic_of

_NO_ERROR = Unavailable("nothing is left to judge the error by", "make more batches than the model has terms")
_SAME_FIT = 1e-6  # how far fitted values in another coding may be off, of the largest
_DUST = 1e-13  # of the largest value; solving leaves some 1e-15 of it
_DISTANCES = (0.25, 0.5, 0.75, 1.0, 1.25, 1.5, 2.0)  # from the middle, in coded units


def coefficient_table(
    task: FitTask, core: Core, y: Array, aliased: Sequence[str]
) -> tuple[pd.DataFrame, Array | Unavailable, str, list[Problem]]:
    """Terms with estimate, se, t, df, p in the coding asked for, their covariance (p, p), the coding used, findings.

    y (n,) are the values on the model scale; terms `aliased` with others have no estimate.

    The fit is done again in that coding. Where its columns do not span the same functions (a model without the terms
    that divide its products), or are too close together to compute with, the coding of the fit is shown instead.
    """
    study, data, coding, where = task.study, task.data, task.coding, task.where
    notes: list[Problem] = []
    fit, used = _in_coding(study, core, data, y, coding), coding
    if fit is None:
        fit, used = core.fit, core.coding.name
        got = f"coefficients in {coding}: there these terms make another model or cannot be told apart; shown as {used}"
        notes.append(say("coding", "inform", where, got, f"read them as {used}"))
    p = len(core.terms)
    estimate, nil = fit.estimate[:p], _nil(core, data, y, used if used == coding else "", study, fit)
    if nil.any():
        names = listed([label for label, flag in zip(core.terms.labels, nil, strict=True) if flag])
        got = f"nil within rounding, and shown as 0: {names}"
        notes.append(say("nil-terms", "inform", where, got, "read nothing into them: these values show no effect"))
        estimate = np.where(nil, 0.0, estimate)
    table = _table(core.terms, fit, estimate, aliased)
    covariance: Array | Unavailable = no_error(core.fit)
    if core.fit.has_error:
        covariance = core.fit.sd**2 * fit.unscaled[:p, :p]
        covariance.setflags(write=False)
    return table, covariance, used, notes


def _in_coding(study: Study, core: Core, data: BatchData, y: Array, coding: str) -> LeastSquares | None:
    asked = core.terms.coding(study.region, coding, study.total if study.varied else None)
    rows = core.terms.rows(data.X, data.chosen, asked)
    blocks = data.blocks[:, : core.fit.rank - len(core.terms)]
    fit = solve(np.column_stack([rows, blocks]), y)
    if fit.rank != core.fit.rank or fit.dropped.size:
        return None
    gap = float(np.max(np.abs(fit.fitted - core.fit.fitted)))
    size = float(np.max(np.abs(y - y.mean()))) or float(np.max(np.abs(y))) or 1.0
    return fit if gap <= _SAME_FIT * size else None


def _nil(core: Core, data: BatchData, y: Array, coding: str, study: Study, fit: LeastSquares) -> npt.NDArray[np.bool_]:
    """Terms (p,) of a fit without an error whose whole effect on any batch is smaller than rounding of the values."""
    p = len(core.terms)
    if fit.has_error:
        return np.zeros(p, dtype=bool)
    shown = core.terms.coding(study.region, coding, study.total if study.varied else None) if coding else core.coding
    rows = core.terms.rows(data.X, data.chosen, shown)
    most = np.abs(fit.estimate[:p]) * np.abs(rows).max(axis=0, initial=0.0)
    return np.asarray(most <= _DUST * float(np.max(np.abs(y), initial=0.0)), dtype=bool)


def _table(terms: Terms, fit: LeastSquares, estimate: Array, aliased: Sequence[str]) -> pd.DataFrame:
    p = len(terms)
    columns: dict[str, Any] = {
        "term": [*terms.labels, *aliased],
        "powers": [dict(t.powers_dict) for t in terms.terms] + [{}] * len(aliased),
    }
    lost = [Unavailable("cannot be told apart from the terms before it", "make trials that tell them apart")] * len(
        aliased
    )
    columns["estimate"] = number_column([*map(float, estimate), *lost])
    if fit.has_error:
        se = fit.standard_error()[:p]
        t = estimate / se
        columns["se"] = number_column([*map(float, se), *lost])
        columns["t"] = number_column([*map(float, t), *lost])
        columns["df"] = fit.df
        columns["p"] = number_column([*map(float, two_sided(t, fit.df)), *lost])
    else:
        for name in ("se", "t", "p"):
            columns[name] = number_column([no_error(fit)] * p + lost)
        columns["df"] = fit.df
    return pd.DataFrame(columns, columns=["term", "powers", "estimate", "se", "t", "df", "p"])


@dataclass(frozen=True, slots=True, eq=False)
class Coded:
    """The fitted surface over coded coordinates: `decoded` gives levels (n, k) of U (n, d); what d stands for."""

    fitted: Surface
    decoded: Callable[[Array], Array]
    dimension: int
    coordinates: str


def by_category(core: Core) -> bool:
    """Whether the fitted surface differs between levels of a category."""
    return any(t.level for t in core.terms.terms)


def coded_surface(study: Study, core: Core, combo: Mapping[str, str] | None = None) -> Coded | Unavailable:
    """The surface of a fit over the free coordinates of the study's region, or why there is no single one.

    With `combo`, a level of each category, it is the surface there, over what may be tried there.
    Process factors are coded -1..+1 over low..high; a blend (within its total) over the reach of its free ingredients.
    """
    terms, region = core.terms, study.region if combo is None else study.region.at(combo)
    if combo is None and by_category(core):
        return Unavailable(
            "the surface differs between categories",
            "look at each category by itself (optimise --hold); for trials on the way up: next --learn N --way",
        )
    if region.dimension == 0:
        return Unavailable("nothing is free to move", "nothing to do")
    decoded: Callable[[Array], Array]
    if region.blend or region.dimension < len(region.names):
        coordinates, decoded = "each free column -1..+1 over its reach", region.decoded
    else:
        code = terms.coding(region, "coded")
        coordinates = "each factor -1..+1 over low..high"

        def decoded(U: Array) -> Array:
            return np.asarray(U, dtype=float) * code.scale + code.shift

    known = study.region.categories if combo is None else {name: (level,) for name, level in combo.items()}
    chosen = {name: np.full(1, levels[0], dtype=object) for name, levels in known.items()}

    def rows(U: Array) -> Array:
        given = {name: np.repeat(value, len(U)) for name, value in chosen.items()}
        values: Array = terms.rows(decoded(U), given, core.coding)
        return values

    sd, df = core.error or (0.0, 0.0)
    surface = Surface(rows, core.beta, sd**2 * core.unscaled, df)
    return Coded(surface, decoded, region.dimension, coordinates)


def stationary_point(study: Study, core: Core, scale: Scale) -> Stationary | Unavailable:
    """Canonical analysis of the fitted surface, with its errors."""
    coded = coded_surface(study, core)
    if isinstance(coded, Unavailable):
        return coded
    found = quadratic_of(coded.fitted.value, coded.dimension)
    if found is None:
        return Unavailable(
            "the surface bends more than a quadratic, so it may have several such points",
            "use optimise, which looks everywhere",
        )
    point = canonical(*found)
    if isinstance(point, Unavailable):
        return point
    return _in_units(study, point, coded, scale, core.error is not None)


def _in_units(study: Study, point: Canonical, coded: Coded, scale: Scale, has_error: bool) -> Stationary:
    region = study.region
    levels = coded.decoded(point.place[None])[0]
    errors: tuple[float, ...] | Unavailable = _NO_ERROR
    confidence: Mapping[str, tuple[float, float]] | Unavailable = _NO_ERROR
    if has_error and coded.fitted.df > 0:
        errors = tuple(map(float, eigenvalue_errors(coded.fitted, point.place, point.axes)))
        confidence = _reach_in_units(region.names, coded, stationary_edges(coded.fitted, point.place))
    ends = {} if isinstance(confidence, Unavailable) else confidence
    beyond, impossible = _out_of_reach(region, ends)
    return Stationary(
        at={name: float(value) for name, value in zip(region.names, levels, strict=True)},
        kind=point.kind,
        eigenvalues=tuple(float(v) for v in point.eigenvalues),
        predicted=_value_there(scale, point.value),
        inside=bool(region.contains(levels[None], 1e-9)[0]),
        coordinates=coded.coordinates,
        eigenvalue_se=errors,
        confidence=confidence,
        beyond=beyond,
        impossible=impossible,
    )


def _value_there(scale: Scale, value: float) -> float | Unavailable:
    """What is predicted at a stationary point, unless that lies so far off that no number is left of it."""
    with np.errstate(over="ignore", under="ignore"):
        there = float(scale.back(value))
    if not np.isfinite(scale.forward(there)):
        return Unavailable("the point lies so far off that no number is left of it", "look at the effects, not at it")
    return there


def _out_of_reach(region: Region, ends: Mapping[str, tuple[float, float]]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Names of `ends` that leave the study's limits, and those of a blend that fall below 0 or exceed the total."""
    beyond, impossible = [], []
    for name, (low, high) in ends.items():
        least, most = region.reach[name]
        room = 1e-9 * max(abs(least), abs(most))
        if low < least - room or high > most + room:
            beyond.append(name)
        total = np.inf if region.blend_total is None else region.blend_total
        if name in region.blend and (low < -room or high > total + room):
            impossible.append(name)
    return tuple(beyond), tuple(impossible)


def _reach_in_units(
    names: Sequence[str], coded: Coded, edges: Array | Unavailable
) -> Mapping[str, tuple[float, float]] | Unavailable:
    """How far the edges (m, d) of the confidence region reach, in levels."""
    if isinstance(edges, Unavailable):
        return edges
    levels = coded.decoded(edges)
    return {name: (float(v.min()), float(v.max())) for name, v in zip(names, levels.T, strict=True)}


def way_out(
    study: Study, core: Core, scale: Scale, response: Response, distances: npt.ArrayLike = _DISTANCES,
    combo: Mapping[str, str] | None = None,
) -> tuple[Mapping[str, Any], ...] | Unavailable:  # fmt: skip
    """The places predicted best at each distance from the middle: distance, levels, prediction, its 95 % confidence.

    `distances` (m,) are in coded units, -1..+1. By `surface.best_way`: the ridge of a bent surface, the path of
    steepest ascent of a straight one. With `combo` the way within these levels of the categories.
    """
    sign = {"above": 1.0, "below": -1.0}.get(response.aim)
    if sign is None:
        return Unavailable("only a response that is wanted high or low has a way up or down", "see optimise")
    coded, region = coded_surface(study, core, combo), study.region if combo is None else study.region.at(combo)
    if isinstance(coded, Unavailable):
        return coded
    if core.error is None:
        return _NO_ERROR
    start, G, h = _room(region, coded)
    places, reached = best_way(coded.fitted, sign, start, G, h, distances)
    levels = coded.decoded(places)
    t = float(stats.t.isf(0.025, coded.fitted.df))
    centre, error = coded.fitted.value(places), coded.fitted.error(places)
    ends = [scale.back(centre - t * error), scale.back(centre + t * error)]
    return tuple(
        {
            "distance": float(distance),
            "at": {name: float(v) for name, v in zip(region.names, row, strict=True)},
            "predicted": float(scale.back(centre[i])),
            "confidence": (float(ends[0][i]), float(ends[1][i])),
        }
        for i, (distance, row) in enumerate(zip(reached, levels, strict=True))
    )


def _room(region: Region, coded: Coded) -> tuple[Array, Array, Array]:
    """The middle of the region and its limits G u <= h in the coded coordinates."""
    middle = np.array([[region.centroid[name] for name in region.names]])
    origin = coded.decoded(np.zeros((1, coded.dimension)))[0]
    basis = (coded.decoded(np.eye(coded.dimension)) - origin).T
    start = np.linalg.lstsq(basis, middle[0] - origin, rcond=None)[0]
    return start, region.A @ basis, region.b - region.A @ origin
