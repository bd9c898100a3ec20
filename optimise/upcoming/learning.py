"""Which further trials teach most about the formulas worth making, and what they may be expected to gain."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from doe.search.weighable import grid, snapped
from optimise.formula.around import limited_by
from optimise.formula.goals import Aimed
from optimise.formula.peaks import Peak, Quest
from optimise.upcoming.outlook import Outlook, View, best_of

Array = npt.NDArray[np.float64]

_TARGETS = 160
_CANDIDATES = 160
_PASSES = 2
LITTLE = 0.0025  # of the chance by a batch, below which other limits or ingredients do more; our choice


@dataclass(frozen=True, slots=True, eq=False)
class Lesson:
    """Trials to make next: levels X (n, k) with category levels, the share of uncertainty they take away, and the gain.

    `taken_away` is the share of the prediction variance at promising formulas, weighted by their chance. `gain` is the
    expected rise of the best chance once their results are in; `course` that of the first of them, the first two, ...;
    those that bring most come first. `worth` of them are worth making: those after would add next to nothing each.
    """

    X: Array
    combos: tuple[Mapping[str, str], ...]
    taken_away: float
    gain: float
    course: tuple[float, ...]

    @property
    def worth(self) -> int:
        """How many of the first to make: none where all of them bring next to nothing."""
        gains, count = (0.0, *self.course), len(self.course)
        return next((k for k in range(count) if (gains[-1] - gains[k]) / (count - k) < LITTLE), count)


@dataclass(frozen=True, slots=True, eq=False)
class _Field:
    """Targets first, then candidates: levels, category levels, and each response's covariance between all of them."""

    X: Array
    combos: tuple[Mapping[str, str], ...]
    chances: Array
    covariances: tuple[Array, ...]
    targets: int


def learn(quest: Quest, best: Peak, count: int) -> Lesson:
    """The `count` trials that raise the best chance most, as far as can be expected before they are made.

    Targets are promising formulas of the searched region, weighted by their joint chance; candidates are corners,
    recipes tried, promising formulas and a spread. First those that take away most of the prediction variance at the
    targets (each response counts by what it costs in chance at `best`) are added one by one and exchanged; from them,
    and from none, the search for the largest expected gain goes on (see `outlook`). All by the heaviest component of
    what predicts, taken as normal with known batch variance.
    """
    field = _field(quest, best)
    weights = _response_weights(quest, best)
    outlook = _outlook(quest.brief.aimed, field)
    picked = best_of(outlook, _exchange(field, weights, count))
    picked, course = outlook.course(picked)
    before = _uncertainty(field, weights, [])
    after = _uncertainty(field, weights, picked)
    return Lesson(
        X=field.X[[field.targets + i for i in picked]],
        combos=tuple(field.combos[field.targets + i] for i in picked),
        taken_away=float(1 - after / before) if before > 0 else 0.0,
        gain=course[-1],
        course=tuple(course),
    )


def _field(quest: Quest, best: Peak) -> _Field:
    X: list[Array] = []
    combos: list[Mapping[str, str]] = []
    scores: list[Array] = []
    for combo in quest.space.combos:
        pool = quest.pool(combo)
        score = quest.score(pool, combo)
        X.append(quest.space.at(combo).region.decoded(pool))
        combos += [combo] * len(pool)
        scores.append(score)
    everything, score = np.vstack(X), np.concatenate(scores)
    order = np.argsort(-np.round(score, 9), kind="stable")
    at_best = quest.space.at(best.combo).region.decoded(best.u[None])
    targets = order[:_TARGETS]
    # Candidates: the promising half, and an even choice of all the rest.
    few = order[np.unique(np.linspace(0, len(order) - 1, _CANDIDATES).astype(int))]
    weighable = [_on_steps(quest, everything[i], combos[i]) for i in few]
    place = [i for i, x in zip(few, weighable, strict=True) if x is not None]
    allowed = [x for x in weighable if x is not None]
    levels = np.vstack([at_best, everything[targets], at_best, *(x[None] for x in allowed)])
    names = [best.combo, *(combos[i] for i in targets), best.combo, *(combos[i] for i in place)]
    chosen = {name: np.array([c[name] for c in names], dtype=object) for name in best.combo}
    chances = np.array([one.each(levels, chosen) for one in quest.brief.aimed]).prod(axis=0)
    covariances = tuple(one.predictor.covariance(levels, chosen) for one in quest.brief.aimed)
    return _Field(levels, tuple(names), chances, covariances, 1 + len(targets))


