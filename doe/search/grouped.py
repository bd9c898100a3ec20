"""Plans whose trials are made in groups, and what a change does to them.

The information is A = R + F'WF, W (n, n) being the weights of `doe.search.strata`. Whatever changes F by e d' (one
recipe moved, made in one or several trials; two trials changing places) changes A by d u' + u d' + w d d' with u = F'We
and w = e'We, so that

    det A' / det A = (1 + d'Vu)^2 - d'Vd (u'Vu - w),    V = inverse of A,

and trace(V B) by the matching rank-two formula; with W = I these are those of `doe.search.exchange`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from doe.search.exchange import RIDGE, Criterion, Space
from doe.search.strata import Strata

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Plans:
    """Stacked plans: recipes X (s, t, k), C (s, t, c), and the position (s, n) in the strata of each trial."""

    X: Array
    C: Indices
    position: Indices

    def take(self, starts: Indices | Sequence[int]) -> Plans:
        """Some of the plans, by their numbers."""
        return Plans(self.X[starts].copy(), self.C[starts].copy(), self.position[starts].copy())

    def joined(self, other: Plans) -> Plans:
        """These plans, then the others."""
        return Plans(
            np.concatenate([self.X, other.X]),
            np.concatenate([self.C, other.C]),
            np.concatenate([self.position, other.position]),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Task:
    """What is searched: t recipes for n trials in the positions of `strata` (whole plot and block).

    `recipe` (n,): which recipe each trial is of. `fixed` (t,): recipes that stay. `groups`: recipes that share the
    setting of the hard-to-change columns `hard` and categories `hard_levels`, one array a whole plot. `settings` (q, h)
    and `setting_levels` (q, hl) are settings to try; U (m, k), C (m, c) candidates for the rest. `parties`: trials that
    may change places with another party of as many, between blocks; none where there is nothing to gain. `floor`: least
    degrees of freedom of pure error, which such a change may not undo.
    """

    space: Space
    criterion: Criterion
    strata: Strata
    recipe: Indices
    fixed: Flags
    groups: tuple[Indices, ...]
    hard: tuple[int, ...]
    hard_levels: tuple[int, ...]
    settings: Array
    setting_levels: Indices
    U: Array
    C: Indices
    parties: tuple[Indices, ...] = ()
    floor: int = 0
    _kept: dict[str, Array] = field(init=False, default_factory=dict)

    @property
    def free(self) -> Indices:
        """Numbers of the recipes that may move."""
        return np.flatnonzero(~self.fixed)

    @property
    def movable(self) -> tuple[Indices, ...]:
        """The recipes (g,) of each whole plot whose setting may move: those without a fixed one."""
        if not self.hard and not self.hard_levels:
            return ()
        return tuple(group for group in self.groups if not self.fixed[group].any())

    @property
    def position_weights(self) -> Array:
        """Weights of generalised least squares between positions, (n, n), as `doe.search.strata` has them."""
        if "positions" not in self._kept:
            self._kept["positions"] = self.strata.weight()
        return self._kept["positions"]

    @property
    def member(self) -> Array:
        """1 where a trial (n) is of a recipe (t), (t, n)."""
        out: Array = (np.arange(self.fixed.size)[:, None] == self.recipe).astype(float)
        return out

    def model(self, plans: Plans) -> Array:
        """Model rows of the recipes, (s, t, p)."""
        s, t, k = plans.X.shape
        rows: Array = self.space.model(plans.X.reshape(s * t, k), plans.C.reshape(s * t, -1)).reshape(s, t, -1)
        return rows

    def weights(self, plans: Plans) -> Array:
        """Weights between recipes, (s, t, t): those of their trials added up."""
        W, member = self.position_weights, self.member
        positions, index = np.unique(plans.position, axis=0, return_inverse=True)
        each = np.array([member @ W[np.ix_(at, at)] @ member.T for at in positions])
        out: Array = each[index.reshape(-1)]
        return out

    def value(self, plans: Plans) -> Array:
        """The criterion of each plan, (s,): greater is better."""
        G = self.model(plans)
        A = np.swapaxes(G, 1, 2) @ self.weights(plans) @ G + self.criterion.prior
        return worth(self.criterion, A + RIDGE * np.eye(A.shape[-1]))


def worth(criterion: Criterion, A: Array) -> Array:
    """Log det A for D, -log trace(inverse of A times weight) for L, of information matrices A (..., p, p)."""
    sign, logdet = np.linalg.slogdet(A)
    poor = (sign <= 0) | ~np.isfinite(logdet)
    if criterion.kind == "D":
        return np.where(poor, -np.inf, logdet)
    sound = np.where(poor[..., None, None], np.eye(A.shape[-1]), A)
    trace = np.einsum("...ij,ij->...", np.linalg.inv(sound), criterion.weight)
    return np.where(poor | (trace <= 0), -np.inf, -np.log(np.maximum(trace, 1e-300)))


def gains(criterion: Criterion, V: Array, d: Array, u: Array, w: Array) -> Array:
    """How much better each change e d' is (log of a ratio), (s, m): d (s, m, p), V (s, p, p).

    u (s, m, p) and w (s, m), or with 1 for m where all changes have them in common.
    """
    Vd, Vu = d @ V, u @ V
    a = np.einsum("smi,smi->sm", Vd, d)
    b = 1 + (d * Vu).sum(axis=2)
    e = np.einsum("smi,smi->sm", Vu, u) - w
    ratio = b**2 - a * e
    good = ratio > 1e-12
    safe = np.where(good, ratio, 1.0)
    if criterion.kind == "D":
        return np.where(good, np.log(safe), -np.inf)
    WVd = Vd @ criterion.weight
    q_dd = np.einsum("smi,smi->sm", WVd, Vd)
    q_du = (WVd * Vu).sum(axis=2)
    q_uu = np.einsum("smi,smi->sm", Vu @ criterion.weight, Vu)
    now = np.einsum("sij,ij->s", V, criterion.weight)[:, None]
    then = now + (e * q_dd - 2 * b * q_du + a * q_uu) / safe
    good &= then > 0
    return np.where(good, np.log(np.maximum(now, 1e-300)) - np.log(np.where(good, then, 1.0)), -np.inf)


def after(V: Array, d: Array, u: Array, w: Array) -> Array:
    """The inverse information after the change e d'; d, u (s, p), w (s,)."""
    F = np.stack([d, u], axis=-1)
    VF = V @ F
    inner = np.swapaxes(F, -1, -2) @ VF
    inner[:, 0, 1] += 1.0
    inner[:, 1, 0] += 1.0
    inner[:, 1, 1] -= w
    return V - VF @ np.linalg.solve(inner, np.swapaxes(VF, -1, -2))
