"""Moves that make use of what the exchange formulas are: quadratic forms of model rows.

Over candidates, h'Vh is one product of the candidates' squares with V, for all starts at once. Along a line the model's
rows are polynomials of the step, so that h'Vh and its kin are polynomials too: a row or two more than its degree tell
all of them, and the best step can be looked for as finely as one likes at next to no cost.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from doe.search.exchange import BestMove, CurrentRun, Move, Space, directions, first_best, picked, with_levels

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

_AROUND = np.linspace(-1, 1, 9)
_ROUNDS = 2  # of looking closer along a line, each four times finer
_FEW = 4


def to_candidates(space: Space, X: Array, C: Indices) -> Move:
    """The move to the best of the candidates X (m, k), C (m, c)."""
    H = space.model(X, C)
    upper = np.triu_indices(H.shape[1])
    twice = np.where(upper[0] == upper[1], 1.0, 2.0)
    squares: list[Array] = []

    def quadratic(Q: Array) -> Array:
        """The forms h'Qh of every candidate, (s, m)."""
        if len(Q) < _FEW:
            direct: Array = np.einsum("smi,mi->sm", H @ Q, H)
            return direct
        if not squares:
            squares.append((H[:, upper[0]] * H[:, upper[1]] * twice).T)
        found: Array = Q[:, upper[0], upper[1]] @ squares[0]
        return found

    def move(_: Space, run: CurrentRun) -> BestMove:
        forms = []
        for Q, Qg in ((run.V, run.Vg), (run.P, run.Pg)):
            if Q is not None and Qg is not None:
                forms += [run.root**2 * quadratic(Q), run.root * (Qg @ H.T)]
        gain = run.gain(*forms)
        best = first_best(gain)
        return BestMove(gain[np.arange(len(gain)), best], X[best], C[best])

    return move


def along_lines(shares: Array, *, cox: bool = False, pairs: bool = False, near: int = 0) -> Move:
    """The best move along a direction: to `shares` (s,) of its feasible stretch, or `near` ever smaller steps away.

    With `near`, the best place found is then made more exact. Categories are tried at every level, one at a time, where
    the run stands.
    """
    wide = float(np.diff(shares).max())
    steps = wide * 0.25 ** np.arange(near)
    away = np.concatenate([steps, -steps])
    # How far from each place looked at the next one is.
    gaps = np.concatenate([np.full(len(shares), wide), np.abs(away)])

    def move(space: Space, run: CurrentRun) -> BestMove:
        U = directions(space, run.X, cox=cox, pairs=pairs)
        low, high = space.ranges(run.X[:, None, :], U, run.C)
        nodes, s = _nodes(space.degree), np.arange(len(U))
        forms = _forms(space, run, U, low, high, nodes)
        here = -low / np.maximum(high - low, 1e-300)
        places = np.broadcast_to(shares, (*U.shape[:2], len(shares)))
        gain = _gain(run, forms, _weights(nodes, shares))
        if near:
            close = np.clip(here[..., None] + away, 0.0, 1.0)
            places = np.concatenate([places, close], axis=2)
            gain = np.concatenate([gain, _gain(run, forms, _weights(nodes, close))], axis=2)
        best = first_best(gain.reshape(len(U), -1))
        line, place = np.divmod(best, gain.shape[2])
        share, gained = places[s, line, place], gain[s, line, place]
        if near:
            share, gained = _closer(run, [f[s, line][:, None] for f in forms], nodes, share, gained, gaps[place])
        t = low[s, line] + (high - low)[s, line] * share
        step = BestMove(gained, run.X + t[:, None] * U[s, line], run.C)
        return _or_level(space, run, step)

    return move