def _on_steps(quest: Quest, x: Array, combo: Mapping[str, str]) -> Array | None:
    """The nearest recipe of whole weighable steps, or None where there is none."""
    space = quest.space.at(combo)
    if not space.steps:
        return x
    U, done = snapped(grid(space.region, space.steps), space.region.coded(x[None]))
    found: Array = space.region.decoded(U)[0]
    return found if done[0] else None


def _response_weights(quest: Quest, best: Peak) -> Array:
    """What each response costs in chance at the best formula, an even share added so that none is forgotten."""
    x = quest.space.at(best.combo).region.decoded(best.u[None])[0]
    costs = {entry["response"]: entry["costs"] for entry in limited_by(quest.brief, x, best.combo)}
    weights = np.array([costs[one.response.name] for one in quest.brief.aimed])
    total = float(weights.sum())
    even = np.full(len(weights), 1 / len(weights))
    return 0.5 * even + 0.5 * (weights / total if total > 0 else even)


def _uncertainty(field: _Field, weights: Array, picked: Sequence[int]) -> float:
    """Chance-weighted prediction variance at the targets after the picked candidates, in batch variances."""
    t = field.targets
    rows = [t + i for i in picked]
    total = 0.0
    for weight, C in zip(weights, field.covariances, strict=True):
        variance = np.diag(C)[:t] - _reduction(C, t, rows)
        total += weight * float(field.chances[:t] @ np.maximum(variance, 0.0))
    return total


def _reduction(C: Array, targets: int, rows: list[int]) -> Array:
    if not rows:
        return np.zeros(targets)
    cross = C[:targets][:, rows]
    inner = C[np.ix_(rows, rows)] + np.eye(len(rows))
    return np.asarray((cross * np.linalg.solve(inner, cross.T).T).sum(axis=1), dtype=float)


def _exchange(field: _Field, weights: Array, count: int) -> list[int]:
    """Greedy choice of candidates (repeats allowed), then exchange of each against all others while it gains."""
    candidates = len(field.X) - field.targets
    picked: list[int] = []
    for _ in range(count):
        picked.append(_best_addition(field, weights, picked, candidates))
    for _ in range(_PASSES):
        changed = False
        for place in range(count):
            others = picked[:place] + picked[place + 1 :]
            best = _best_addition(field, weights, others, candidates)
            if best != picked[place]:
                now, then = (_uncertainty(field, weights, [*others, i]) for i in (picked[place], best))
                if then < now * (1 - 1e-9):
                    picked[place], changed = best, True
        if not changed:
            break
    return sorted(picked)


def _best_addition(field: _Field, weights: Array, picked: Sequence[int], candidates: int) -> int:
    """The candidate whose batch takes away most, given those picked: one rank-one update each, all at once."""
    t = field.targets
    rows = [t + i for i in picked]
    gain = np.zeros(candidates)
    for weight, C in zip(weights, field.covariances, strict=True):
        cross, own = C[:t, t:], np.diag(C)[t:]
        if rows:
            solved = np.linalg.solve(C[np.ix_(rows, rows)] + np.eye(len(rows)), C[rows][:, t:])
            cross = cross - C[:t][:, rows] @ solved
            own = own - (C[rows][:, t:] * solved).sum(axis=0)
        gain += weight * (field.chances[:t] @ cross**2) / (np.maximum(own, 0.0) + 1)
    return int(np.flatnonzero(gain >= gain.max() * (1 - 1e-9))[0])


def _outlook(aimed: Sequence[Aimed], field: _Field) -> Outlook:
    """The heaviest component of what predicts each must, at the targets and candidates."""
    t = field.targets
    chosen = {name: np.array([c[name] for c in field.combos[:t]], dtype=object) for name in field.combos[0]}
    views = []
    for one, C in zip(aimed, field.covariances, strict=True):
        law = one.predictor.at(field.X[:t], chosen)
        low, high = -np.inf if one.low is None else one.low, np.inf if one.high is None else one.high
        views.append(View(law.location[:, 0], float(law.residual[0]), float(law.df[0]), low, high, C))
    return Outlook(tuple(views), t)
