"""Exact responses (cost, sums, ratios of sums) as a search needs them: weights over what varies, by materials."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.definition.parts import Response
from doe.problems import Unavailable
from doe.study import Study
from doe.trade.forms import Bend, Form
from doe.trade.quantities import form_of

Array = npt.NDArray[np.float64]
Chosen = Mapping[str, npt.NDArray[Any]]


@dataclass(frozen=True, slots=True, eq=False)
class Sum:
    """What an exact response is at one choice of materials: `bend` of (x.top + constant) / (x.under + its constant).

    Weights are (k,) over `study.region.names`; `under` is None for a plain sum.
    """

    top: Array
    constant: float
    under: Array | None = None
    under_constant: float = 0.0
    bend: Bend | None = None

    def values(self, X: Array) -> Array:
        """The value of recipes X (n, k), (n,); NaN where there is nothing under a ratio."""
        top: Array = X @ self.top + self.constant
        if self.under is not None:
            with np.errstate(invalid="ignore", divide="ignore"):
                top = top / (X @ self.under + self.under_constant)
        return top if self.bend is None else self.bend.of(top)

    def with_slopes(self, X: Array) -> tuple[Array, Array]:
        """The value of recipes X (n, k), (n,), and its slopes by the levels, (n, k)."""
        value, slope = X @ self.top + self.constant, np.broadcast_to(self.top, X.shape)
        if self.under is not None:
            with np.errstate(invalid="ignore", divide="ignore"):
                under = X @ self.under + self.under_constant
                value = value / under
                slope = (self.top - value[:, None] * self.under) / under[:, None]
        if self.bend is None:
            return value, slope
        return self.bend.of(value), self.bend.slope(value)[:, None] * slope


@dataclass(frozen=True, slots=True, eq=False)
class Exact:
    """An exact response as a `Sum` for each choice of `materials`, the categories that matter."""

    materials: tuple[str, ...]
    sums: Mapping[tuple[str, ...], Sum]

    def at(self, chosen: Mapping[str, Any]) -> Sum:
        """The sum at one combination of category levels: plain ones, or arrays that all say the same."""
        key = tuple(str(np.atleast_1d(np.asarray(chosen[name], dtype=object))[0]) for name in self.materials)
        return self.sums[key]

    def values(self, X: Array, chosen: Chosen) -> Array:
        """The value of recipes X (n, k), (n,)."""
        if not self.materials:
            return self.sums[()].values(X)
        given = [np.asarray(chosen[name], dtype=object) for name in self.materials]
        if len(X) and all((levels == levels[0]).all() for levels in given):
            return self.at(chosen).values(X)
        out = np.zeros(len(X))
        keys = list(zip(*(map(str, chosen[name]) for name in self.materials), strict=True))
        for key in dict.fromkeys(keys):
            rows = [i for i, own in enumerate(keys) if own == key]
            out[rows] = self.sums[key].values(X[rows])
        return out


def exact_form(study: Study, response: Response) -> Exact | Unavailable:
    """An exact response in terms of what varies, in its own unit."""
    categories = {f.name: f.levels for f in study.category_factors if f.of is not None}
    over = former(study)
    sums: dict[tuple[str, ...], Sum] = {}
    for levels in product(*categories.values()):
        form = form_of(study, response, dict(zip(categories, levels, strict=True)))
        if isinstance(form, Unavailable):
            return form
        sums[levels] = over(form)
    first = next(iter(sums.values()))
    if all(_same(one, first) for one in sums.values()):
        return Exact((), {(): first})
    return Exact(tuple(categories), sums)


def former(study: Study) -> Callable[[Form], Sum]:
    """What turns a form over all levels of a study into a sum over what varies."""
    # The levels of all that does not vary are those of any whole recipe.
    middle = study.complete(_any_recipe(study)).iloc[0]
    names = study.region.names

    def split(weights: Mapping[str, float]) -> tuple[Array, float]:
        constant = sum(weight * float(middle[name]) for name, weight in weights.items() if name not in names)
        return np.array([weights.get(name, 0.0) for name in names]), float(constant)

    def over(form: Form) -> Sum:
        top, constant = split(form.top)
        under, beside = (None, 0.0) if form.under is None else split(form.under)
        return Sum(top, constant, under, beside, form.bend)

    return over


def _same(one: Sum, other: Sum) -> bool:
    if one.bend is not None or other.bend is not None or (one.under is None) != (other.under is None):
        return one is other
    same = np.array_equal(one.top, other.top) and one.constant == other.constant
    if one.under is None or other.under is None:
        return same
    return same and np.array_equal(one.under, other.under) and one.under_constant == other.under_constant


def _any_recipe(study: Study) -> pd.DataFrame:
    centre = dict(study.region.centroid)
    return pd.DataFrame([{**centre, **{name: levels[0] for name, levels in study.region.categories.items()}}])
