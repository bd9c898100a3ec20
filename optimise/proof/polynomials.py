"""Least-squares predictions and leverages as polynomials of coordinates, expanded with bounded remainders."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from doe.terms.codings import Coding
from doe.terms.terms import Terms
from optimise.formula.space import Space
from optimise.models.predictors import LeastSquaresPredictor
from optimise.proof.expansion import Curve, Expansion

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Model rows near n places: value (n, p), slope (n, p, d), bend (n, p, d, d), bounds (n, p) of what lies beyond."""

    value: Array
    slope: Array
    bend: Array
    second: Array
    third: Array


@dataclass(frozen=True, slots=True, eq=False)
class RowExpander:
    """Model rows of `terms` in one space at one combination: products of functions that are affine in u.

    `base` (c,) and `tilt` (c, d) hold those functions, `index` (r, p) which of them each term multiplies.
    """

    base: Array
    tilt: Array
    index: npt.NDArray[np.intp]

    @classmethod
    def of(cls, terms: Terms, coding: Coding, space: Space, combo: Mapping[str, str]) -> RowExpander:
        """The rows over the free coordinates of `space` at one combination of category levels."""
        d = space.dimension
        places = np.vstack([np.zeros((1, d)), np.eye(d)])
        columns = terms.factors(space.region.decoded(places), space.chosen(combo, d + 1), coding)
        return cls(columns[0], (columns[1:] - columns[0]).T, terms.factor_index)

    def at(self, a: Array, w: Array) -> Rows:
        """Rows around a (n, d) over |t| <= w (n, d).

        Beyond the bend, a product of factors x_s + y_s is at most the same products of |x_s| and the greatest |y_s|.
        """
        n, d = a.shape
        x = self.base + a @ self.tilt.T
        reach = w @ np.abs(self.tilt).T
        r, p = self.index.shape
        factors, rises = [x[:, i] for i in self.index], [self.tilt[i] for i in self.index]
        sizes, steps = [np.abs(f) for f in factors], [reach[:, i] for i in self.index]
        slope, bend = np.zeros((n, p, d)), np.zeros((n, p, d, d))
        first, second = np.zeros((n, p)), np.zeros((n, p))
        for s in range(r):
            slope += _product(factors, s)[:, :, None] * rises[s]
            first += _product(sizes, s) * steps[s]
        for s, t in combinations(range(r), 2):
            cross = np.einsum("pi,pj->pij", rises[s], rises[t])
            bend += _product(factors, s, t)[:, :, None, None] * (cross + cross.transpose(0, 2, 1))
            second += _product(sizes, s, t) * steps[s] * steps[t]
        whole = np.ones((n, p))
        for size, step in zip(sizes, steps, strict=True):
            whole *= size + step
        third = np.maximum(whole - _product(sizes) - first - second, 0.0) if r > 2 else np.zeros((n, p))
        return Rows(_product(factors), slope, bend, second + third, third)


def _product(factors: list[Array], *left_out: int) -> Array:
    out = np.ones_like(factors[0])
    for s, factor in enumerate(factors):
        if s not in left_out:
            out = out * factor
    return out


