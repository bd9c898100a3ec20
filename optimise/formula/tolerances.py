"""How far the levels of a formula may be off, all at once, with most of its chance kept: for a batch sheet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import product
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import optimize
from scipy.stats import qmc

from doe.problems import Unavailable
from doe.region.region import Region
from optimise.formula.exact import exact_form
from optimise.formula.peaks import Multistart

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

KEEP = 0.9  # the share of the measure that is kept
LEAST = 0.01  # a measure under this has nothing to keep; our choice
_ALONG = 25  # places looked at along each level, for the first at which too little is kept
_HALVINGS = 20  # of the interval in which that happens
_CORNERS = 64  # of the box that are looked at, all where there are no more
_WITHIN = 256  # places spread within the box
_GROWN = 3  # halvings of the way that a side of the box may go outwards
_SMALLER = 0.93  # by which a box shrinks in which some place keeps too little


def worth_keeping(score: float) -> bool:
    """Whether a score (a log) is high enough for tolerances that keep most of it to mean anything."""
    return bool(score >= np.log(LEAST))


def joint_tolerances(
    multistart: Multistart, x: Array, combo: Mapping[str, str], still: Sequence[str] = ()
) -> dict[str, tuple[float, float]]:
    """Lowest and highest level of each, all others at will within theirs, that keep 0.9 of the measure at x (k,).

    The measure is the product of the chances (or the desirability). What is weighed more or less is taken from or given
    to the fill; without a fill the ingredient there is most of takes up the rest, and has no tolerance of its own. The
    whole box stays within the limits, the exact musts and the fence. It is found from its corners, the place where the
    measure is lowest is looked for within (256 spread places and descents from the lowest), and it is made smaller
    until none is too low: checked, not proven. Ends are rounded inwards to two digits of the width. Empty where the
    formula itself is outside the fence or misses an exact must, or where the measure is next to nothing. `still` names
    what trials never moved, of which nothing is known.
    """
    room = _Room.of(multistart, x, combo, still)
    if not worth_keeping(room.floor - np.log(KEEP)):
        return {}
    if not len(room.ways) or not room.good(np.zeros((1, len(room.ways))))[0]:
        return {}
    alone = room.alone()
    box = room.fitting(alone)
    box = room.grown(box, alone)
    while not room.holds(box):
        box = _SMALLER * box
        if np.abs(box).max() < 1e-9:
            box = 0.0 * box
            break
    columns = [multistart.brief.study.region.names.index(name) for name in room.names]
    ends = (_rounded(float(x[j]), *pair) for j, pair in zip(columns, box.tolist(), strict=True))
    return dict(zip(room.names, ends, strict=True))


def ways(region: Region, x: Array) -> dict[str, Array]:
    """How each level moves by itself, per unit of its own: name -> direction (k,); what takes up the rest has none."""
    blend = [region.names.index(name) for name in region.blend]
    rest = None
    if blend:
        # Of two there is as much of, the first: a last digit does not decide.
        most = max(blend, key=lambda j: (round(float(x[j]), 6), -j))
        rest = region.names.index(region.fill) if region.fill is not None else most
    out = {}
    for j, name in enumerate(region.names):
        if j == rest:
            continue
        way = np.zeros(len(x))
        way[j] = 1.0
        if j in blend and rest is not None:
            way[rest] = -1.0
        out[name] = way
    return out


@dataclass(frozen=True, slots=True, eq=False)
class _Room:
    """What surrounds levels x: names and `ways` (p, k) of what moves; rows C d <= h over offsets d; the least score.

    A box is an array (p, 2) of offsets, the first never above 0, the second never below.
    """

    multistart: Multistart
    x: Array
    combo: Mapping[str, str]
    names: tuple[str, ...]
    ways: Array
    C: Array
    h: Array
    floor: float
    signs: Array = field(repr=False)

    @classmethod
    def of(cls, multistart: Multistart, x: Array, combo: Mapping[str, str], still: Sequence[str]) -> _Room:
        region = multistart.brief.study.region.at(combo)
        moved = {n: way for n, way in ways(region, x).items() if np.ptp(region.reach[n]) > 0 and n not in still}
        W = np.array(list(moved.values())).reshape(len(moved), len(x))
        floor = float(multistart.score_levels(x[None], combo)[0]) + np.log(KEEP) - 1e-12
        room = np.maximum(region.b - region.A @ x, 0.0)
        return cls(multistart, x, combo, tuple(moved), W, region.A @ W.T, room, floor, _signs(len(moved)))

    def good(self, offsets: Array) -> Flags:
        """Whether recipes at `offsets` (n, p) keep the measure, the exact musts and the fence, (n,)."""
        X = self.x + offsets @ self.ways
        brief, chosen = self.multistart.brief, self.multistart.space.chosen(self.combo, len(X))
        fine = self.multistart.score_levels(X, self.combo) >= self.floor
        for response in brief.exact:
            form = exact_form(brief.study, response)
            if isinstance(form, Unavailable):
                continue
            value = form.values(X, chosen)
            size = 1e-9 * max(1.0, float(np.abs(value).max(initial=0.0)))
            fine &= value >= (-np.inf if response.low is None else response.low - size)
            fine &= value <= (np.inf if response.high is None else response.high + size)
        if self.multistart.fence is not None:
            fine &= self.multistart.fence.inside(X, chosen)
        return np.asarray(fine, dtype=bool)

    def within(self, box: Array) -> bool:
        """Whether the whole box keeps every limit: each row at its own worst corner."""
        worst = np.maximum(self.C * box[:, 0], self.C * box[:, 1]).sum(axis=1)
        size = np.maximum(np.abs(self.C) @ (box[:, 1] - box[:, 0]), 1e-12)
        return bool((worst <= self.h + 1e-9 * size).all())

    def corners(self, box: Array) -> Array:
        """Corners of the box, (n, p): all of them, or a fixed choice where they are many."""
        return np.where(self.signs > 0, box[:, 1], box[:, 0])

    def alone(self) -> Array:
        """How far each may go with the others as they are, (p, 2): a scan outwards, then halving, all at once."""
        p = len(self.ways)
        with np.errstate(divide="ignore", invalid="ignore"):
            most = np.where(self.C > 1e-12, self.h[:, None] / self.C, np.inf).min(axis=0)
            least = np.where(self.C < -1e-12, self.h[:, None] / self.C, -np.inf).max(axis=0)
        ends = np.concatenate([least, most])
        way = np.tile(np.eye(p), (2, 1))
        shares = np.linspace(0, 1, _ALONG)[1:]
        fine = self.good((ends[:, None] * shares)[:, :, None].repeat(p, axis=2).reshape(-1, p)
                         * way.repeat(len(shares), axis=0)).reshape(2 * p, -1)  # fmt: skip
        first = np.where(fine.all(axis=1), len(shares), np.argmin(fine, axis=1))
        near = np.where(first > 0, shares[np.maximum(first, 1) - 1], 0.0)
        far = np.where(first < len(shares), shares[np.minimum(first, len(shares) - 1)], 1.0)
        for _ in range(_HALVINGS):
            middle = 0.5 * (near + far)
            held = self.good((ends * middle)[:, None] * way)
            near, far = np.where(held, middle, near), np.where(held, far, middle)
        reached: Array = (np.where(far < 1, near, 1.0) * ends).reshape(2, p).T
        return reached

    def fits(self, box: Array, side: tuple[int, int] | None = None) -> bool:
        """Whether the box keeps the limits, and its corners (those of one side only) are good."""
        corners = self.corners(box)
        if side is not None:
            corners = corners[(self.signs[:, side[0]] > 0) == bool(side[1])]
        return self.within(box) and bool(self.good(corners).all())

    def fitting(self, alone: Array) -> Array:
        """The largest box in the shape of what each may do alone."""
        near, far = 0.0, 1.0
        for _ in range(12):
            middle = 0.5 * (near + far)
            near, far = (middle, far) if self.fits(middle * alone) else (near, middle)
        return near * alone

    def grown(self, box: Array, alone: Array) -> Array:
        """Each side in turn moved outwards, to twice as far at most, while the box still fits."""
        box = box.copy()
        for i, end in product(range(len(box)), (0, 1)):
            start = box[i, end]
            stop = max(alone[i, 0], 2 * start) if end == 0 else min(alone[i, 1], 2 * start)
            near, far = 0.0, 1.0
            for _ in range(_GROWN):
                share = 0.5 * (near + far)
                box[i, end] = start + share * (stop - start)
                near, far = (share, far) if self.fits(box, (i, end)) else (near, share)
            box[i, end] = start + near * (stop - start)
        return box

    def holds(self, box: Array) -> bool:
        """Whether nothing too low is found within the box."""
        spread = qmc.Sobol(len(box), scramble=True, seed=np.random.default_rng(50)).random(_WITHIN)
        places = np.concatenate([self.corners(box), box[:, 0] + spread * (box[:, 1] - box[:, 0])])
        if not self.good(places).all():
            return False
        scores = self.multistart.score_levels(self.x + places @ self.ways, self.combo)
        if self.multistart.objective != "chance" or not self.multistart.brief.aimed:
            return True
        return all(self._lowest(box, places[i]) >= self.floor for i in np.argsort(scores, kind="stable")[:3])

    def _lowest(self, box: Array, start: Array) -> float:
        chosen = self.multistart.space.chosen(self.combo, 1)

        def score(offset: Array) -> tuple[float, Array]:
            value, slope = self.multistart.brief.goal.score_and_slope((self.x + offset @ self.ways)[None], chosen)
            return float(value[0]), self.ways @ slope[0]

        minimize: Any = optimize.minimize
        found = minimize(score, start, jac=True, method="L-BFGS-B", bounds=box, options={"maxiter": 30})
        return float(found.fun)


def _signs(p: int) -> Array:
    """Corners of a box as signs (n, p): all, or 64 of them, in opposite pairs."""
    if 2**p <= _CORNERS:
        return np.array(list(product((-1.0, 1.0), repeat=p))).reshape(2**p, p)
    half = np.random.default_rng(51).choice([-1.0, 1.0], (_CORNERS // 2, p))
    return np.concatenate([half, -half])


def _rounded(at: float, below: float, above: float) -> tuple[float, float]:
    """The ends of at + below to at + above, inwards to two digits of the width, and never narrower than the level."""
    at = float(np.round(at, 12)) + 0.0  # as the formula is given: not -0, nor a last digit under its limit
    width = above - below
    if width <= 0:
        return at, at
    unit = 10.0 ** (np.floor(np.log10(width)) - 1)
    low = np.ceil((at + below) / unit - 1e-9) * unit
    high = np.floor((at + above) / unit + 1e-9) * unit
    return min(float(np.round(low, 12)) + 0.0, at), max(float(np.round(high, 12)) + 0.0, at)
