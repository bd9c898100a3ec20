"""Weighable steps between two ends: the levels they leave, and a step that would suit."""

from __future__ import annotations

import math

_TINY = 1e-7


def whole_steps(low: float, high: float, step: float) -> list[float]:
    """The whole multiples of `step` within low and high; no more than 1000 of them are listed."""
    first, last = math.ceil(low / step - _TINY), math.floor(high / step + _TINY)
    return [float(f"{k * step:.12g}") for k in range(first, min(last, first + 999) + 1)]


def fitting_step(low: float, high: float) -> float:
    """The coarsest step of 1, 2 or 5 times a power of ten with three levels or more between low and high.

    One that has both ends on it is taken before one that has not, down to a hundredth of what lies between.
    """
    power = 10.0 ** math.ceil(math.log10(high - low))
    steps = [float(f"{power * by / 10.0**k:.6g}") for k in range(5) for by in (1.0, 0.5, 0.2)]
    good = [s for s in steps if len(whole_steps(low, high, s)) >= 3]
    ends = [s for s in good if s >= (high - low) / 100 and all(is_whole(v, s) for v in (low, high))]
    return (ends or good)[0]


def nearest_steps(low: float, high: float, step: float) -> tuple[float, ...]:
    """The steps of 1, 2 or 5 times a power of ten next below and above `step` on which both ends lie, as far as any do.

    >>> nearest_steps(0.1, 0.5, 0.03)
    (0.02, 0.05)
    """
    power = math.floor(math.log10(step))
    near = sorted(float(f"{by}e{power + k}") for k in (-2, -1, 0, 1) for by in (1, 2, 5))
    good = [s for s in near if s <= high - low and all(is_whole(end, s) for end in (low, high))]
    below, above = [s for s in good if s < step], [s for s in good if s > step]
    return (*below[-1:], *above[:1]) or (fitting_step(low, high),)


def is_whole(value: float, step: float) -> bool:
    """Whether a level is a whole number of steps."""
    return abs(value / step - round(value / step)) <= _TINY