@dataclass(frozen=True, slots=True, eq=False)
class Leverage:
    """f'Vf of model rows f: the variance of a least-squares mean in units of its batch variance."""

    rows: RowExpander
    unscaled: Array

    def near(self, rows: Rows, w: Array) -> tuple[Curve, Array, Array]:
        """A lower curve of it (all of `third` may lie below the quadratic), and how far it can go under and over its
        tangent, (n,) each.

        With f = f0 + J t + e the leverage is h0 + 2 f0'V(Jt + e) + |Jt + e|², and |Jt + e|² is at least
        (1 - q) |Jt|² - (1/q - 1) |e|² for any q in 0..1.
        """
        V = self.unscaled
        pushed = rows.value @ V
        size = np.sqrt(np.maximum(np.diag(V), 0.0))
        slope = 2 * np.einsum("np,npd->nd", pushed, rows.slope)
        turned = rows.slope.transpose(0, 2, 1)
        spread = turned @ V @ rows.slope
        steep = (w * np.sqrt(np.maximum(np.einsum("nii->ni", spread), 0.0))).sum(axis=1)
        bent = rows.second @ size
        q = np.where(bent < steep, bent / np.maximum(steep, 1e-300), 1.0)
        lost = np.where(q > 0, (1 / np.maximum(q, 1e-300) - 1) * bent**2, 0.0)
        flat = 2 * np.einsum("np,npde->nde", pushed, rows.bend)
        third = 2 * (np.abs(pushed) * rows.third).sum(axis=1)
        under = 0.5 * np.einsum("nd,nde,ne->n", w, np.abs(flat), w) + third
        bend = flat + 2 * (1 - q)[:, None, None] * spread
        second = under + lost + (1 - q) * steep**2
        value = (pushed * rows.value).sum(axis=1)
        return Curve(value, slope, bend, second, third + lost), under, under + (steep + bent) ** 2

    def at(self, a: Array, w: Array) -> Curve:
        """The lower curve around a over |t| <= w."""
        return self.near(self.rows.at(a, w), w)[0]


@dataclass(frozen=True, slots=True, eq=False)
class LeastSquaresExpander:
    """A least-squares prediction in one piece of the region: one component."""

    rows: RowExpander
    leverage: Leverage
    predictor: LeastSquaresPredictor

    @classmethod
    def of(cls, predictor: LeastSquaresPredictor, space: Space, combo: Mapping[str, str]) -> LeastSquaresExpander:
        """The prediction over the free coordinates of `space` at one combination."""
        rows = RowExpander.of(predictor.terms, predictor.coding, space, combo)
        return cls(rows, Leverage(rows, predictor.unscaled), predictor)

    @property
    def cost(self) -> float:
        """The work of one place."""
        return float(5000 + 20 * len(self.predictor.beta) ** 2)

    @property
    def mean_cost(self) -> float:
        """The work of one place for the centre alone."""
        return 0.5 * self.cost

    def _curve(self, rows: Rows) -> Curve:
        beta = self.predictor.beta
        size = np.abs(beta)
        bend = np.einsum("npde,p->nde", rows.bend, beta)
        return Curve(
            rows.value @ beta, np.einsum("npd,p->nd", rows.slope, beta), bend, rows.second @ size, rows.third @ size
        )

    def mean(self, a: Array, w: Array) -> Curve:
        """The centre near a over |t| <= w."""
        return _closer(self._curve(self.rows.at(a, w)), w)

    def at(self, a: Array, w: Array) -> Expansion:
        """The expansion around a (n, d) over |t| <= w (n, d)."""
        rows = self.rows.at(a, w)
        mean = _closer(self._curve(rows), w)
        variance, under, over = self.leverage.near(rows, w)
        return Expansion(
            weights=np.ones(1), df=float(self.predictor.df), sd=np.array([self.predictor.sd]), batch=np.ones(1),
            m=mean.value[:, None], m_slope=mean.slope[:, None], m_bend=mean.bend[:, None],
            m_second=mean.second[:, None], m_third=mean.third[:, None],
            v=variance.value[:, None], v_slope=variance.slope[:, None], v_bend=variance.bend[:, None],
            v_second=variance.second[:, None], v_third=variance.third[:, None],
            v_under=under[:, None], v_dip=(under + variance.third)[:, None], v_over=over[:, None],
        )  # fmt: skip


def _closer(curve: Curve, w: Array) -> Curve:
    """The bound beyond the slope from the bend itself, which lets terms cancel."""
    bent = 0.5 * np.einsum("nd,nde,ne->n", w, np.abs(curve.bend), w) + curve.third
    return Curve(curve.value, curve.slope, curve.bend, np.minimum(curve.second, bent), curve.third)
