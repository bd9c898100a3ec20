"""Formulas that may turn out to be the best once more is known, and candidates for the next batches, as predicted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from doe.search.weighable import grid, snapped
from optimise.formula.goals import Aimed
from optimise.formula.peaks import Multistart, Peak
from optimise.models.chance import open_ends
from optimise.models.predictors import Chosen
from optimise.statistics.student import between
from optimise.upcoming.augmentation import by_variance
from optimise.upcoming.preposterior import Inside, Preposterior, View

Array = npt.NDArray[np.float64]

_TARGETS = 128  # to begin with; those that are never the best in a draw go
_NOW = 32  # targets that are kept since they are good now
_CANDIDATES = 160
_PARTS = 10  # the heaviest components of what predicts a must
_PARTS_IN_SEARCH = 4  # while targets are looked for
_KNOWN = (4, 12)  # batches read in the draws
_WAYS = 3  # tried from each best place
_SHARES = (0.5, 0.25, 0.12)  # of a way: how far a place goes along it at most, round by round


@dataclass(frozen=True, slots=True, eq=False)
class CandidateSet:
    """Targets first, then candidates: levels, category levels, and what each must is predicted to be at all of them.

    The first target is the formula found, and so is the first candidate.
    """

    X: Array
    combos: tuple[Mapping[str, str], ...]
    targets: int
    views: tuple[View, ...]

    @property
    def chosen(self) -> Chosen:
        """The category levels of all of them."""
        return _chosen(self.combos)


@dataclass(frozen=True, slots=True, eq=False)
class _Spread:
    """Places all over the searched region: levels, category levels, the score now, and what could turn out."""

    X: Array
    combos: tuple[Mapping[str, str], ...]
    score: Array
    hope: Array


def candidate_set(multistart: Multistart, best: Peak) -> CandidateSet:
    """Targets and candidates of a multistart about the formula found, `best`.

    Candidates are corners, recipes tried, promising formulas and a spread. Targets are formulas that are promising now,
    and those that turn out best in draws of what a few batches might read, moved uphill in each.
    """
    spread = _spread(multistart)
    order = np.argsort(-np.round(spread.score, 9), kind="stable")
    hopeful = np.argsort(-np.round(spread.hope, 9), kind="stable")
    at_best = multistart.space.at(best.combo).region.decoded(best.u[None])
    # Candidates: an even choice from the most promising to the least.
    few = order[np.unique(np.linspace(0, len(order) - 1, _CANDIDATES).astype(int))]
    weighable = [_on_steps(multistart, spread.X[i], spread.combos[i]) for i in few]
    place = [i for i, x in zip(few, weighable, strict=True) if x is not None]
    tries = np.vstack([at_best, *(x[None] for x in weighable if x is not None)])
    named = (best.combo, *(spread.combos[i] for i in place))
    both = np.column_stack([order, hopeful]).ravel()
    targets = both[np.sort(np.unique(both, return_index=True)[1])][:_TARGETS]
    X, combos = np.vstack([at_best, spread.X[targets]]), (best.combo, *(spread.combos[i] for i in targets))
    X, combos = _turned_out(multistart, spread, X, combos, tries, named)
    levels, names = np.vstack([X, tries]), (*combos, *named)
    return CandidateSet(levels, names, len(X), _views(multistart, levels, names, _PARTS))


def _spread(multistart: Multistart) -> _Spread:
    X: list[Array] = []
    combos: list[Mapping[str, str]] = []
    scores: list[Array] = []
    hopes: list[Array] = []
    for combo in multistart.space.combos:
        pool = multistart.pool(combo)
        levels = multistart.space.at(combo).region.decoded(pool)
        X.append(levels)
        combos += [combo] * len(pool)
        scores.append(multistart.score(pool, combo))
        hopes.append(_hope(multistart.brief.aimed, levels, multistart.space.chosen(combo, len(pool))))
    return _Spread(np.vstack(X), tuple(combos), np.concatenate(scores), np.concatenate(hopes))


def _turned_out(
    multistart: Multistart, spread: _Spread, X: Array, combos: tuple[Mapping[str, str], ...], tries: Array,
    named: tuple[Mapping[str, str], ...],
) -> tuple[Array, tuple[Mapping[str, str], ...]]:  # fmt: skip
    """The formula found, those that turn out best in draws of what batches read, and some that are best now.

    Each of them is looked for on shorter and shorter ways from the best so far in its draw towards other places.
    """
    rng = np.random.default_rng(42)
    alike = {key: np.array([i for i, c in enumerate(spread.combos) if tuple(c.values()) == key])
             for key in dict.fromkeys(tuple(c.values()) for c in spread.combos)}  # fmt: skip
    read: list[int] = []
    for share in (*_SHARES, 0.0):
        preposterior = Preposterior(
            _views(multistart, np.vstack([X, tries]), (*combos, *named), _PARTS_IN_SEARCH), len(X), _anywhere
        )
        read = read or by_variance(preposterior, np.ones(len(preposterior.views)), max(_KNOWN))
        heads = np.concatenate([preposterior.after(read[:known], search=True).argmax(axis=1) for known in _KNOWN])
        often = np.bincount(heads, minlength=len(X))
        often[0] = len(heads) + 1
        kept = np.argsort(-often, kind="stable")[: int((often > 0).sum())]
        if share == 0:
            now = np.argsort(-np.round(preposterior.now(), 9), kind="stable")[:_NOW]
            kept = np.concatenate([kept, now[~np.isin(now, kept)]])
            break
        starts = np.repeat(heads, _WAYS)
        others = [int(rng.choice(alike[tuple(combos[i].values())])) for i in starts]
        part = share * rng.random(len(starts))[:, None]
        X = np.vstack([X[kept], (1 - part) * X[starts] + part * spread.X[others]])
        combos = (*(combos[i] for i in kept), *(combos[i] for i in starts))
    return X[kept], tuple(combos[i] for i in kept)


def _anywhere(picked: Sequence[int]) -> npt.NDArray[np.bool_]:
    return np.ones(1, dtype=bool)


def _hope(aimed: Sequence[Aimed], X: Array, chosen: Chosen) -> Array:
    """The log chance that would be left were every mean nearer to its window by its own sd: what could turn out."""
    total = np.zeros(len(X))
    for one in aimed:
        law = one.predictor.at(X, chosen)
        low, high = open_ends((one.low, one.high))
        # Towards the middle of a window, or as far as there is one side of it, and not past the middle.
        middle = 0.5 * (low + high) if np.isfinite(low + high) else (np.inf if np.isinf(high) else -np.inf)
        off = np.clip(middle - law.location, -law.mean_scale, law.mean_scale)
        size = np.maximum(law.residual, 1e-300)
        at = law.location + off
        inside = between(law.df, (low - at) / size, (high - at) / size) @ law.weights
        total += np.log(np.maximum(inside, 1e-280))
    return total


def _view(one: Aimed, X: Array, chosen: Chosen, parts: int) -> View:
    """What predicts a must by its heaviest components."""
    law = one.predictor.at(X, chosen)
    parts = min(parts, law.weights.size)
    weights = law.weights[:parts] / law.weights[:parts].sum()
    covariance = one.predictor.covariance(X, chosen, parts)
    low, high = open_ends((one.low, one.high))
    return View(weights, law.df[:parts], law.location[:, :parts].T.copy(), law.residual[:parts], covariance, low, high)


def _views(multistart: Multistart, X: Array, combos: Sequence[Mapping[str, str]], parts: int) -> tuple[View, ...]:
    chosen = _chosen(combos)
    return tuple(_view(one, X, chosen, parts) for one in multistart.brief.aimed)


def _chosen(combos: Sequence[Mapping[str, str]]) -> dict[str, npt.NDArray[np.object_]]:
    return {name: np.array([c[name] for c in combos], dtype=object) for name in combos[0]}


def inside(multistart: Multistart, places: CandidateSet) -> Inside:
    """Which targets lie within what was tried once candidates are made, as the search will hold them then."""
    fence, t = multistart.brief.fence, places.targets
    if fence is None:
        return lambda picked: np.ones(t, dtype=bool)
    rows = fence.terms.rows(places.X, places.chosen, fence.coding)
    tried = fence.terms.rows(multistart.brief.trials, multistart.brief.tried, fence.coding)

    def reached(picked: Sequence[int]) -> npt.NDArray[np.bool_]:
        return fence.inside_once(np.vstack([tried, rows[[t + i for i in picked]]]), rows[:t])

    return reached


def _on_steps(multistart: Multistart, x: Array, combo: Mapping[str, str]) -> Array | None:
    """The nearest recipe of whole weighable steps, or None where there is none."""
    space = multistart.space.at(combo)
    if not space.steps:
        return x
    U, done = snapped(grid(space.region, space.steps), space.region.coded(x[None]))
    found: Array = space.region.decoded(U)[0]
    return found if done[0] else None
