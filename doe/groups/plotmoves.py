"""Moves of plans in whole plots: of one recipe while its setting stays, of the setting of a whole plot at once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from doe.search.exchange import Proposals, Proposer, Space, along
from doe.search.grouped import Task

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]
Flags = npt.NDArray[np.bool_]
Rounding = Callable[[int, Array], Array]


@dataclass(frozen=True, slots=True)
class Stage:
    """How finely to look: candidates or lines of so many `shares`, `near` halving steps beside where a recipe stands.

    `rounding` keeps the settings of hard-to-change columns on their steps, `proposer` replaces the moves of recipes.
    Without `plots` settings stay; with `swaps` trials or whole plots change places between blocks.
    """

    shares: int = 5
    points: bool = False
    cox: bool = False
    pairs: bool = False
    near: int = 0
    passes: int = 6
    plots: bool = True
    swaps: bool = False
    proposer: Proposer | None = None
    rounding: Rounding | None = None


def recipe_moves(task: Task, stage: Stage) -> Proposer:
    """Places one recipe may move to, the setting of its whole plot staying."""
    if stage.proposer is not None:
        inner = stage.proposer
    elif stage.points or not task.space.swaps.shape[1]:
        return _to_candidates(task)
    else:
        inner = along(
            np.linspace(0, 1, stage.shares), cox=stage.cox, pairs=stage.pairs, near=stage.near, frozen=task.hard
        )
    if not task.hard_levels:
        return inner
    keep = list(task.hard_levels)

    def propose(space: Space, at: Array, level: Indices) -> Proposals:
        offer = inner(space, at, level)
        same = (offer.C[:, :, keep] == level[:, None, keep]).all(axis=2)
        return Proposals(offer.X, offer.C, same if offer.allowed is None else same & offer.allowed)

    return propose


def _to_candidates(task: Task) -> Proposer:
    def propose(space: Space, at: Array, level: Indices) -> Proposals:
        return at_setting(task, at[:, task.hard], level[:, task.hard_levels])

    return propose


def at_setting(task: Task, setting: Array, levels: Indices) -> Proposals:
    """The candidates at `setting` (s, h) and `levels` (s, hl) of what is hard to change, and which are allowed."""
    s = len(setting)
    X = np.repeat(task.U[None], s, axis=0)
    C = np.repeat(task.C[None], s, axis=0)
    if not task.hard and not task.hard_levels:
        return Proposals(X, C)
    X[:, :, task.hard] = setting[:, None, :]
    C[:, :, task.hard_levels] = levels[:, None, :]
    return Proposals(X, C, task.space.inside(X, C))


def plot_moves(task: Task, stage: Stage, X: Array, C: Indices) -> Proposals:
    """Settings a whole plot with recipes X (s, g, k), C (s, g, c) may move to, as recipes (s, m, g, .)."""
    s, g, k = X.shape
    moved, levels = [X[:, None]], [C[:, None]]
    if stage.points:
        q = len(task.settings)
        far = np.repeat(X[:, None], q, axis=1)
        other = np.repeat(C[:, None], q, axis=1)
        far[..., task.hard] = task.settings[None, :, None, :]
        other[..., task.hard_levels] = task.setting_levels[None, :, None, :]
        moved.append(far)
        levels.append(other)
    for column in task.hard:
        direction = np.zeros((s, g, k))
        direction[:, :, column] = 1.0
        flat = X.reshape(s * g, k), direction.reshape(s * g, k), C.reshape(s * g, -1)
        low, high = (ends.reshape(s, g) for ends in task.space.ranges(*flat))
        steps = _steps(low.max(axis=1), high.min(axis=1), stage)
        if stage.rounding is not None:
            steps = stage.rounding(column, X[:, 0, column][:, None] + steps) - X[:, 0, column][:, None]
        far = np.repeat(X[:, None], steps.shape[1], axis=1)
        far[..., column] += steps[:, :, None]
        moved.append(far)
        levels.append(np.repeat(C[:, None], steps.shape[1], axis=1))
    for c in task.hard_levels:
        for value in range(task.space.levels[c]):
            other = C[:, None].copy()
            other[..., c] = value
            moved.append(X[:, None])
            levels.append(other)
    allX, allC = np.concatenate(moved, axis=1), np.concatenate(levels, axis=1)
    allowed: Flags = np.asarray(task.space.inside(allX, allC).all(axis=2))
    return Proposals(allX, allC, allowed)


def _steps(low: Array, high: Array, stage: Stage) -> Array:
    shares = np.linspace(0, 1, stage.shares)
    t = low[:, None] + (high - low)[:, None] * shares
    if stage.near:
        halves = 0.5 ** np.arange(2, 2 + stage.near)
        width = (high - low)[:, None] * np.concatenate([halves, -halves])
        t = np.concatenate([t, np.clip(width, low[:, None], high[:, None])], axis=1)
    return t
