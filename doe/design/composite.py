"""Where a central composite plan puts its trials, in the study's units, and whether they can be made there."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from doe.definition.parts import Factor, PlanWish
from doe.design import blocking, classical
from doe.problems import PlanError, Problem

Array = npt.NDArray[np.float64]

# Scales on which a level may be below 0.
_SIGNED = {"c", "°c", "degc", "deg c", "celsius", "f", "°f", "degf", "deg f", "fahrenheit", "mv", "v", "db"}
_WAYS = 'give axial = "inscribed" (low and high are then the axial trials) or axial = "face"'


def composite(
    factors: Sequence[Factor], wish: PlanWish, runs: int | None, cube: Array | None = None
) -> tuple[Array, tuple[int, ...] | None, bool, tuple[Problem, ...]]:
    """The coded trials (n, k), their blocks, whether some lie beyond low and high, and what to tell.

    The corners are all or those of `cube` (F, k), a fraction of them. With blocks the centre points are among the
    trials; without (None) they are not. Axial trials lie as `[plan], axial` says: rotatable unless given, on the faces,
    or at low and high with the corners drawn in ("inscribed"; Box & Hunter 1957, Ann. Math. Stat. 28). Raises PlanError
    where a level would be below 0 that cannot be.
    """
    k = len(factors)
    starred = _starred(wish, k, runs, cube)
    if starred is not None:
        rows, reach, block = starred.rows, starred.reach, tuple(starred.block.tolist())
    else:
        rows = classical.central_composite(k, face=wish.axial == "face", cube=cube)
        reach, block = float(np.abs(rows).max()), None
    if reach <= 1 + 1e-9:
        return rows, block, False, ()
    if wish.axial == "inscribed":
        return rows / reach, block, False, (_inscribed(factors, reach),)
    return rows, block, True, (_beyond(factors, reach),)


def _starred(wish: PlanWish, k: int, runs: int | None, cube: Array | None) -> blocking.Blocked | None:
    """The plan in blocks, where blocks are wanted and the cube parts into them."""
    if wish.n_blocks < 2 or k < 2:
        return None
    centres = wish.centre_points
    if centres is None and runs is not None:
        centres = max(wish.n_blocks, runs - (2**k if cube is None else len(cube)) - 2 * k)
    return blocking.central_composite(
        k,
        wish.n_blocks,
        centres,
        face=wish.axial == "face",
        rotatable=wish.axial == "rotatable",
        fraction=cube,
    )


def _ends(factor: Factor, reach: float) -> tuple[float, float]:
    low, high = float(factor.low or 0.0), float(factor.high or 0.0)
    middle, half = (low + high) / 2, (high - low) / 2
    step = factor.step or 0.0
    ends = middle - reach * half, middle + reach * half
    return (round(ends[0] / step) * step, round(ends[1] / step) * step) if step else ends


def _levels(factors: Sequence[Factor], reach: float) -> str:
    return ", ".join(f"{f.name} {a:.4g} and {b:.4g} {f.unit}".strip() for f in factors for a, b in [_ends(f, reach)])


def _inscribed(factors: Sequence[Factor], reach: float) -> Problem:
    got = f"axial trials lie at low and high, the others at {1 / reach:.3f} times the half range"
    got += f" ({_levels(factors, 1 / reach)})"
    return Problem("axial-inscribed", "inform", "[plan], axial", got, "", "nothing, if it is meant so")


def _beyond(factors: Sequence[Factor], reach: float) -> Problem:
    """What to tell of axial trials beyond low and high; a level that cannot be below 0 is refused."""
    below = [f for f in factors if (f.low or 0.0) >= 0 > _ends(f, reach)[0] and f.unit.casefold() not in _SIGNED]
    sure = [f for f in below if f.unit]
    if sure:
        told = ", ".join(f"{f.name} to {_ends(f, reach)[0]:.4g} {f.unit}" for f in sure)
        raised = " and ".join(f"{_least_low(f, reach):.3g} for {f.name}" for f in sure)
        got = f"axial trials at {reach:.3f} times the half range would set {told}: below 0"
        do = f"{_WAYS}, or raise low to {raised} or more"
        raise PlanError([Problem("axial-below-zero", "stop", "[plan], axial", got, "levels of 0 or more", do)])
    got = f"axial trials lie at {reach:.3f} times the half range, outside low and high: {_levels(factors, reach)}"
    if below:
        got += f"; see whether {' and '.join(f.name for f in below)} can be below 0"
    allowed = "low and high are the -1 and +1 of the plan"
    return Problem("axial-outside", "warn", "[plan], axial", got, allowed, f"if these cannot be made, {_WAYS}")


def _least_low(factor: Factor, reach: float) -> float:
    """The low at which the axial trial would be at 0, rounded up to three digits."""
    low = float(factor.high or 0.0) * (reach - 1) / (reach + 1)
    scale = 10.0 ** (2 - np.floor(np.log10(low))) if low > 0 else 1.0
    return float(np.ceil(low * scale - 1e-9) / scale)
