"""Tables of a fitted response: the analysis of variance with its kinds of terms, and the influence of each batch."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.definition.categories import short
from doe.problems import Unavailable
from doe.terms.terms import Terms
from optimise.models.batchdata import BatchData
from optimise.models.scales import Scale
from optimise.statistics import diagnosis
from optimise.statistics.diagnosis import AnovaLine, Number
from optimise.statistics.leastsq import ALONE, Array, Influence, LeastSquares

TRIAL_COLUMNS = (
    "trial", "batch", "order", "observed", "bound", "to", "fitted", "residual", "leverage", "studentised", "deleted",
    "cook",
)  # fmt: skip


def number_column(values: Sequence[Number]) -> pd.Series:
    """A column of numbers: floats where all exist, else objects with the `Unavailable` ones among them."""
    if any(isinstance(value, Unavailable) for value in values):
        return pd.Series(list(values), dtype=object)
    return pd.Series(list(values), dtype=float)


def anova_frame(lines: tuple[AnovaLine, ...]) -> pd.DataFrame:
    """The analysis of variance as a table."""
    columns: dict[str, Any] = {
        "source": [line.source for line in lines],
        "df": [line.df for line in lines],
    }
    for name in ("df_error", "ss", "ms", "f", "p"):
        columns[name] = number_column([getattr(line, name) for line in lines])
    return pd.DataFrame(columns, columns=["source", "df", "df_error", "ss", "ms", "f", "p"])


def term_groups(terms: Terms) -> dict[str, list[int]]:
    """Column numbers by kind of term, for partial sums of squares; a Scheffé blend's linear terms hold its mean.

    The contrasts of one category, or of one product of it, are tested together, under its name: `[Coating]`,
    `Gum × [Coating]`. Each by itself depends on which level the others are compared with.
    """
    groups: dict[str, list[int]] = {}
    for j, term in enumerate(terms.terms):
        if term.order == 0 or (terms.form == "scheffe" and term.order == 1):
            continue
        if term.level and term.order < 3:
            name = " × ".join([*(name for name, _ in term.powers), *(f"[{short(name)}]" for name, _ in term.level)])
        elif term.order == 1:
            name = "linear terms"
        elif term.order == 2:
            name = "squares" if len(term.powers) == 1 else "products"
        else:
            name = "higher terms"
        groups.setdefault(name, []).append(j)
    return groups


def trial_table(data: BatchData, fit: LeastSquares, scale: Scale, influence: Influence | None = None) -> pd.DataFrame:
    """Observed and fitted in the response's unit, residual on the model scale, and the influence of each batch."""
    influence = fit.influence() if influence is None else influence
    alone = Unavailable("this batch alone decides a term", "make a further batch near it")
    nothing = diagnosis.no_error(fit)
    few = Unavailable("one degree of freedom is left, so nothing remains without this batch", "make further batches")

    def shown(values: Array, defined: npt.NDArray[np.bool_], otherwise: Unavailable) -> list[Number]:
        reason = otherwise if fit.has_error else nothing
        return [
            float(v) if ok else (alone if fit.has_error and h >= 1 - ALONE else reason)
            for v, ok, h in zip(values, defined, fit.leverage, strict=True)
        ]

    order = data.order if data.order is not None else [None] * fit.n
    columns: dict[str, Any] = {
        "trial": list(data.trials),
        "batch": list(data.batches),
        "order": [None if value is None else int(value) for value in order],
        "observed": data.y,
        "bound": list(data.bound),
        "to": [float(end) if kind == "between" else None for kind, end in zip(data.bound, data.high, strict=True)],
        "fitted": scale.back(fit.fitted),
        "residual": fit.residual,
        "leverage": fit.leverage,
        "studentised": number_column(shown(influence.studentised, influence.defined, few)),
        "deleted": number_column(shown(influence.deleted, influence.deleted_defined, few)),
        "cook": number_column(shown(influence.cook, influence.defined, few)),
    }
    return pd.DataFrame(columns, columns=list(TRIAL_COLUMNS))