def _closer(
    run: CurrentRun, forms: list[Array], nodes: Array, share: Array, gained: Array, gap: Array
) -> tuple[Array, Array]:
    """A better place on each start's line near `share` (s,), at first within `gap` (s,), and its gain."""
    s = np.arange(len(share))
    for shrink in 0.25 ** np.arange(_ROUNDS):
        around = np.clip(share[:, None] + _AROUND * (gap * shrink)[:, None], 0.0, 1.0)
        gain = _gain(run, forms, _weights(nodes, around)[:, None])[:, 0]
        best = first_best(gain)
        better = gain[s, best] > gained
        share = np.where(better, around[s, best], share)
        gained = np.where(better, gain[s, best], gained)
    return share, gained


def _nodes(degree: int) -> Array:
    """Where a polynomial of this degree on 0..1 is looked at: Chebyshev points with both ends, (degree + 1,)."""
    ends: Array = np.array([0.5]) if degree < 1 else (1 - np.cos(np.pi * np.arange(degree + 1) / degree)) / 2
    return ends


def _weights(nodes: Array, at: Array) -> Array:
    """Lagrange weights (..., len(nodes)) that give a polynomial at `at` (...) from its values at the nodes."""
    powers = np.arange(len(nodes))
    found: Array = at[..., None] ** powers @ np.linalg.inv(nodes[:, None] ** powers)
    return found


def _forms(space: Space, run: CurrentRun, U: Array, low: Array, high: Array, nodes: Array) -> list[Array]:
    """Along each line (s, q): products of its rows at the nodes with V and each other, then with Vg; for L with P too.

    The products stand for i <= j, those of unlike nodes twice: the coefficients of the products of Lagrange weights.
    """
    s, q, k = U.shape
    t = low[..., None] + (high - low)[..., None] * nodes
    X = (run.X[:, None, None, :] + t[..., None] * U[:, :, None, :]).reshape(-1, k)
    C = np.repeat(run.C, q * len(nodes), axis=0)
    H = run.root * space.model(X, C).reshape(s, q * len(nodes), -1)
    i, j = np.triu_indices(len(nodes))
    twice = np.where(i == j, 1.0, 2.0)
    forms = []
    for Q, Qg in ((run.V, run.Vg), (run.P, run.Pg)):
        if Q is not None and Qg is not None:
            rows = H.reshape(s, q, len(nodes), -1)
            QH = (H @ Q).reshape(rows.shape)
            forms.append(twice * np.einsum("sqnp,sqnp->sqn", QH[:, :, i], rows[:, :, j]))
            forms.append((H @ Qg[:, :, None]).reshape(s, q, len(nodes)))
    return forms


def _gain(run: CurrentRun, forms: list[Array], weights: Array) -> Array:
    """The gain (s, q, l) on lines with these forms where the Lagrange weights are (l, n) or (s, q, l, n)."""
    i, j = np.triu_indices(weights.shape[-1])
    pairs = weights[..., i] * weights[..., j]
    values = []
    for form, w in zip(forms, [pairs, weights] * 2, strict=False):
        values.append((w @ form[..., None])[..., 0] if w.ndim > 2 else form @ w.T)
    return run.gain(*values)


def _or_level(space: Space, run: CurrentRun, step: BestMove) -> BestMove:
    """The step, or a change of one category's level where the run stands, if that is better."""
    if not space.levels:
        return step
    none = np.zeros((len(run.X), 0, run.X.shape[1])), np.zeros((len(run.X), 0, run.C.shape[1]), dtype=np.intp)
    offer = with_levels(space, run.X, run.C, *none)
    s, m, k = offer.X.shape
    H = space.model(offer.X.reshape(s * m, k), offer.C.reshape(s * m, -1)).reshape(s, m, -1)
    gain = run.gains(run.root * H)
    if offer.allowed is not None:
        gain = np.where(offer.allowed, gain, -np.inf)
    other = picked(gain, offer.X, offer.C)
    better = other.gain > step.gain * (1 + 1e-9)
    return BestMove(
        np.where(better, other.gain, step.gain),
        np.where(better[:, None], other.X, step.X),
        np.where(better[:, None], other.C, step.C),
    )
