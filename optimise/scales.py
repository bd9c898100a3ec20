"""The scales responses are fitted on: linear, natural logarithm, logit of a fraction."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.special import expit, logit

Array = npt.NDArray[np.float64]
ScaleName = Literal["linear", "log", "logit"]


@dataclass(frozen=True, slots=True)
class Scale:
    """A monotone map from a response's own unit to the scale it is modelled on, and back."""

    name: ScaleName = "linear"

    def forward(self, value: npt.ArrayLike) -> Array:
        """From the response's unit to the model's scale. Values outside the scale's range become infinite or nan."""
        values = np.asarray(value, dtype=float)
        with np.errstate(divide="ignore", invalid="ignore"):
            if self.name == "log":
                return np.asarray(np.log(values), dtype=float)
            if self.name == "logit":
                return np.asarray(logit(values), dtype=float)
        return values

    def back(self, value: npt.ArrayLike) -> Array:
        """From the model's scale to the response's unit; a mean on the scale comes back as a median."""
        values = np.asarray(value, dtype=float)
        with np.errstate(over="ignore"):
            if self.name == "log":
                return np.asarray(np.exp(values), dtype=float)
            if self.name == "logit":
                return np.asarray(expit(values), dtype=float)
        return values

    def back_slope(self, value: npt.ArrayLike) -> Array:
        """Derivative of `back` at values on the model's scale."""
        values = np.asarray(value, dtype=float)
        if self.name == "log":
            return np.asarray(np.exp(values), dtype=float)
        if self.name == "logit":
            p = expit(values)
            return np.asarray(p * (1 - p), dtype=float)
        return np.ones_like(values)

    def window(self, low: float | None, high: float | None) -> tuple[float | None, float | None]:
        """Limits mapped to the model's scale; a limit at or beyond the end of the scale is no limit there."""
        ends = []
        for limit in (low, high):
            mapped = None if limit is None else float(self.forward(limit))
            ends.append(mapped if mapped is not None and np.isfinite(mapped) else None)
        return ends[0], ends[1]

    def allows(self, value: npt.ArrayLike) -> npt.NDArray[np.bool_]:
        """Which values the scale can take."""
        return np.asarray(np.isfinite(self.forward(value)), dtype=bool)
