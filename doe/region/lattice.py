"""Whether recipes on weighable steps are there at all, the nearest of them, and the step that would do.

A level on its step is a whole number times the step, so the questions are mixed-integer linear programmes (HiGHS,
through scipy).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np
import numpy.typing as npt
from scipy.optimize import Bounds, LinearConstraint, linprog, milp

from doe.definition.steps import fitting_step, whole_steps
from doe.problems import Level, Problem
from doe.region.limits import number
from doe.region.region import Combination, Region

Array = npt.NDArray[np.float64]

_FINER = (2, 5, 10, 20, 50, 100)  # by how much a step is divided in the search for one that would do
_ENOUGH = 3  # levels of an ingredient to learn a bend from
_SHY = 1e-6  # how far off every limit a second try keeps, where rounding broke one
_EDGE = 1e-9


def cases(
    region: Region, steps_at: Callable[[Combination], dict[str, float | None]]
) -> list[tuple[Region, dict[str, float | None], list[Combination]]]:
    """The polytopes of a region with the steps that hold there, and the combinations that have both."""
    found: dict[tuple[int, tuple[float | None, ...]], tuple[Region, dict[str, float | None], list[Combination]]] = {}
    for chosen in region.combinations:
        piece, steps = region.at(chosen), steps_at(chosen)
        found.setdefault((id(piece), tuple(steps.values())), (piece, steps, []))[2].append(chosen)
    return list(found.values())


def on_steps(region: Region, steps: Mapping[str, float | None]) -> dict[str, float]:
    """The weighable steps that a recipe has to keep: not that of what takes up the rest, nor of what cannot move."""
    moving = {n for n, (low, high) in region.reach.items() if high - low > _EDGE * max(abs(low), abs(high))}
    return {n: float(s) for n in region.names if (s := steps.get(n)) and n != region.fill and n in moving}


def nearest(
    region: Region, steps: Mapping[str, float], target: Array | None = None, held: Sequence[str] = ()
) -> Array | None:
    """The recipe (k,) on these steps with the least sum of distances to `target`, in shares of each reach; or None.

    Levels named in `held` stay as they are in the target.
    """
    if target is None and (near := _near_middle(region, steps)) is not None:
        return near
    for shy in (0.0, _SHY):
        found = _solved(region, steps, target, held, shy)
        if found is None:
            return None
        if region.contains(found, 1e-12)[0]:
            return found
    return None


def _near_middle(region: Region, steps: Mapping[str, float]) -> Array | None:
    """The middle of the region on its nearest steps, where that obeys every limit: the answer of most regions."""
    x = region.interior.copy()
    for j, name in enumerate(region.names):
        if name in steps:
            x[j] = np.round(x[j] / steps[name]) * steps[name]
    moved: Array = region.decoded(region.coded(x[None]))[0]
    kept = all(
        abs(moved[region.names.index(n)] / s - round(moved[region.names.index(n)] / s)) < 1e-7 for n, s in steps.items()
    )
    return moved if kept and region.contains(moved, 1e-12)[0] else None


def _solved(
    region: Region, steps: Mapping[str, float], target: Array | None, held: Sequence[str], shy: float
) -> Array | None:
    """The recipe (k,) of a mixed-integer linear programme; None where there is none. `shy` keeps off every limit.

    Unknowns, side by side: levels y = level / size (k,); for each level with a step how many steps it is, a whole
    number (s,); distances t (k,) of y from what is wanted, in shares of the reach. Where a `target` (k,) is given, the
    sum of t is made least; levels `held` stay at it.
    """
    k = len(region.names)
    low, high = region.frame.reach_low, region.frame.reach_high
    size = np.maximum(np.maximum(np.abs(low), np.abs(high)), 1e-300)
    reach = np.where(high > low, high - low, 1.0) / size
    wanted = (low + high) / 2 / size if target is None else target / size
    stepped = [j for j, name in enumerate(region.names) if name in steps]
    step = np.array([steps[region.names[j]] for j in stepped])
    s = len(stepped)

    def columns(y: Array, whole: Array | None = None, t: Array | None = None) -> Array:
        """Rows of a constraint from its three blocks; a block that is not given is 0."""
        n = len(y)
        return np.column_stack([y, np.zeros((n, s)) if whole is None else whole, np.zeros((n, k)) if t is None else t])

    # Each row of the region, of unit length.
    A, E = region.A * size, region.E * size
    long_a, long_e = (np.maximum(np.linalg.norm(M, axis=1), 1e-300)[:, None] for M in (A, E))
    # level = steps * step, so y size / step is the number of steps.
    in_steps = np.zeros((s, k))
    in_steps[np.arange(s), stepped] = size[stepped] / step
    # (wanted - y) / reach <= t and (y - wanted) / reach <= t.
    by_reach, one_each = np.eye(k) / reach[:, None], np.eye(k)
    rows = [columns(A / long_a), columns(E / long_e), columns(in_steps, -np.eye(s)),
            columns(by_reach, t=one_each), columns(by_reach, t=-one_each)]  # fmt: skip
    open_end, level = np.full(k, np.inf), wanted / reach
    sides = [(np.full(len(A), -np.inf), region.b / long_a[:, 0] - shy), (region.e / long_e[:, 0],) * 2,
             (np.zeros(s), np.zeros(s)), (level, open_end), (-open_end, level)]  # fmt: skip
    ends = np.array([wanted[j] if n in held else np.nan for j, n in enumerate(region.names)])
    least = np.concatenate([np.where(np.isnan(ends), -np.inf, ends), np.full(s, -np.inf), np.zeros(k)])
    most = np.concatenate([np.where(np.isnan(ends), np.inf, ends), np.full(s + k, np.inf)])
    distance = np.concatenate([np.zeros(k + s), np.ones(k)])
    found = milp(
        distance if target is not None else np.zeros(k + s + k),
        integrality=np.concatenate([np.zeros(k), np.ones(s), np.zeros(k)]).astype(np.int64),
        bounds=Bounds(least, most),
        constraints=LinearConstraint(
            np.vstack(rows), np.concatenate([a for a, _ in sides]), np.concatenate([b for _, b in sides])
        ),
        options={"mip_rel_gap": 1e-6},
    )
    if found.x is None:
        return None
    x = np.asarray(found.x[:k], dtype=np.float64) * size
    x[stepped] = np.round(found.x[k : k + s]) * step
    # What is bound by the total and other equalities follows from the rest to the last digit.
    whole: Array = region.decoded(region.coded(x[None]))[0]
    return whole


def too_coarse(region: Region, steps: Mapping[str, float | None]) -> tuple[Problem, ...]:
    """What is wrong with weighable steps: no recipe on them, and the step that would do; or levels too few to learn."""
    kept = on_steps(region, steps)
    if not kept:
        return ()
    if nearest(region, kept) is None:
        ways = [way for name in kept if (way := _finer(region, kept, name))]
        all_finer = {n: s / 10 for n, s in kept.items()}
        if not ways and nearest(region, all_finer) is not None:
            ways = [" with ".join(f"steps of {number(s)} for {n}" for n, s in all_finer.items())]
        listed = "; ".join(f"{number(s)} of {n}" for n, s in kept.items())
        do = f"take {' or '.join(ways)}" if ways else "widen a limit, or leave a step out"
        got = f"no recipe in steps of {listed} obeys every limit"
        return (Problem("no-step-recipe", "warn", "[[ingredient]], step", got, "a recipe on whole steps", do),)
    found = []
    for name, step in kept.items():
        low, high = region.reach[name]
        levels = whole_steps(low, high, step)
        if len(levels) < _ENOUGH:
            many = "one level" if len(levels) == 1 else "two levels"
            lost = "so nothing can be learnt of it" if len(levels) == 1 else "so no bend can be seen in it"
            got = f"steps of {number(step)} leave {many} within reach ({' and '.join(map(number, levels))}), {lost}"
            do = f"steps of {number(fitting_step(low, high))} would give three or more"
            level: Level = "warn" if len(levels) == 1 else "inform"
            found.append(Problem("few-steps", level, f"{name}, step", got, "", do))
    return tuple(found)


def _finer(region: Region, steps: Mapping[str, float], name: str) -> str | None:
    """The coarsest finer step of one ingredient that alone makes recipes possible and leaves it room, in words.

    Two levels of it or more where a step has them: one recipe alone is no region to plan in.
    """
    first = None
    for by in _FINER:
        step = float(f"{steps[name] / by:.10g}")
        tried = {**steps, name: step}
        if nearest(region, tried) is None:
            continue
        first = step if first is None else first
        if _spans(region, tried, name) >= 1:
            return f"steps of {number(step)} for {name}"
    return None if first is None else f"steps of {number(first)} for {name}"


def _spans(region: Region, steps: Mapping[str, float], name: str) -> int:
    """How many steps of one ingredient lie between the recipes nearest to where it is least and most."""
    j = region.names.index(name)
    ends: list[int] = []
    for sign in (1.0, -1.0):
        c = np.zeros(len(region.names))
        c[j] = sign
        far = linprog(c, A_ub=region.A, b_ub=region.b, A_eq=region.E, b_eq=region.e, bounds=(None, None)).x
        found = None if far is None else nearest(region, steps, np.asarray(far, dtype=float))
        if found is None:
            return 0
        ends.append(int(np.round(found[j] / steps[name])))
    return abs(ends[1] - ends[0])
