"""The batches one response is fitted to: as made, with value, recipe group and block; and those left out, with why."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.definition.parts import Response
from doe.problems import Problem, rounded
from doe.region.region import Region
from doe.region.widening import widened
from doe.results.curves import observed
from doe.results.results import Results
from doe.study import Study
from optimise.models.findings import pooled_reading_sd, say
from optimise.statistics.leastsq import Array

_SAME_SUM = 1e-9  # of the total: how far a blend may be from adding up
# From so many blocks on their differences are taken as drawn anew each time; fewer say too little of how they vary
# (common practice, no source).
_MANY_BLOCKS = 5


@dataclass(frozen=True, slots=True, eq=False)
class Sharing:
    """What batches share, "whole_plot" or "block", and the name (n,) of the one each belongs to."""

    kind: Literal["whole_plot", "block"]
    names: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class BatchData:
    """The n batches of one response: levels X (n, k) in the region's order, `chosen` categories, values `y` (n,).

    A reading that is only a bound lies between `low` and `high` (n,), which are equal elsewhere; its `y` is the finite
    end, for show alone, and `bound` (n,) says none, below, above or between.
    `groups` (n,) name the recipe, `blocks` (n, b) are sum-to-zero columns (b = blocks - 1, or 0), `order` (n,) or None.
    `shared` tells which batches have an error in common: those of one whole plot, or of one of many blocks. `region`
    is the study's, or one around it that holds what was made before limits moved, for any response.
    """

    trials: tuple[str, ...]
    batches: tuple[str, ...]
    X: Array
    chosen: Mapping[str, npt.NDArray[Any]]
    y: Array
    low: Array
    high: Array
    bound: tuple[str, ...]
    groups: tuple[str, ...]
    blocks: Array
    block_names: tuple[str, ...]
    order: Array | None
    shared: Sharing | None
    excluded: tuple[Mapping[str, str], ...]
    findings: tuple[Problem, ...]
    region: Region

    @property
    def has_bounds(self) -> bool:
        """Whether some readings are only bounds."""
        return bool((self.low != self.high).any())


def shares(region: Region, levels: pd.DataFrame) -> Array:
    """Levels (n, k) in the region's order, the blend made to add up: by the fill, else in proportion."""
    X = levels[list(region.names)].to_numpy(dtype=float, copy=True)
    if not region.blend or region.blend_total is None:
        return X
    columns = [region.names.index(name) for name in region.blend]
    if region.fill is not None:
        fill = region.names.index(region.fill)
        others = [j for j in columns if j != fill]
        X[:, fill] = region.blend_total - X[:, others].sum(axis=1)
        return X
    total = X[:, columns].sum(axis=1)
    off = np.abs(total - region.blend_total) > _SAME_SUM * abs(region.blend_total)
    usable = off & (total > 0)
    X[np.ix_(usable, columns)] *= (region.blend_total / total[usable])[:, None]
    return X


def _not_counted(results: Results, response: Response) -> list[dict[str, str]]:
    """Batches with a reading of the response that do not count: set aside, failed or unmakeable, each with why."""
    batches, rows = results.batches, results.counted
    read = rows[(rows["response"] == (response.of if response.is_derived else response.name)) & rows["value"].notna()]
    gone = batches.loc[batches.index.isin(read["batch"]) & ~batches.index.isin(results.usable)]
    return [
        {"trial": str(row["trial"]), "batch": str(batch), "reason": f"{row['state']}: {row['why']}"}
        for batch, row in gone.iterrows()
    ]


def gather(
    study: Study,
    results: Results,
    response: Response,
    out_of: Mapping[str, str] | None = None,
    *,
    exact_only: bool = False,
) -> BatchData:
    """The batches of `response`. `out_of` names trials left out for a look, with the reason.

    With `exact_only`, readings that are only bounds are left out, and that is said.
    """
    seen, taken = observed(study, results, response)
    excluded = [{"trial": trial, "batch": "", "reason": reason} for trial, reason in (out_of or {}).items()]
    excluded += _not_counted(results, response)
    findings = list(taken)
    kinds = seen["bound"].fillna("none")
    seen = seen.assign(bound=kinds)
    value = seen["value"].to_numpy(dtype=float)
    useful = np.isfinite(value)
    if exact_only:
        useful &= (kinds == "none").to_numpy()
    lost = seen[~useful & (kinds != "none").to_numpy()]
    excluded += [
        {"trial": str(row["trial"]), "batch": str(batch), "reason": _bound_words(row, response.unit)}
        for batch, row in lost.iterrows()
    ]
    if len(lost):
        findings.append(_left_out(response, lost))
    used = seen[useful]
    bounds = used[used["bound"] != "none"]
    if len(bounds):
        findings.append(_bounds_finding(response, bounds))
    missing = [batch for batch in results.usable if batch not in set(seen.index)]
    if missing and len(seen):
        named = ", ".join(map(str, missing[:6])) + (" ..." if len(missing) > 6 else "")
        got = f"not read in {len(missing)} of {len(results.usable)} batches ({named})"
        findings.append(say("missing", "inform", response.name, got, "the fit rests on the other batches"))
    levels = results.levels(used.index)
    region = study.region
    shared = _plots(results, used)
    blocks, names, block_findings = _blocks(response.name, used)
    if shared is None and len(names) >= _MANY_BLOCKS:
        shared = Sharing("block", tuple(str(block) for block in used["block"]))
        blocks, names = blocks[:, :0], ()
    findings += block_findings + _structure(response, used)
    order = pd.to_numeric(used["order"], errors="coerce").to_numpy(dtype=float)
    y, low, high = _ends(used)
    return BatchData(
        trials=tuple(str(t) for t in used["trial"]),
        batches=tuple(str(b) for b in used.index),
        X=shares(region, levels),
        chosen=region.chosen(levels),
        y=y,
        low=low,
        high=high,
        bound=tuple(str(b) for b in used["bound"]),
        groups=tuple(str(g) for g in used["replicate_group"]),
        blocks=blocks,
        block_names=names,
        order=order if len(order) and np.isfinite(order).all() else None,
        shared=shared,
        excluded=tuple(excluded),
        findings=tuple(findings),
        region=widened(region, shares(region, results.levels())),
    )


