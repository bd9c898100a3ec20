"""Roots of many increasing functions at once, in few steps: by slope, or on the scale where a chance is straight."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
from scipy import special

Array = npt.NDArray[np.float64]
Rows = npt.NDArray[np.intp]

_STEPS = 100  # at most
_NEAR = 1e-9
_EDGE = 1e-13  # kept between a chance and 0 or 1, whose normal deviates are infinite


def newton_root(off: Callable[[Array, Rows], tuple[Array, Array]], low: Array, high: Array, start: Array) -> Array:
    """Roots (n,) between `low` and `high` of what is `off` (value and slope, rising), by Newton's steps from `start`.

    `off(x, rows)` gives those of some rows; each row is done by itself, so that it does not matter which others there
    are. A step that leaves the bracket is replaced by its middle. The last step is a thousand-millionth of the
    bracket's size at most, so that what it leaves is far below the last digit.
    """
    a, b = np.array(low, dtype=float), np.array(high, dtype=float)
    x = np.clip(start, a, b)
    size = np.maximum(np.abs(a) + np.abs(b), 1e-300)
    left = np.arange(len(x))
    for _ in range(_STEPS):
        here = x[left]
        value, slope = off(here, left)
        a[left], b[left] = np.where(value < 0, here, a[left]), np.where(value >= 0, here, b[left])
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            step = here - value / slope
        inside = (step >= a[left]) & (step <= b[left])
        x[left] = np.where(inside, step, 0.5 * (a[left] + b[left]))
        left = left[~(np.abs(x[left] - here) <= _NEAR * size[left])]
        if not len(left):
            break
    return x


def rising_chance(chance: Callable[[Array, Rows], Array], guess: Array, level: float) -> Array:
    """Where chances that rise with a positive number reach `level`, (n,), from a `guess` (n,) of it.

    `chance(x, rows)` gives those of some rows. On the scale of normal scores and logs they are nearly straight, so that
    secants meet in a few steps; each is held within what is known to be too low and too high. A secant's error goes
    with the product of the last two steps: when that is below 1e-11 it is done, to about 1e-10 of the number.
    """
    n, goal = len(guess), float(special.ndtri(level))

    def off(x: Array, rows: Rows) -> Array:
        return np.asarray(special.ndtri(np.clip(chance(np.exp(x), rows), _EDGE, 1 - _EDGE)) - goal, dtype=float)

    every = np.arange(n)
    before = np.log(np.maximum(guess, 1e-280))
    at_before = off(before, every)
    low, high = np.where(at_before < 0, before, -np.inf), np.where(at_before >= 0, before, np.inf)
    x = before - np.clip(0.3 * at_before, -1.0, 1.0)
    left = every
    for _ in range(_STEPS):
        value, here = off(x[left], left), x[left]
        low[left] = np.where(value < 0, np.maximum(low[left], here), low[left])
        high[left] = np.where(value >= 0, np.minimum(high[left], here), high[left])
        rise = value - at_before[left]
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            step = here - value * (here - before[left]) / rise
            middle = 0.5 * (low[left] + high[left])
        known = np.isfinite(low[left]) & np.isfinite(high[left])
        good = np.isfinite(step) & (step > low[left]) & (step < high[left]) & (np.abs(step - here) < 2.0)
        away = here - np.sign(value) * np.log(2.0)
        step = np.where(value == 0, here, np.where(good, step, np.where(known, middle, away)))
        last = np.abs(here - before[left])
        before[left], at_before[left] = here, value
        x[left] = step
        left = left[np.abs(step - here) * np.where(good, np.minimum(last, 1.0), 1.0) > 1e-11]
        if not len(left):
            break
    found: Array = np.exp(x)
    return found
