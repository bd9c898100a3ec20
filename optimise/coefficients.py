"""Coefficients in the coding asked for, and the stationary point in the study's units."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.problems import Problem, Unavailable
from doe.study import Study
from doe.terms import Terms
from optimise.batchdata import BatchData
from optimise.diagnosis import no_error
from optimise.findings import say
from optimise.fitted import Core, Stationary, number_column
from optimise.leastsq import Array, LeastSquares, solve, two_sided
from optimise.scales import Scale
from optimise.stationary import Canonical, canonical, quadratic_of

_SAME_FIT = 1e-6


def coefficient_table(
    study: Study, core: Core, data: BatchData, y: Array, coding: str, aliased: list[str]
) -> tuple[pd.DataFrame, Array | Unavailable, str, list[Problem]]:
    """Terms with estimate, se, t, df, p in `coding`, their covariance, the coding used, and what there is to say.

    The fit is done again in that coding. Where its columns do not span the same functions (a model without the terms
    that divide its products), or are too close together to compute with, the coding of the fit is shown instead.
    """
    notes: list[Problem] = []
    fit, used = _in_coding(study, core, data, y, coding), coding
    if fit is None:
        fit, used = core.fit, core.coding.name
        got = f"in the coding {coding} these terms make another model or cannot be told apart; shown as {used}"
        notes.append(say("coding", "inform", "coefficients", got, f"read them as {used}"))
    p = len(core.terms)
    table = _table(core.terms, fit, aliased)
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


def _table(terms: Terms, fit: LeastSquares, aliased: list[str]) -> pd.DataFrame:
    p = len(terms)
    estimate = fit.estimate[:p]
    columns: dict[str, Any] = {
        "term": list(terms.labels) + aliased,
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


def stationary_point(study: Study, core: Core, scale: Scale) -> Stationary | Unavailable:
    """Canonical analysis of the fitted surface over the free coordinates of the study's region.

    Process factors are coded -1..+1 over low..high; a blend (within its total) over the reach of its free ingredients.
    """
    terms, region = core.terms, study.region
    if any(t.level for t in terms.terms):
        return Unavailable(
            "the surface differs between categories", "look at each category by itself (optimise --hold)"
        )
    if region.dimension == 0:
        return Unavailable("nothing is free to move", "nothing to do")
    if region.blend or region.dimension < len(region.names):
        coordinates, decoded = "each free column -1..+1 over its reach", region.decoded
    else:
        code = terms.coding(region, "coded")
        coordinates = "each factor -1..+1 over low..high"

        def decoded(U: npt.ArrayLike) -> Array:
            return np.asarray(U, dtype=float) * code.scale + code.shift

    chosen = {name: np.full(1, levels[0], dtype=object) for name, levels in region.categories.items()}

    def surface(U: Array) -> Array:
        given = {name: np.repeat(value, len(U)) for name, value in chosen.items()}
        values: Array = terms.rows(decoded(U), given, core.coding) @ core.beta
        return values

    found = quadratic_of(surface, region.dimension)
    if found is None:
        return Unavailable(
            "the surface bends more than a quadratic, so it may have several such points",
            "use optimise, which looks everywhere",
        )
    point = canonical(*found)
    if isinstance(point, Unavailable):
        return point
    return _in_units(study, point, decoded(point.place[None])[0], scale, coordinates)


def _in_units(study: Study, point: Canonical, levels: Array, scale: Scale, coordinates: str) -> Stationary:
    region = study.region
    return Stationary(
        at={name: float(value) for name, value in zip(region.names, levels, strict=True)},
        kind=point.kind,
        eigenvalues=tuple(float(v) for v in point.eigenvalues),
        predicted=float(scale.back(point.value)),
        inside=bool(region.contains(levels[None], 1e-9)[0]),
        coordinates=coordinates,
    )
