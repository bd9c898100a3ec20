"""Weighable steps at every combination of category levels: materials have steps and limits of their own."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from doe.region.lattice import cases
from doe.region.region import Combination, Region
from doe.search import weighable
from doe.search.exchange import Proposals, Proposer, Space, other_levels
from doe.search.weighable import Grid

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Indices = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class Grids:
    """The grid of each combination of category level indices, `parts`; only `whole` where it is that of all.

    All are in the coordinates of the whole region, and agree in the steps of whatever is no material.
    """

    whole: Grid
    parts: Mapping[tuple[int, ...], Grid] = field(default_factory=dict)

    @property
    def is_coarse(self) -> bool:
        """Whether any column has a weighable step of its own, at any combination."""
        return self.whole.is_coarse or any(part.is_coarse for part in self.parts.values())

    def at(self, c: Sequence[int]) -> Grid:
        """The grid at one combination of level indices."""
        return self.parts.get(tuple(int(i) for i in c), self.whole)

    def snapped(self, U: Array, C: Indices, held: Sequence[int] = ()) -> tuple[Array, Flags]:
        """Coded recipes U (n, d), C (n, c) moved to the nearest place on their grid within every limit.

        And which of them could be, (n,); the columns `held` stay.
        """
        if not self.parts:
            return weighable.snapped(self.whole, U, held)
        out, done = U.copy(), np.ones(len(U), dtype=bool)
        for i, c in enumerate(C):
            out[i : i + 1], done[i : i + 1] = weighable.snapped(self.at(c), U[i : i + 1], held)
        return out, done

    def rounded(self, U: Array) -> Array:
        """Coded recipes (n, d) with each free column on its nearest step, whether inside the limits or not."""
        grid = self.whole
        x = np.round((grid.middle + U * grid.scale) / grid.steps) * grid.steps
        near: Array = (x - grid.middle) / grid.scale
        return near

    def proposer(self, frozen: tuple[int, ...] = ()) -> Proposer:
        """Moves from grid place to grid place, and to other levels of categories."""
        if not self.parts:
            return weighable.on_grid(self.whole, frozen)
        own = {id(part): weighable.on_grid(part, frozen, free_levels=False) for part in self.parts.values()}

        def propose(space: Space, here: Array, level: Indices) -> Proposals:
            offers = [own[id(self.at(c))](space, u[None], c[None]) for u, c in zip(here, level, strict=True)]
            moved = _padded(offers)
            others = other_levels(space, here, level, frozen)
            if others is None:
                return moved
            X, good = self._rounded(others)
            allowed = [moved.allowed if moved.allowed is not None else np.ones(moved.X.shape[:2], dtype=bool), good]
            return Proposals(
                np.concatenate([moved.X, X], axis=1),
                np.concatenate([moved.C, others.C], axis=1),
                np.concatenate(allowed, axis=1),
            )

        return propose

    def _rounded(self, offer: Proposals) -> tuple[Array, Flags]:
        """The places offered, each on the nearest steps of its own combination; and which of them are on its grid."""
        X, good = offer.X.copy(), np.zeros(offer.X.shape[:2], dtype=bool)
        for place in np.ndindex(good.shape):
            grid = self.parts.get(tuple(int(i) for i in offer.C[place]))
            if grid is None:
                continue
            X[place] = Grids(grid).rounded(X[place])
            good[place] = bool(weighable.on_it(grid, X[place][None])[0])
        return X, good


def _padded(offers: Sequence[Proposals]) -> Proposals:
    """What is offered to each of several starts as one; where fewer places are offered, the first is repeated."""
    most = max(offer.X.shape[1] for offer in offers)
    X, C, allowed = [], [], []
    for offer in offers:
        pick = np.arange(most) % offer.X.shape[1]
        X.append(offer.X[:, pick])
        C.append(offer.C[:, pick])
        allowed.append(np.ones((1, most), dtype=bool) if offer.allowed is None else offer.allowed[:, pick])
    return Proposals(np.concatenate(X), np.concatenate(C), np.concatenate(allowed))


def grids(region: Region, steps_at: Callable[[Combination], dict[str, float | None]]) -> Grids:
    """The grids of a region; `steps_at` gives the steps at a combination of category levels."""
    found = cases(region, steps_at)
    made = [weighable.grid(region, steps, piece) for piece, steps, _ in found]
    if len(made) == 1 and made[0].within is region:
        return Grids(made[0])
    categories = region.categories
    parts = {
        tuple(categories[name].index(level) for name, level in chosen.items()): grid
        for grid, (_, _, combinations) in zip(made, found, strict=True)
        for chosen in combinations
    }
    return Grids(made[0], parts)
