"""What is wanted of a study's responses: which are musts, and the published desirability functions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from doe.definition.parts import Response
from doe.study import Study

Array = npt.NDArray[np.float64]


def has_window(response: Response) -> bool:
    """Whether a batch can miss: some limit is asked of it."""
    return any(limit is not None for limit in response.window)


def musts(study: Study) -> tuple[Response, ...]:
    """Responses that every batch must meet, fitted and exact."""
    return tuple(r for r in study.responses if r.is_must and has_window(r) and r.kind != "curve")


def fitted_musts(study: Study) -> tuple[Response, ...]:
    """Fitted responses that every batch must meet: those with limits, then passes."""
    passes = (r for r in study.fitted_responses if r.kind == "pass" and r.is_must and not has_window(r))
    return (*(r for r in musts(study) if not r.is_exact), *passes)


def wanted(study: Study) -> tuple[Response, ...]:
    """Responses that count in desirability: all with an aim, musts and wishes."""
    return tuple(r for r in study.responses if r.aim != "watch" and r.kind != "curve" and r.weight > 0)


def desirability(response: Response, value: npt.ArrayLike) -> tuple[Array, Array]:
    """Desirability d in 0..1 of a response's value, and its slope, each of the shape of `value` (see `ramps`).

    Of a pass or fail `value` is the chance of a pass.
    """
    y = np.asarray(value, dtype=float)
    found, slope = np.ones_like(y), np.zeros_like(y)
    up, limits = ramps([response])
    for ramp in up:
        own, steep = ramp.desirability(y)
        found, slope = np.where(own < found, own, found), np.where(own < found, steep, slope)
    for _, sign, limit in limits:
        kept = sign * y >= sign * limit
        found, slope = np.where(kept, found, 0.0), np.where(kept, slope, 0.0)
    return found, slope


@dataclass(frozen=True, slots=True)
class Ramp:
    """One side of a desirability: 0 at `start`, 1 from `full` on, in between a share to the power `exponent`.

    `response` is the number of the response among those asked about.
    """

    response: int
    start: float
    full: float
    exponent: float

    def share(self, value: Array) -> Array:
        """How far up the ramp, unclipped, of the shape of `value`."""
        return (value - self.start) / (self.full - self.start)

    def desirability(self, value: Array) -> tuple[Array, Array]:
        """What the side is worth, 0..1, and its slope, each of the shape of `value`."""
        share = np.clip(self.share(value), 0.0, 1.0)
        inner = (share > 0) & (share < 1)
        steep = self.exponent * np.where(inner, share, 1.0) ** (self.exponent - 1) / (self.full - self.start)
        return share**self.exponent, np.where(inner, steep, 0.0)


def ramps(responses: Sequence[Response]) -> tuple[list[Ramp], list[tuple[int, float, float]]]:
    """The sides of all desirabilities; and the plain limits (response, sign, limit) of those that only pass or fail.

    A plain limit asks sign * value >= sign * limit. One- and two-sided functions of Derringer & Suich (1980), J. Qual.
    Technol. 12(4), 214-219: above, 0 at low and 1 from the target (or else high) on; below, 1 up to the target (or else
    low) and 0 at high; target, rising from low to the target and falling to high; each side to its exponent. Within: 1
    between the limits, 0 outside.
    """
    slopes: list[Ramp] = []
    walls: list[tuple[int, float, float]] = []

    def side(number: int, start: float | None, full: float | None, exponent: float, sign: float) -> None:
        if start is None:
            return
        if full is None or sign * (full - start) <= 0:
            walls.append((number, sign, start))
        else:
            slopes.append(Ramp(number, start, full, exponent))

    for number, r in enumerate(responses):
        low, target, high = sides(r)
        if r.aim == "above":
            side(number, low, target if target is not None else high, r.exponent_low, 1.0)
        elif r.aim == "below":
            side(number, high, target if target is not None else low, r.exponent_high, -1.0)
        elif r.aim in ("target", "within"):
            side(number, low, target, r.exponent_low, 1.0)
            side(number, high, target, r.exponent_high, -1.0)
    return slopes, walls


def sides(response: Response) -> tuple[float | None, float | None, float | None]:
    """Low, target and high that desirability goes by: of a pass or fail it is the chance of what is wanted."""
    if response.kind == "pass":
        return {"above": (0.0, 1.0, None), "below": (None, 0.0, 1.0)}.get(response.aim, (None, None, None))
    return response.low, response.target, response.high


def overall(values: Mapping[str, Array], responses: tuple[Response, ...]) -> Array:
    """Weighted geometric mean of the desirabilities `values` by response, of their common shape.

    Derringer & Suich 1980; weights as in Derringer 1994, from memory.
    """
    total = sum(r.weight for r in responses)
    shape = np.shape(next(iter(values.values()))) if values else ()
    if not responses or total <= 0:
        return np.ones(shape)
    log = np.zeros(shape)
    with np.errstate(divide="ignore"):
        for response in responses:
            log = log + response.weight * np.log(values[response.name])
    return np.asarray(np.exp(log / total), dtype=float)
