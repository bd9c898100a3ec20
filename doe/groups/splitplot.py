"""The search for plans in whole plots and blocks: moves in both strata take turns, in many plans at once.

Coordinates of whole plots and of trials are exchanged in turn (Jones & Goos 2007, J. R. Stat. Soc. C 56; from memory).
A recipe that moves changes the information by rank two (`doe.search.grouped`); a whole plot that is set anew changes
all its trials at once, and its information is worked out afresh.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from doe.groups.plotmoves import Stage, at_setting, plot_moves, recipe_moves
from doe.search.exchange import RIDGE, Proposer, first_best
from doe.search.grouped import Plans, Task, after, gains, worth
from doe.search.strata import repeats_within

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

_GAIN = 1e-8  # of the logarithm of the criterion: less is none


class _Sweep:
    """One pass after another over all recipes, whole plots and positions of a stack of plans, changed in place."""

    def __init__(self, task: Task, plans: Plans, stage: Stage, active: Indices) -> None:
        self.task, self.stage, self.plans, self.active = task, stage, plans, active
        some = plans.take(active)
        self.G, self.W = task.model(some), task.weights(some)
        self.base = task.criterion.prior + RIDGE * np.eye(self.G.shape[2])
        self.gained = np.zeros(len(active))
        self.refresh(np.arange(len(active)))

    def refresh(self, who: Indices) -> None:
        """Work out the information of some plans afresh."""
        G = self.G[who]
        A = np.swapaxes(G, 1, 2) @ self.W[who] @ G + self.base
        if len(who) == len(self.active):
            self.A, self.V = A, np.asarray(np.linalg.inv(A), dtype=np.float64)
        else:
            self.A[who], self.V[who] = A, np.linalg.inv(A)

    def recipe(self, r: int, proposer: Proposer) -> None:
        """Move one recipe."""
        task, plans, active = self.task, self.plans, self.active
        offer = proposer(task.space, plans.X[active, r], plans.C[active, r])
        s, m, k = offer.X.shape
        if not m:
            # All that varies is hard to change: a recipe has nowhere to go on its own.
            return
        H = task.space.model(offer.X.reshape(s * m, k), offer.C.reshape(s * m, -1)).reshape(s, m, -1)
        d = H - self.G[:, r][:, None]
        u: Array = np.einsum("st,stp->sp", self.W[:, r], self.G)
        w = self.W[:, r, r]
        gain = gains(task.criterion, self.V, d, u[:, None], w[:, None])
        if offer.allowed is not None:
            gain = np.where(offer.allowed, gain, -np.inf)
        best = first_best(gain)
        top = gain[np.arange(s), best]
        who = np.flatnonzero(top > _GAIN)
        if not len(who):
            return
        chosen = best[who]
        self.V[who] = after(self.V[who], d[who, chosen], u[who], w[who])
        self.G[who, r] = H[who, chosen]
        plans.X[active[who], r], plans.C[active[who], r] = offer.X[who, chosen], offer.C[who, chosen]
        self.gained[who] += top[who]

    def plot(self, group: Indices) -> None:
        """Move the setting of one whole plot."""
        task, plans, active = self.task, self.plans, self.active
        at = np.ix_(active, group)
        offer = plot_moves(task, self.stage, plans.X[at], plans.C[at])
        s, m, g, k = offer.X.shape
        H = task.space.model(offer.X.reshape(s * m * g, k), offer.C.reshape(s * m * g, -1)).reshape(s, m, g, -1)
        gain = self._replaced(group, H)
        if offer.allowed is not None:
            gain[:, 1:] = np.where(offer.allowed[:, 1:], gain[:, 1:], -np.inf)
        best = first_best(gain)
        top = gain[np.arange(s), best]
        who = np.flatnonzero(top > _GAIN)
        if not len(who):
            return
        chosen = best[who]
        self.G[np.ix_(who, group)] = H[who, chosen]
        spot = np.ix_(active[who], group)
        plans.X[spot], plans.C[spot] = offer.X[who, chosen], offer.C[who, chosen]
        self.gained[who] += top[who]
        self.refresh(who)

    def _replaced(self, group: Indices, H: Array) -> Array:
        """Gains (s, m) over the first of H (s, m, g, p), which is what stands there, put in the place of a group."""
        G, W = self.G, self.W
        own = G[:, group]
        inner = W[:, group[:, None], group]
        others = W[:, group] @ G - inner @ own
        A = np.swapaxes(G, 1, 2) @ W @ G + self.base
        cross = np.swapaxes(own, 1, 2) @ others
        rest = A - np.swapaxes(own, 1, 2) @ inner @ own - cross - np.swapaxes(cross, 1, 2)
        across = np.swapaxes(H, 2, 3) @ others[:, None]
        then = rest[:, None] + np.swapaxes(H, 2, 3) @ (inner[:, None] @ H) + across + np.swapaxes(across, 2, 3)
        value = worth(self.task.criterion, then)
        now = value[:, :1]
        return np.where(np.isfinite(value), value - np.where(np.isfinite(now), now, -1e9), -np.inf)

    def swap(self) -> None:
        """The two trials of different blocks that gain most by changing places change places, one pair a plan."""
        task, plans = self.task, self.plans
        if any(len(party) > 1 for party in task.parties) or len(task.parties) < 2:
            self._swap_plots()
            return
        trials = np.concatenate(task.parties)
        i, k = (trials[side] for side in np.triu_indices(len(trials), 1))
        F = self.G[:, task.recipe]
        at = plans.position[self.active]
        W = task.position_weights[at[:, :, None], at[:, None, :]]
        WF = W @ F
        own = W[:, np.arange(W.shape[1]), np.arange(W.shape[1])]
        gain = gains(
            task.criterion, self.V, F[:, k] - F[:, i], WF[:, i] - WF[:, k], own[:, i] + own[:, k] - 2 * W[:, i, k]
        )
        blocks = task.strata.blocks[at]
        gain = np.where(blocks[:, i] != blocks[:, k], gain, -np.inf)
        for s in range(len(self.active)):
            for pair in np.lexsort((np.arange(len(i)), -np.round(gain[s], 10)))[:5]:
                if gain[s, pair] <= _GAIN:
                    break
                if self._change(s, i[pair : pair + 1], k[pair : pair + 1]):
                    break

    def _swap_plots(self) -> None:
        """Whole plots of as many trials change places between blocks where that gains."""
        parties = self.task.parties
        for a, first in enumerate(parties):
            for second in parties[a + 1 :]:
                for s in range(len(self.active) if len(first) == len(second) else 0):
                    at = self.plans.position[self.active[s]]
                    if self.task.strata.blocks[at[first[0]]] != self.task.strata.blocks[at[second[0]]]:
                        self._change(s, first, second)

    def _change(self, s: int, first: Indices, second: Indices) -> bool:
        """Two parties change places in one plan if that gains and leaves pure error enough; whether they did."""
        task, plans = self.task, self.plans
        tried = plans.take(self.active[s : s + 1])
        both, turned = np.concatenate([first, second]), np.concatenate([second, first])
        tried.position[0, both] = tried.position[0, turned]
        if task.floor and repeats_within(task.recipe, task.strata.blocks[tried.position[0]]) < task.floor:
            return False
        W, G = task.weights(tried)[0], self.G[s]
        gain = float(worth(task.criterion, G.T @ W @ G + self.base) - worth(task.criterion, self.A[s]))
        if not gain > _GAIN:
            return False
        plans.position[self.active[s]] = tried.position[0]
        self.W[s] = W
        self.gained[s] += gain
        self.refresh(np.array([s]))
        return True


def sweep(task: Task, plans: Plans, stage: Stage) -> Plans:
    """Move recipes, whole plots and positions in turn, in every plan at once, until a pass gains nothing."""
    proposer = recipe_moves(task, stage)
    active = np.arange(len(plans.X))
    for _ in range(stage.passes):
        run = _Sweep(task, plans, stage, active)
        for group in task.movable if stage.plots else ():
            run.plot(group)
        for r in task.free:
            run.recipe(int(r), proposer)
        if stage.swaps and task.parties:
            run.refresh(np.arange(len(active)))
            run.swap()
        active = active[run.gained > 1e-6]
        if not len(active):
            break
    return plans


def drawn(task: Task, base: Plans, count: int, rng: np.random.Generator) -> Plans:
    """`count` random plans: whole plots at random settings, their recipes at random candidates.

    Fixed recipes are those of `base`.
    """
    out = base.take(np.zeros(count, dtype=np.intp))
    for group in task.groups:
        redraw(task, out, np.arange(count), group, rng)
    return out


def redraw(
    task: Task, plans: Plans, who: Indices, group: Indices, rng: np.random.Generator, share: float = 1.0
) -> None:
    """Put new random recipes into one whole plot, recipes `group` (g,), of the plans `who` (s,); `plans` is changed.

    Each recipe moves with chance `share`; with 1 the setting of the whole plot is drawn anew as well, unless a recipe
    of it is fixed.
    """
    pinned = bool(task.fixed[group].any()) or share < 1.0
    lead = group[task.fixed[group]][0] if task.fixed[group].any() else group[0]
    pick = rng.integers(max(1, len(task.settings)), size=len(who))
    setting = plans.X[who, lead][:, task.hard] if pinned or not len(task.settings) else task.settings[pick]
    levels = plans.C[who, lead][:, task.hard_levels] if pinned or not len(task.settings) else task.setting_levels[pick]
    offer = at_setting(task, setting, levels)
    s, m = offer.X.shape[:2]
    chance = rng.random((len(group), s, m))
    if offer.allowed is not None:
        chance = np.where(offer.allowed, chance, -1.0)
    moves = rng.random((len(group), s)) < share
    for j, r in enumerate(group):
        best = chance[j].argmax(axis=1)
        can = (chance[j, np.arange(s), best] >= 0) & moves[j] & ~task.fixed[r]
        plans.X[who[can], r], plans.C[who[can], r] = offer.X[can, best[can]], offer.C[can, best[can]]


def best_of(task: Task, plans: Plans, count: int) -> Plans:
    """The best `count` plans that differ in value, best first; ties go by index."""
    value = np.round(task.value(plans), 6)
    _, first = np.unique(-value, return_index=True)
    return plans.take(first[:count])


COARSE = Stage(shares=5, points=True, passes=3)
LINES = Stage(shares=5, passes=4)
MIDDLE = Stage(shares=9, cox=True, passes=8)
FINE = Stage(shares=15, cox=True, pairs=True, near=12, passes=30, swaps=True)


def search(task: Task, base: Plans, *, starts: int, seed: int, first: Plans | None = None) -> Plans:
    """The best plan found, as a stack of one. `base` holds the fixed recipes, `first` plans to start from as well.

    Coarse moves from every random start, finer ones for the best; then some whole plots or recipes of the best are
    drawn anew and the stages repeated, as in `doe.search.exchange`.
    """
    rng = np.random.default_rng(np.random.SeedSequence([seed, 13]))
    if not len(task.free):
        return sweep(task, base.take([0]), LINES)
    plans = drawn(task, base, starts, rng)
    plans = best_of(task, sweep(task, sweep(task, plans, COARSE), LINES), max(6, starts // 5))
    if first is not None:
        plans = plans.joined(first)
    plans = best_of(task, sweep(task, plans, MIDDLE), 6)
    plans = best_of(task, sweep(task, plans, FINE), 3)
    again = plans.take(np.arange(max(12, starts // 2)) % len(plans.X))
    _shake(task, again, rng)
    again = best_of(task, sweep(task, sweep(task, again, COARSE), MIDDLE), 3)
    return best_of(task, sweep(task, plans.joined(again), FINE), 1)


def _shake(task: Task, plans: Plans, rng: np.random.Generator) -> None:
    """Draw a quarter of the whole plots of each plan anew, or a quarter of all recipes at the settings they have."""
    whole = max(1, len(task.groups) // 4)
    for s in range(len(plans.X)):
        if s % 2 or not task.movable:
            for group in task.groups:
                redraw(task, plans, np.array([s]), group, rng, share=0.25)
        else:
            for g in rng.permutation(len(task.groups))[:whole]:
                redraw(task, plans, np.array([s]), task.groups[g], rng)
