"""The batches that averaged posteriors rest on, seen from many places of a piece of the region at once.

Responses read on the same batches see the same of them: it is worked out once for all that are bounded together.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from optimise.formula.space import Space
from optimise.models.predictors import PosteriorPredictor, coordinates
from optimise.proof.clouds import Cloud, bells, curves
from optimise.proof.expansion import Vicinity

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Batches:
    """Batches at `known` (m, D), with `axes` (q, D) of curves, over free coordinates u: z = origin + turn u.

    `dots` (m,) + `lines` (m, d) u are the inner products with the batches; `key` is the same for the same batches in
    the same piece.
    """

    known: Array
    axes: Array
    origin: Array
    turn: Array
    dots: Array
    lines: Array
    key: tuple[bytes, ...]

    @classmethod
    def of(cls, predictor: PosteriorPredictor, space: Space, combo: Mapping[str, str]) -> Batches:
        """The batches of a posterior over the free coordinates of `space` at one combination of category levels."""
        d, post = space.dimension, predictor.posterior
        X = space.region.decoded(np.vstack([np.zeros((1, d)), np.eye(d)]))
        z = coordinates(predictor.region, X, space.chosen(combo, d + 1))
        origin, turn = z[0], (z[1:] - z[0]).T
        key = tuple(part.tobytes() for part in (post.z, post.axes, origin, turn))
        return cls(post.z, post.axes, origin, turn, post.z @ origin, post.z @ turn, key)

    @property
    def cost(self) -> float:
        """The work of one place."""
        return float(2000 + 20 * len(self.known) * (self.turn.shape[1] + 2) ** 2)

    def near(self, vicinity: Vicinity) -> Near:
        """What is seen of the batches from some places."""
        return vicinity.once(self.key, lambda: self._near(vicinity.a, vicinity.w))

    def _near(self, a: Array, w: Array) -> Near:
        z = self.origin + a @ self.turn.T
        clouds = bells(z, self.known, self.turn, w), curves(z, self.known, self.axes, self.turn, w)
        return Near(a, w, z @ self.turn, (z * z).sum(axis=1), self.dots + a @ self.lines.T, clouds)


@dataclass(frozen=True, slots=True, eq=False)
class Near:
    """Of places a (n, d), |t| <= w about them: `own` (n,), the square of z, and half its slope, `zu` (n, d); inner
    products `dots` (n, m) with the batches; bells and curves.
    """

    a: Array
    w: Array
    zu: Array
    own: Array
    dots: Array
    clouds: tuple[Cloud, Cloud]
