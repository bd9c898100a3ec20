"""What looks odd in how batches were made, before anything is fitted: lots, lost water, adjusters, order, failures."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from doe.bench.drafts import USABLE
from doe.problems import Problem, listed
from doe.results.resultset import Results

if TYPE_CHECKING:
    from doe.study import Study

LEAST_OTHERS = 4  # other batches that one is held against; our choice
_PINCH = 0.003  # of the total: a pH adjuster beyond it is to be looked at (common practice, no source)
_SAME = 1e-9  # spread below which a column does not vary


def odd_batches(study: Study, results: Results) -> list[Problem]:
    """Everything that looks odd in how the batches were made."""
    return [
        *_another_jar(results),
        *_lots(results),
        *_adjusters(study, results),
        *_never_weighed(study, results),
        *not_made(study, results),
        *_order(results),
    ]


def _another_jar(results: Results) -> list[Problem]:
    """Second makings of which nothing but readings is known, where the first was weighed or timed.

    A repeated reading that is taken for a batch makes the scatter between batches too small.
    """
    rows = results.batches.loc[results.usable]
    papers = {
        str(batch): str(trial)
        for batch, trial, *notes in rows[["trial", "made_at", "weighed_g"]].itertuples(name=None)
        if any(note is not None for note in notes)
    }
    told = {trial for batch, trial in papers.items() if batch.endswith("-1")}
    bare = [
        str(batch)
        for batch, trial in rows["trial"].items()
        if str(trial) in told and str(batch) not in papers and not str(batch).endswith("-1")
    ]
    if not bare:
        return []
    return [Problem("batch-or-reading", "warn", "batches", f"nothing but readings of {listed(bare)}",
                    "weights or time of making, as of the first batch",
                    "if one jar was read again, it is reading 2 of the first batch")]  # fmt: skip


def _lots(results: Results) -> list[Problem]:
    """A lot that changed inside a round may be a block of its own; one lot only says nothing of the next."""
    batches = results.batches.loc[results.usable]
    changed, single = [], []
    for column in [str(c) for c in batches.columns if str(c).startswith("lot: ")]:
        known = batches[batches[column].notna()]
        for number, group in known.groupby("round", sort=True):
            lots = {str(lot): list(map(str, rows.index)) for lot, rows in group.groupby(column, sort=False)}
            if len(lots) > 1:
                where = "" if number == 0 else f"round {number}, "
                changed.append((where + column, "; ".join(f"{lot} in {listed(who)}" for lot, who in lots.items())))
        if len(known) > 1 and (known[column] == known[column].iloc[0]).all():
            single.append(column.removeprefix("lot: "))
    found = [
        Problem("lot-change", "warn", where, text, "one lot through a round",
                "a possible block: see whether residuals differ by lot; a column block in a table makes it one")
        for where, text in changed
    ]  # fmt: skip
    if single:
        found.append(Problem("one-lot", "inform", "lots", f"one lot only of {listed(single)}", "",
                             "what another lot would do is not known"))  # fmt: skip
    return found


def _never_weighed(study: Study, results: Results) -> list[Problem]:
    """Planned batches that lose water which is not made up, and that were not weighed after heating."""
    loss = study.make.loss
    if study.make.make_up or loss / (1.0 - loss) <= study.make.weigh_tolerance or study.fill is None:
        return []
    rows = results.batches.loc[results.usable]
    bare = rows["after_heat_g"].isna() & rows["made_up_to_g"].isna() & rows["weighed_g"].isna() & (rows["round"] > 0)
    if not bare.any():
        return []
    got = f"no weight after heating of {listed(list(map(str, rows.index[bare])))}"
    do = "their levels count as written; weigh after heating, or make up to weight"
    return [Problem("no-final-weight", "warn", "batches", got, f"water is lost ({loss:.0%} expected)", do)]


def _adjusters(study: Study, results: Results) -> list[Problem]:
    """Adjusters that came to more than a pinch, and those whose amount goes with something that is varied."""
    batches = results.batches.loc[results.usable]
    varied = [i.name for i in study.varied if i.role == "varied"] + [f.name for f in study.numeric_factors]
    found = []
    for item in (i for i in study.ingredients if i.role == "adjuster"):
        amount = batches[item.name].astype(float)
        much = amount[amount > _PINCH * study.total]
        if len(much):
            got = f"more than {100 * _PINCH:g} % in " + listed([f"{b} {value:.3g}" for b, value in much.items()])
            do = "that much is part of the recipe, and may thin or thicken it: buffer it, or vary it"
            found.append(Problem("adjuster-large", "warn", item.name, got, "a pinch", do))
        together = [f"{name} (r = {r:.2f})" for name in varied if (r := _together(amount, batches[name])) is not None]
        if together:
            got, allowed = "its amount goes with " + listed(together), "amounts that vary by themselves"
            do = "what these do and what the adjuster does cannot be told apart"
            found.append(Problem("adjuster-with", "warn", item.name, got, allowed, do))
    return found


def _together(amount: pd.Series[float], level: pd.Series[Any]) -> float | None:
    """The correlation of an adjuster with a level, if it is there beyond chance (two-sided 1 % by its t); else None."""
    x, y = amount.to_numpy(dtype=float), level.to_numpy(dtype=float)
    free = len(x) - 2
    if free < LEAST_OTHERS or np.ptp(x) <= _SAME * x.max() or np.ptp(y) <= _SAME * abs(y).max():
        return None
    r = float(np.corrcoef(x, y)[0, 1])
    t = abs(r) * math.sqrt(free / max(1e-12, 1.0 - r * r))
    return r if t > float(stdtrit(free, 0.995)) else None


def not_made(study: Study, results: Results) -> list[Problem]:
    """Failed and unmakeable batches, with what sets their recipes apart: a part of the region that cannot be made."""
    batches = results.batches
    out = batches[batches["state"].isin(("failed", "unmakeable"))]
    if out.empty:
        return []
    told = "; ".join(f"{batch} {row['state']}: {row['why']}" for batch, row in list(out.iterrows())[:6])
    found = [Problem("not-made", "warn", "batches", told, "", "they count as information, not as readings")]
    unmakeable = batches[batches["state"] == "unmakeable"]
    made = batches[batches["state"].isin(USABLE)]
    if len(unmakeable) and len(made) >= LEAST_OTHERS:
        names = [i.name for i in study.varied] + [f.name for f in study.numeric_factors]
        edges = list(_edges(names, unmakeable, made))
        if edges:
            do = "a [[limit]] there keeps later trials out of it"
            got = "what could not be made lies " + listed(edges)
            found.append(Problem("edge-of-making", "warn", "region", got, "recipes that can be made", do))
    return found


def _edges(names: Iterable[str], gone: pd.DataFrame, made: pd.DataFrame) -> Iterable[str]:
    """Levels beyond which nothing was made and everything unmakeable lies."""
    for name in names:
        if name not in made:
            continue
        bad, good = gone[name].astype(float), made[name].astype(float)
        if bad.min() > good.max() * (1 + 1e-9):
            yield f"at {name} of {bad.min():.4g} or more ({good.max():.4g} was made)"
        elif bad.max() < good.min() * (1 - 1e-9):
            yield f"at {name} of {bad.max():.4g} or less ({good.min():.4g} was made)"


def _order(results: Results) -> list[Problem]:
    """Batches that were made in another order than planned, where the times are known."""
    batches = results.batches
    known = batches[batches["made_at"].notna() & batches["order"].notna() & (batches["round"] > 0)]
    found = []
    for number, group in known.groupby("round", sort=True):
        first = group[~group["trial"].duplicated()].sort_values(["made_at", "order"], kind="stable")
        planned = first["order"].astype(int).to_numpy()
        days = first["made_at"].astype(str).str[:10].to_numpy()
        timed = bool((first["made_at"].astype(str).str.len() > 10).all())
        late = _displaced(planned, days, timed)
        if late:
            names = [str(first.index[place]) for place in late]
            do = "give the true order in column order, if days may differ"
            got = "made out of turn: " + listed(names)
            found.append(Problem("other-order", "inform", f"round {number}", got, "the planned order", do))
    return found


def _displaced(planned: np.ndarray, days: Mapping[int, str] | np.ndarray, timed: bool) -> list[int]:
    """Places at which a batch was made after one that was planned later (on another day, unless times are known)."""
    return [
        place
        for place in range(len(planned))
        if any(planned[before] > planned[place] and (timed or days[before] != days[place]) for before in range(place))
    ]
