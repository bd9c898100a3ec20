"""The sides of all musts as misses: by how much each is missed by a recipe, with slopes where a run asks for them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from doe.problems import Unavailable
from optimise.formula.bends import Bends, Bent, Plane
from optimise.formula.brief import Brief
from optimise.formula.centres import Means
from optimise.formula.exact import Exact, exact_form
from optimise.formula.goals import Aimed
from optimise.formula.space import Space

Array = npt.NDArray[np.float64]
Chosen = Mapping[str, npt.NDArray[Any]]

_LEAST = 1e-6  # of the limit: the least size that misses of an exact response count in


@dataclass(frozen=True, slots=True, eq=False)
class Spec:
    """One side of a must: `sign` times (limit - value) over `size` is its miss, at most 0 where it is met.

    The value is a fitted centre on the model scale, or an exact quantity of the levels. `asked` is the limit in the
    response's unit; one that no value meets on the model scale (`never`) has a limit that is not finite.
    """

    response: str
    side: str
    asked: float
    limit: float
    sign: float
    size: float
    aimed: Aimed | None
    exact: Exact | None

    @property
    def never(self) -> bool:
        """Whether no value at all meets it."""
        return bool(np.isposinf(self.sign * self.limit))

    def value(self, miss: float) -> float:
        """The value that misses by `miss`, in the response's unit."""
        at = self.limit - self.sign * miss * self.size
        return float(self.aimed.scale.back(np.array([at]))[0]) if self.aimed is not None else float(at)


def specs_of(brief: Brief, space: Space) -> list[Spec]:
    """Every side of the fitted and the exact musts of a brief that has a limit which can be missed.

    A miss of a fitted response counts in sds of a batch in the middle, that of an exact one in half its reach there.
    """
    first = space.combos[0]
    middle = space.at(first)
    centre = middle.region.decoded(middle.centre[None])
    out = fitted_specs(brief, centre, space.chosen(first, 1))
    for response in brief.exact:
        exact = exact_form(brief.study, response)
        if isinstance(exact, Unavailable):
            continue
        reach = float(np.abs(exact.at(first).with_slopes(centre)[1][0] @ middle.basis).sum())
        for side, sign, limit in zip(("low", "high"), (1.0, -1.0), response.window, strict=True):
            if limit is not None:
                # What hardly moves is not counted finer than it can be added up.
                size = max(reach, _LEAST * abs(limit), 1e-12)
                out.append(Spec(response.name, side, limit, limit, sign, size, None, exact))
    return out


def fitted_specs(brief: Brief, at: Array, chosen: Chosen) -> list[Spec]:
    """Every side of the fitted musts that has a limit which can be missed; a miss counts in sds of a batch at `at`.

    `at` (1, levels) with `chosen` category levels is one recipe.
    """
    out = []
    for one in brief.aimed:
        size, asked = one.batch_sd(at, chosen), one.response.window
        for side, sign, limit, said in (("low", 1.0, one.low, asked[0]), ("high", -1.0, one.high, asked[1])):
            if limit is not None and said is not None and not np.isneginf(sign * limit):
                out.append(Spec(one.response.name, side, said, limit, sign, size, one, None))
    return out


def short_of(values: Bent, which: Sequence[int], rate: Array, limits: Array) -> Bent:
    """By how much some of the values are short of limits, in units of 1 / rate; where rate is negative, beyond them."""

    def misses(U: Array) -> Bends:
        value, slope, bend = values(U)
        short = rate * (limits - value[:, which])
        return short, -rate[:, None] * slope[:, which], -rate[:, None, None] * bend[:, which]

    return misses


@dataclass(frozen=True, slots=True, eq=False)
class Misses:
    """The misses of k specs; `fitted` are the numbers of those with a predictor, `column` where `means` has theirs."""

    specs: tuple[Spec, ...]
    fitted: npt.NDArray[np.intp]
    column: npt.NDArray[np.intp]
    means: Means
    limit: Array
    rate: Array

    @classmethod
    def of(cls, specs: Sequence[Spec]) -> Misses:
        """The misses of these specs, in their order."""
        aimed = {spec.response: spec.aimed for spec in specs if spec.aimed is not None}
        names = list(aimed)
        fitted = [i for i, spec in enumerate(specs) if spec.aimed is not None]
        return cls(
            tuple(specs),
            np.array(fitted, dtype=np.intp),
            np.array([names.index(specs[i].response) for i in fitted], dtype=np.intp),
            Means.of([one.predictor for one in aimed.values()]),
            np.array([spec.limit for spec in specs], dtype=float),
            np.array([spec.sign / spec.size for spec in specs], dtype=float),
        )

    def fitted_bent(self, plane: Plane) -> Bent:
        """The misses of fitted specs at free coordinates of a plane, with slopes and second derivatives by them."""
        rate, limit = self.rate[self.fitted], self.limit[self.fitted]
        return short_of(self.means.bent(plane), self.column.tolist(), rate, limit)

    def many(self, X: Array, chosen: Chosen) -> Array:
        """The misses at levels X (n, levels), (n, k)."""
        values = np.empty((len(X), len(self.specs)))
        if len(self.fitted):
            values[:, self.fitted] = self.means.at(X, chosen)[:, self.column]
        for i, spec in enumerate(self.specs):
            if spec.exact is not None:
                values[:, i] = spec.exact.values(X, chosen)
        # A ratio with nothing under it meets no limit.
        return np.nan_to_num(self.rate * (self.limit - values), nan=np.inf, posinf=np.inf, neginf=-np.inf)

    def with_slopes(self, X: Array, chosen: Chosen) -> tuple[Array, Array]:
        """The misses at levels X (n, levels), (n, k), and their slopes by the levels, (n, k, levels)."""
        values, slopes = np.empty((len(X), len(self.specs))), np.empty((len(X), len(self.specs), X.shape[1]))
        if len(self.fitted):
            centres, steep = self.means.with_slopes(X, chosen)
            values[:, self.fitted], slopes[:, self.fitted] = centres[:, self.column], steep[:, self.column]
        for i, spec in enumerate(self.specs):
            if spec.exact is not None:
                values[:, i], slopes[:, i] = spec.exact.at(chosen).with_slopes(X)
        return self.rate * (self.limit - values), -self.rate[:, None] * slopes
