"""The chance when every batch is made with lots not seen yet, which bring more or less of their active part."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import ndtri
from scipy.stats import qmc

from doe.definition.categories import material_of
from doe.problems import Problem, Unavailable
from doe.study import Study
from optimise.models.models import Models
from optimise.models.recipes import recipes

Array = npt.NDArray[np.float64]

_DRAWS = 256  # sets of lots
_FEW = 0.1  # the share of lots that do worse than what is told
_MUCH = 0.05  # a loss of chance that is told as a warning
_NOT_SEARCHED = "; the search goes by the chance without that, so another formula may stand new lots better"


@dataclass(frozen=True, slots=True, eq=False)
class LotChance:
    """The joint chance of each recipe over lots, (n,), and the chance that nine lots (or sets of lots) of ten reach.

    `spread` gives by ingredient the greatest sd of its active part from lot to lot, as a fraction of it.
    """

    chance: Array
    nine_of_ten: Array
    spread: Mapping[str, float]


def lot_spread(study: Study) -> dict[str, float]:
    """The varied ingredients that say how their lots differ (`lot_sd`), with the greatest sd of their materials."""
    found = {}
    for item in study.varied:
        if item.role == "varied" and not item.withdrawn:
            sds = [float(item.of(material).facts.get("lot_sd", 0.0)) for material in ("", *item.materials)]
            if max(sds) > 0:
                found[item.name] = max(sds)
    return found


def lot_chance(models: Models, frame: pd.DataFrame) -> LotChance | Unavailable:
    """The chance of recipes `frame` with new lots: what one weighs in brings its active part times a lot's factor.

    Factors are normal about 1 with the `lot_sd` of the material, independent, never below 0; what a weak lot lacks
    counts as the fill, without a fill as all the rest in proportion (as a lot on record counts: `doe.results.lots`).
    Exact quantities, as the cost, are those of the recipe as written.
    256 fixed draws (Sobol), the same for every recipe. The batch sd stays that of the models: where they rest on many
    lots it holds a part of this already. Unavailable where no ingredient has a `lot_sd`, or `Models.joint` is.
    """
    study = models.study
    spread = lot_spread(study)
    if not spread:
        return Unavailable("no ingredient says how its lots differ", 'give lot_sd, for example lot_sd = "3 %"')
    whole = recipes(study, frame)
    unit = qmc.Sobol(len(spread), scramble=True, seed=np.random.default_rng(61)).random(_DRAWS)
    normal = ndtri(np.clip(unit, 1e-12, 1 - 1e-12))
    names = [item.name for item in study.ingredients]
    chance, few = np.empty(len(whole)), np.empty(len(whole))
    for i in range(len(whole)):
        made = whole.iloc[[i] * _DRAWS].reset_index(drop=True)
        sds = np.array([_sd(study, name, whole.iloc[i]) for name in spread])
        made = _with_factors(study, made, names, dict(zip(spread, np.maximum(1 + sds * normal, 0.0).T, strict=True)))
        found = models.joint_chance(whole.iloc[[i]], made)
        if isinstance(found, Unavailable):
            return found
        chance[i], few[i] = float(found.mean()), float(np.quantile(found, _FEW))
    return LotChance(chance, few, spread)


def lots_findings(models: Models, frame: pd.DataFrame, chance: float) -> list[Problem]:
    """What new lots do to the `chance` of one recipe; nothing where no ingredient says how its lots differ."""
    if not lot_spread(models.study):
        return []
    found = lot_chance(models, frame)
    if isinstance(found, Unavailable):
        return []
    got, less = lots_in_words(found)[0] + _NOT_SEARCHED, chance - float(found.nine_of_ten[0])
    if less <= _MUCH:
        return [Problem("lots", "inform", "optimise", got + _lots_on_record(models, found.spread), "", "")]
    do = "agree a narrower assay with the supplier, or weigh each lot by its own (lot_assay)"
    return [Problem("lots", "warn", "optimise", got + _lots_on_record(models, found.spread), "", do)]


def lots_in_words(found: LotChance) -> list[str]:
    """One sentence a recipe: the chance over lots, and what nine of ten reach."""
    each = ", ".join(f"{name} by an sd of {100 * sd:.3g} %" for name, sd in found.spread.items())
    return [
        f"lots differ in their active part ({each}): with new lots the chance is {100 * mean:.0f} %, and at least"
        f" {100 * least:.0f} % with nine of ten"
        for mean, least in zip(found.chance, found.nine_of_ten, strict=True)
    ]


def _lots_on_record(models: Models, names: Mapping[str, float]) -> str:
    """How many lots the batches were made with: of one, the batch sd holds nothing of how lots differ."""
    rows = models.results.batches.loc[models.results.usable]
    lots = {name: rows[f"lot: {name}"].dropna().nunique() if f"lot: {name}" in rows else 0 for name in names}
    several = [f"{count} lots of {name}" for name, count in lots.items() if count > 1]
    return f"; the batches were made with {' and '.join(several)}, whose part counts twice" if several else ""


def _sd(study: Study, name: str, row: pd.Series) -> float:
    item = next(i for i in study.ingredients if i.name == name)
    return float(item.of(row.get(material_of(name), "")).facts.get("lot_sd", 0.0))


def _with_factors(
    study: Study, made: pd.DataFrame, names: Sequence[str], factors: Mapping[str, Array]
) -> pd.DataFrame:  # fmt: skip
    """Recipes with some levels times their factors (n,), in terms of material with the declared active part."""
    out = made.copy()
    for name, factor in factors.items():
        out[name] = made[name].to_numpy(dtype=float) * factor
    if study.fill is not None:
        return out.drop(columns=study.fill.name)
    total = out[names].to_numpy(dtype=float).sum(axis=1, keepdims=True)
    out[names] = out[names].to_numpy(dtype=float) / total * study.total
    return out
