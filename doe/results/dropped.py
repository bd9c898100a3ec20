"""What batches hold that the present definition cannot express: which are out, why, and what lets them count."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from doe.definition.parts import Ingredient
from doe.problems import Problem, listed, rounded

GONE_SHARE = 0.01  # of the total: a now fixed ingredient further off than this is another formula; our choice
_ALIKE = 0.05  # of its level: weighings of one level; our choice


@dataclass(frozen=True, slots=True)
class Out:
    """Why a batch is out, and what would let it count."""

    why: str
    remedy: str


def dropped(name: str, values: pd.Series, *, fixed: bool = False) -> tuple[dict[str, Out], list[Problem]]:
    """Batches that hold what was dropped, out by batch id; and what has to be said where they stay.

    `values` by batch id are levels of an ingredient, or settings of a factor, that is no longer in the study, or is an
    ingredient `fixed` at 0 now. Where it was 0 nothing changes. Where every batch had the same of it they all stay:
    the models then speak of that setting only, which is said.
    """
    numbers = pd.to_numeric(values, errors="coerce")
    there = values.notna() & ~(numbers == 0)
    if not there.any():
        return {}, []
    gone = "is now fixed at 0" if fixed else "is no longer in the study"
    if values.notna().all() and _all_alike(values, numbers):
        was = values.iloc[0] if numbers.isna().any() else rounded(float(numbers.mean()))
        do = "kept; the models speak of batches made so: confirm a formula before relying on its numbers"
        return {}, [Problem("dropped", "warn", name, f"{gone}, and was {was} in every batch", "", do)]
    why = f"made with {name}, which {gone}"
    if fixed:
        remedy = f"with withdrawn = true in place of level = 0, {name} stays in the models and they count"
    elif numbers[there].notna().all():
        why += f' (where it only has another name now: was = ["{name}"])'
        remedy = f"with {name} back in study.toml and withdrawn = true (an ingredient: level 0 from now on) they count"
    else:
        remedy = f"with {name} back in study.toml and its levels with it they count; hold it with optimise --hold"
    return dict.fromkeys(map(str, values.index[there]), Out(why, remedy)), []


def fixed_elsewhere(item: Ingredient) -> Out:
    """Why batches are out that were made far off the level that an ingredient is now fixed at."""
    level = rounded(item.level or 0.0)
    remedy = (
        f"with low and high around what was tried in place of level = {level} they count; "
        f'hold it with optimise --hold "{item.name}={level}"'
    )
    return Out(f"{item.name} is now fixed at {level}", remedy)


def dropped_findings(out: Mapping[str, Out]) -> list[Problem]:
    """One finding for each reason for which batches are out."""
    reasons: dict[Out, list[str]] = {}
    for batch, one in out.items():
        reasons.setdefault(one, []).append(batch)
    return [
        Problem("out", "warn", listed(batches), one.why, "what the present study can express",
                f"left out of the fit, kept in the folder; {one.remedy}")
        for one, batches in reasons.items()
    ]  # fmt: skip


def none_left(out: Sequence[Out]) -> Problem:
    """That none of the batches which counted is left, why each, and the ways on from there."""
    reasons = Counter(one.why for one in out)
    each = "; ".join(f"{number} {why}" if len(reasons) > 1 else why for why, number in reasons.items())
    ways = list(dict.fromkeys(one.remedy for one in out))
    return Problem(
        "none-left", "warn", "results", f"none of the {len(out)} batches on record counts any more: {each}",
        "batches of what the study is now", "; ".join([*ways, "or plan new trials: blendwright plan FOLDER"]),
    )  # fmt: skip


def _all_alike(values: pd.Series, numbers: pd.Series) -> bool:
    if numbers.isna().any():
        return len(set(values)) == 1
    return bool(numbers.max() - numbers.min() <= _ALIKE * abs(numbers.max()))
