"""Whether the last round of trials came out as the earlier rounds let expect, batch by batch."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import pandas as pd

from doe.problems import Problem, Unavailable, listed, rounded
from optimise.models.fitted import FittedModel

CODE = "last-round"
_LEVEL = 0.95  # with which all batches of the round lie within their intervals (Bonferroni)
_DIGITS = 4  # significant, of what is told


def last_round(batches: pd.DataFrame) -> tuple[int, list[str]]:
    """The number of the last round that has batches, and its trials; no trials where there is only one round."""
    rounds = pd.to_numeric(batches["round"], errors="coerce").fillna(0).astype(int)
    if rounds.nunique() < 2:
        return 0, []
    last = int(rounds.max())
    return last, [str(trial) for trial in dict.fromkeys(batches["trial"][rounds == last])]


def last_round_findings(
    number: int, trials: list[str], now: Mapping[str, FittedModel], earlier: Mapping[str, FittedModel],
    tried: pd.DataFrame,
) -> list[Problem]:  # fmt: skip
    """A finding for each measured response in which batches of the last round lie beyond what `earlier` predicts.

    `earlier` are the models of all rounds before, `now` those of all; `tried` are recipes as made by batch. Each batch
    is held against a prediction interval for one new batch; all of them over all responses hold at once with 95 % where
    nothing changed between the rounds (Bonferroni). Scores, and passes, are left out: their intervals tell too little.
    """
    seen = dict(_measured(now, earlier, set(trials), tried))
    count = sum(len(rows) for rows in seen.values())
    out = []
    for name, rows in seen.items():
        model = earlier[name]
        law = model.predictive(tried.loc[list(rows["batch"])])
        ends = np.asarray(model.scale.back(law.batch_interval(1 - (1 - _LEVEL) / count)), dtype=float)
        centre = np.asarray(model.scale.back(law.median()), dtype=float)
        value = rows["observed"].to_numpy(dtype=float)
        beyond = np.flatnonzero((value < ends.min(axis=1)) | (value > ends.max(axis=1)))
        if len(beyond):
            said = [
                f"{rows['batch'].iloc[i]} read {rounded(value[i], _DIGITS)} where {rounded(centre[i], _DIGITS)} was"
                f" expected ({rounded(ends[i].min(), _DIGITS)} to {rounded(ends[i].max(), _DIGITS)})"
                for i in beyond
            ]
            got = f"round {number} does not agree with the earlier rounds: {listed(said)}"
            do = (
                "find out which it is: the bench (weighing, procedure, reading), a new lot, or the model; the fit lies "
                "between the two until then"
            )
            out.append(Problem(CODE, "warn", name, got, "", do))
    return out


def _measured(
    now: Mapping[str, FittedModel], earlier: Mapping[str, FittedModel], trials: set[str], tried: pd.DataFrame
) -> Iterator[tuple[str, pd.DataFrame]]:
    """The batches of the last round by response, where the earlier ones predict it with an error."""
    for name, model in now.items():
        before = earlier.get(name)
        if before is None or model.kind in ("pass", "grade") or isinstance(before.predictor, Unavailable):
            continue
        rows = model.trials
        if not len(rows):
            continue
        mine = [str(t) in trials and b in tried.index for t, b in zip(rows["trial"], rows["batch"], strict=True)]
        rows = rows[mine & np.isfinite(rows["observed"].to_numpy(dtype=float))]
        if len(rows):
            yield name, rows
