"""What is wanted of a study's responses: which are musts, and the published desirability functions."""

from __future__ import annotations

from collections.abc import Mapping

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
    """Desirability d in 0..1 of a response's value, and its slope, each of the shape of `value`.

    One- and two-sided functions of Derringer & Suich (1980), J. Qual. Technol. 12(4), 214-219: above, 0 at low and
    1 from the target (or else high) on; below, 1 up to the target (or else low) and 0 at high; target, rising from low
    to the target and falling to high; each side to its exponent. Within: 1 between the limits, 0 outside. Of a pass or
    fail `value` is the chance of a pass.
    """
    y = np.asarray(value, dtype=float)
    low, target, high = sides(response)
    if response.aim == "above":
        return _rising(y, low, target if target is not None else high, response.exponent_low)
    if response.aim == "below":
        return _falling(y, target if target is not None else low, high, response.exponent_high)
    if response.aim == "target" or (response.aim == "within" and target is not None):
        up, up_slope = _rising(y, low, target, response.exponent_low)
        down, down_slope = _falling(y, target, high, response.exponent_high)
        below = y <= (target if target is not None else -np.inf)
        return np.where(below, up, down), np.where(below, up_slope, down_slope)
    if response.aim == "within":
        inside = (y >= (-np.inf if low is None else low)) & (y <= (np.inf if high is None else high))
        return inside.astype(float), np.zeros_like(y)
    return np.ones_like(y), np.zeros_like(y)


def sides(response: Response) -> tuple[float | None, float | None, float | None]:
    """Low, target and high that desirability goes by: of a pass or fail it is the chance of what is wanted."""
    if response.kind == "pass":
        return {"above": (0.0, 1.0, None), "below": (None, 0.0, 1.0)}.get(response.aim, (None, None, None))
    return response.low, response.target, response.high


def _rising(y: Array, start: float | None, full: float | None, exponent: float) -> tuple[Array, Array]:
    if start is None:
        return np.ones_like(y), np.zeros_like(y)
    if full is None or full <= start:
        return (y >= start).astype(float), np.zeros_like(y)
    share = np.clip((y - start) / (full - start), 0.0, 1.0)
    inner = (share > 0) & (share < 1)
    slope = np.where(inner, exponent * np.where(inner, share, 1.0) ** (exponent - 1) / (full - start), 0.0)
    return share**exponent, slope


def _falling(y: Array, full: float | None, end: float | None, exponent: float) -> tuple[Array, Array]:
    d, slope = _rising(-y, None if end is None else -end, None if full is None else -full, exponent)
    return d, -slope


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