def _bound_words(row: pd.Series, unit: str) -> str:
    bound, value = row["bound"], row["value"]
    if bound == "between":
        return f"only known to lie between {value:g} and {row['value_to']:g} {unit}".strip()
    if bound == "above" and not np.isfinite(value):
        return "readings above and below what the method can read: nothing is known of the mean"
    return f"only known to be {bound} {value:g} {unit}".strip()


def _ends(used: pd.DataFrame) -> tuple[Array, Array, Array]:
    """Values to show, and the ends between which each lies."""
    value, upper = used["value"].to_numpy(dtype=float), used["value_to"].to_numpy(dtype=float)
    bound = used["bound"].to_numpy(dtype=object)
    low = np.where(bound == "below", -np.inf, value)
    return value, low, np.where(bound == "above", np.inf, np.where(bound == "between", upper, value))


def _bounds_finding(response: Response, bounds: pd.DataFrame) -> Problem:
    trials = ", ".join(str(t) for t in bounds["trial"])
    why = "known only as a bound" if response.is_derived else "beyond what the method reads"
    got = (
        f"{trials}: {why}; taken as what they are, values somewhere beyond (the limit is not put"
        " in their place), so they still tell how high or low it goes"
    )
    return say(
        "over-range",
        "inform",
        response.name,
        got,
        "" if response.is_derived else "read them with a method that reaches to know more",
    )


def _left_out(response: Response, lost: pd.DataFrame) -> Problem:
    kinds = set(lost["bound"])
    if kinds == {"above"}:
        effect = "the highest results are missing, so predictions there are too low and the scatter too small"
    elif kinds == {"below"}:
        effect = "the lowest results are missing, so predictions there are too high and the scatter too small"
    else:
        effect = "results at the ends are missing, so predictions are pulled to the middle and the scatter is too small"
    trials = ", ".join(str(t) for t in lost["trial"])
    got = (
        f"{trials}: only bounds, and too few numbers beside them to settle a fit with them, so they are left out of it"
    )
    got += f" (no limit is put in their place); {effect}"
    do = "read them with a method that reaches; until then trust that end less"
    return say("over-range", "warn", response.name, got, do)


def _blocks(where: str, used: pd.DataFrame) -> tuple[Array, tuple[str, ...], list[Problem]]:
    """Block columns (n, b - 1), which sum to zero, and the names of the b blocks; neither where no block is known."""
    none = np.empty((len(used), 0))
    given = used["block"]
    if not len(given) or given.isna().all():
        return none, (), []
    if given.isna().any():
        got = f"the block of {int(given.isna().sum())} batches is not known"
        return (
            none,
            (),
            [
                say(
                    "blocks-unknown",
                    "warn",
                    where,
                    got,
                    "blocks were left out of the model; fill in the blocks",
                )
            ],
        )
    names = tuple(sorted({str(b) for b in given}))
    if len(names) < 2:
        return none, (), []
    member = np.array([[float(str(b) == name) for name in names] for b in given])
    columns: Array = member[:, :-1] - member[:, -1:]
    return columns, names, []


def _plots(results: Results, used: pd.DataFrame) -> Sharing | None:
    """The whole plot of each batch, within its round; a batch without one is its own. None where none was shared."""
    rounds = results.batches["round"].reindex(used.index)
    names = tuple(
        f"alone {batch}" if pd.isna(plot) else f"{number}: {plot}"
        for batch, plot, number in zip(used.index, used["whole_plot"], rounds, strict=True)
    )
    return Sharing("whole_plot", names) if len(set(names)) < len(names) else None


def _structure(response: Response, used: pd.DataFrame) -> list[Problem]:
    """Readings, whole plots and kinds of response: what the fit takes them for."""
    out: list[Problem] = []
    where = response.name
    counts = used["n_readings"].to_numpy(dtype=float)
    if len(counts) and counts.max() > 1:
        sd = pooled_reading_sd(used["reading_sd"].to_numpy(dtype=float), counts)
        spread = f"; readings of one batch differ by an sd of {rounded(sd)}" if sd is not None else ""
        uneven = " although some were read more often" if counts.max() != counts.min() else ""
        got = f"readings of one batch are averaged first and each batch counts once{uneven}{spread}"
        out.append(say("readings-averaged", "inform", where, got, "make separate batches to see how batches differ"))
    return out
