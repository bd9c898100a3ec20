"""Least-squares predictions and leverages as polynomials of coordinates, expanded with bounded remainders."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import factorial

import numpy as np
import numpy.typing as npt

from doe.terms.codings import Coding
from doe.terms.terms import Terms
from optimise.formula.space import Space
from optimise.models.predictors import LeastSquaresPredictor
from optimise.proof.expansion import Curve, Expansion, Vicinity

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Polynomials:
    """p polynomials of u (d,) by their derivatives at u = 0: `parts[k]`, (p, d, ..., d), are those of order k."""

    parts: tuple[Array, ...]

    @classmethod
    def of(cls, terms: Terms, coding: Coding, space: Space, combo: Mapping[str, str]) -> Polynomials:
        """Model rows over the free coordinates of `space` at one combination of category levels."""
        d = space.dimension
        places = np.vstack([np.zeros((1, d)), np.eye(d)])
        columns = terms.factors(space.region.decoded(places), space.chosen(combo, d + 1), coding)
        tilt = (columns[1:] - columns[0]).T
        parts = [np.ones(len(terms))]
        for which in terms.factor_index:
            parts = _times(parts, columns[0][which], tilt[which])
        while len(parts) > 1 and not parts[-1].any():
            parts.pop()
        return cls(tuple(parts))

    def mixed(self, by: Array) -> Polynomials:
        """Linear combinations of them, `by` (q, p)."""
        return Polynomials(tuple(np.tensordot(by, part, 1) for part in self.parts))

    def derivatives(self, a: Array) -> list[Array]:
        """All derivatives at places a (n, d), by order: (n, p, d, ..., d); of the highest order (1, p, d, ..., d)."""
        p, d = len(self.parts[0]), a.shape[1]
        powers, found = _powers(a, len(self.parts) - 1), [part[None] for part in self.parts]
        for k, part in enumerate(self.parts):
            for m in range(1, k + 1):
                moved = powers[m] @ part.reshape(p * d ** (k - m), d**m).T
                found[k - m] = found[k - m] + moved.reshape(len(a), p, *[d] * (k - m)) / factorial(m)
        return found

    def near(self, a: Array, w: Array) -> Rows:
        """The rows near a (n, d) over |t| <= w."""
        (n, d), p = a.shape, len(self.parts[0])
        found = self.derivatives(a)
        powers, third = _powers(w, len(found) - 1), np.zeros((n, p))
        for k, part in enumerate(found[3:], 3):
            third += (np.abs(part).reshape(len(part), p, d**k) @ powers[k][:, :, None])[:, :, 0] / factorial(k)
        value = np.broadcast_to(found[0], (n, p))
        slope = np.broadcast_to(found[1], (n, p, d)) if len(found) > 1 else np.zeros((n, p, d))
        return Rows(value, slope, found[2] if len(found) > 2 else np.zeros((1, p, d, d)), third)


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """p polynomials near n places: value (n, p), slope (n, p, d), bend (n, p, d, d), and bounds (n, p) of what lies
    beyond the bend, which is (1, p, d, d) where it is the same everywhere.
    """

    value: Array
    slope: Array
    bend: Array
    third: Array


def _powers(a: Array, most: int) -> list[Array]:
    """Outer products of a (n, d) with itself, (n, d^k) for every k up to `most`."""
    n, d = a.shape
    found = [np.ones((n, 1))]
    for k in range(1, most + 1):
        found.append((found[-1][:, :, None] * a[:, None, :]).reshape(n, d**k))
    return found


def _times(parts: Sequence[Array], base: Array, tilt: Array) -> list[Array]:
    """Derivatives at 0 of polynomials times base (p,) + tilt (p, d) u, which is differentiated at most once."""
    p, d = tilt.shape
    found = [base.reshape(p, *[1] * (part.ndim - 1)) * part for part in parts]
    found.append(np.zeros((p, *[d] * len(parts))))
    for k, part in enumerate(parts, 1):
        outer = part[..., None] * tilt.reshape(p, *[1] * (k - 1), d)
        for place in range(1, k + 1):
            found[k] = found[k] + np.moveaxis(outer, -1, place)
    return found


@dataclass(frozen=True, slots=True, eq=False)
class Leverage:
    """f'Vf of model rows f, the variance of a least-squares mean in units of its batch variance: the sum of the squares
    of `rows`, which are L f for V = L'L.
    """

    rows: Polynomials

    @classmethod
    def of(cls, rows: Polynomials, unscaled: Array) -> Leverage:
        """The leverage of model rows with V = `unscaled` (p, p)."""
        values, vectors = np.linalg.eigh(unscaled)
        return cls(rows.mixed(np.sqrt(np.maximum(values, 0.0))[:, None] * vectors.T))

    def near(self, a: Array, w: Array) -> tuple[Curve, Array, Array]:
        """A lower curve of it around a over |t| <= w (all of `third` may lie below the quadratic), and how far it goes
        under and over its tangent at most, (n,) each.

        With g + J t + e the rows, the leverage is |g|² + 2 g'(J t + e) + |J t + e|², and |J t + e|² is at least
        |J t|² + 2 (J t)'e, or (1 - q) |J t|² - (1/q - 1) |e|² for any q in 0..1: whichever loses less.
        """
        rows, (n, d) = self.rows.near(a, w), a.shape
        turned = rows.slope.transpose(0, 2, 1)
        slope = 2 * (turned @ rows.value[:, :, None])[:, :, 0]
        spread = turned @ rows.slope
        bends = rows.bend.reshape(len(rows.bend), -1, d * d)
        flat = 2 * (rows.value[:, None, :] @ bends).reshape(n, d, d)
        third = 2 * (np.abs(rows.value) * rows.third).sum(axis=1)
        under = 0.5 * np.einsum("nd,nde,ne->n", w, np.abs(flat), w) + third
        steep = np.sqrt(np.einsum("nd,nde,ne->n", w, np.abs(spread), w))
        bent, crossed = self._beyond(rows, turned, bends, w)
        crossed = np.minimum(crossed + 2 * steep * np.sqrt((rows.third**2).sum(axis=1)), 2 * steep * bent)
        q = np.where(bent < steep, bent / np.maximum(steep, 1e-300), 1.0)
        lost = np.where(q > 0, (1 / np.maximum(q, 1e-300) - 1) * bent**2, 0.0)
        straight = steep**2 - crossed > (1 - q) * steep**2 - lost
        kept, lost = np.where(straight, 1.0, 1 - q), np.where(straight, crossed, lost)
        bend = flat + 2 * kept[:, None, None] * spread
        second = under + lost + kept * steep**2
        over = under + np.minimum((steep + bent) ** 2, steep**2 + crossed + bent**2)
        return Curve((rows.value**2).sum(axis=1), slope, bend, second, third + lost), under, over

    def _beyond(self, rows: Rows, turned: Array, bends: Array, w: Array) -> tuple[Array, Array]:
        """Bounds (n,) of |e|, and of 2 (J t)'t'bend t / 2."""
        n, d = w.shape
        pairs = (w[:, :, None] * w[:, None, :]).reshape(n, d * d)
        square = np.abs(bends.transpose(0, 2, 1) @ bends)
        whole = ((pairs[:, None, :] @ square)[:, 0] * pairs).sum(axis=1)
        bent = 0.5 * np.sqrt(whole) + np.sqrt((rows.third**2).sum(axis=1))
        cubic = (turned @ bends).reshape(n, d, d, d)
        cubic = np.abs(cubic + cubic.transpose(0, 2, 3, 1) + cubic.transpose(0, 3, 1, 2)) / 3
        return bent, ((cubic.reshape(n, d, d * d) @ pairs[:, :, None])[:, :, 0] * w).sum(axis=1)

    def at(self, a: Array, w: Array) -> Curve:
        """The lower curve around a (n, d) over |t| <= w (n, d)."""
        return self.near(a, w)[0]


@dataclass(frozen=True, slots=True, eq=False)
class LeastSquaresExpander:
    """A least-squares prediction in one piece of the region: one component."""

    centre: Polynomials
    leverage: Leverage
    predictor: LeastSquaresPredictor

    @classmethod
    def of(cls, predictor: LeastSquaresPredictor, space: Space, combo: Mapping[str, str]) -> LeastSquaresExpander:
        """The prediction over the free coordinates of `space` at one combination."""
        rows = Polynomials.of(predictor.terms, predictor.coding, space, combo)
        return cls(rows.mixed(predictor.beta[None]), Leverage.of(rows, predictor.unscaled), predictor)

    @property
    def cost(self) -> float:
        """The work of one place."""
        return float(4500 + 4 * len(self.predictor.beta) ** 2)

    @property
    def mean_cost(self) -> float:
        """The work of one place for the centre alone."""
        return 1500.0 + 10.0 * sum(part.size for part in self.centre.parts)

    def mean(self, vicinity: Vicinity) -> Curve:
        """The centre near some places."""
        a, w = vicinity.a, vicinity.w
        rows = self.centre.near(a, w)
        bend, third = np.broadcast_to(rows.bend[:, 0], (len(a), *rows.bend.shape[2:])), rows.third[:, 0]
        bent = 0.5 * np.einsum("nd,nde,ne->n", w, np.abs(bend), w)
        return Curve(rows.value[:, 0], rows.slope[:, 0], bend, bent + third, third)

    def at(self, vicinity: Vicinity) -> Expansion:
        """The expansion near some places."""
        mean, (variance, under, over) = self.mean(vicinity), self.leverage.near(vicinity.a, vicinity.w)
        return Expansion(
            weights=np.ones(1), df=float(self.predictor.df), sd=np.array([self.predictor.sd]), batch=np.ones(1),
            m=mean.value[:, None], m_slope=mean.slope[:, None], m_bend=mean.bend[:, None],
            m_second=mean.second[:, None], m_third=mean.third[:, None],
            v=variance.value[:, None], v_slope=variance.slope[:, None], v_bend=variance.bend[:, None],
            v_second=variance.second[:, None], v_third=variance.third[:, None],
            v_under=under[:, None], v_dip=(under + variance.third)[:, None], v_over=over[:, None],
        )  # fmt: skip
