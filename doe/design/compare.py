"""Plans side by side: numbers of trials, criteria and families, with what each shows, its days and its money."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd

from doe.design.design import Design, planned
from doe.design.power import matters_of
from doe.design.quality import Figure, Quality
from doe.ideal.bestpossible import BestByModel
from doe.problems import PlanError, Unavailable
from doe.split import split
from doe.study import Study
from doe.threads import one_thread

WORTH = 0.10  # a day that shrinks the smallest visible difference by less than this does not pay: our own choice
_COUNTS = 6  # numbers of trials that are compared
_CROWDED = {"too-many-repeats", "too-few-runs"}
_NEEDS_MORE = {"fewer-runs-than-points", "fewer-runs-than-vertices", "no-fraction"}
_OF_A_FAMILY = ("fraction", "centre_points", "axial", "degree", "whole_plots")

CRITERIA = {
    "I": "optimal for predictions (I)",
    "D": "optimal for terms (D)",
    "A": "optimal for coefficients (A)",
}
FAMILIES = {
    "lattice": "simplex lattice",
    "centroid": "simplex centroid",
    "vertices": "extreme vertices",
    "factorial": "full factorial",
    "fractional": "fractional factorial",
    "plackett-burman": "Plackett-Burman",
    "definitive-screening": "definitive screening",
    "central-composite": "central composite",
    "box-behnken": "Box-Behnken",
    "space-filling": "space-filling",
}
FACE = "central composite, face-centred"
_Task = tuple[str, Mapping[str, Any], bool]  # name, keys of [plan] to replace, whether it is the study's own kind


@dataclass(frozen=True, slots=True, eq=False)
class Option:
    """One plan that was weighed.

    `plan` names its kind; `own` says that it is the study's own kind of plan, at this number of trials. `asked` are the
    keys of `[plan]` that were replaced, `terms` the sure terms of its model, beside which `potential` others
    are planned for: what it shows is of the sure ones alone. `quality` is that of the whole plan, or says why it cannot
    be made. `of_matters` is, for each response, the smallest difference that will be seen with 80 %
    chance, over the difference that matters. `told` says what was changed to make the plan possible.
    """

    runs: int
    plan: str
    own: bool
    asked: Mapping[str, Any]
    terms: tuple[str, ...]
    repeats: int
    quality: Quality | Unavailable
    of_matters: Mapping[str, Figure]
    told: tuple[str, ...] = ()
    potential: int = 0

    @property
    def worst(self) -> tuple[str, float] | None:
        """The response whose smallest visible difference is largest against what matters, and that share."""
        known = [(name, share) for name, share in self.of_matters.items() if isinstance(share, float)]
        return max(known, key=lambda pair: pair[1], default=None)

    @property
    def resets(self) -> int:
        """How often what is hard to change is set up; 0 where nothing is."""
        return int(self.quality.whole_plots.get("resets", 0)) if isinstance(self.quality, Quality) else 0

    @property
    def shows(self) -> tuple[bool, ...]:
        """For each response that says what matters: whether it will be seen with 80 % chance."""
        return tuple(share <= 1 + 1e-9 for share in self.of_matters.values() if isinstance(share, float))


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """Plans of one study side by side: those of its own kind first, by number of trials, then others.

    `stops_paying` and `reaches` speak of the study's own kind of plan with one and the same model; see `stopping` for
    the rule. `measure` says by what that rule goes.
    """

    options: tuple[Option, ...]
    measure: str
    stops_paying: int | Unavailable
    reaches: int | Unavailable

    @classmethod
    @one_thread
    def of(
        cls,
        study: Study,
        runs: Sequence[int] | None = None,
        *,
        others: bool = True,
        seed: int | None = None,
        existing: pd.DataFrame | None = None,
        done: Callable[[int, int], None] = lambda plans, of: None,
    ) -> Comparison:
        """Weigh the study's own kind of plan at each of `runs` (else at counts that suit it), and other kinds at one.

        What the plans share, the best possible plan and its proof above all, is found once. Where the repeats asked for
        do not fit a number of trials, as many as fit are taken and the option says so. `seed` and `existing` are those
        of `plan`; `done` is told how many plans of how many there are so far.
        """
        ground = _Ground(study, {} if seed is None else {"seed": seed}, existing, BestByModel())
        made = 0 if existing is None else len(existing)
        counts = sorted({int(n) for n in runs}) if runs is not None else run_counts(study, made)
        wish = study.plan.runs
        middle = wish if wish in counts else counts[(len(counts) - 1) // 2]
        tasks: list[_Task] = [(_own_name(study), {"runs": n}, True) for n in counts]
        tasks += [(name, asked, False) for name, asked in (_others(study, middle) if others else [])]
        # The largest of the study's own kind first and here: what it finds out of the best possible plan, all share.
        at = len(counts) - 1
        first = _weighed(ground, tasks[at])
        done(1, len(tasks))
        others_left = tasks[:at] + tasks[at + 1 :]
        rest = split(partial(_weighed, ground), others_left, done=lambda k: done(k + 1, len(tasks)))
        options = [*rest[:at], first, *rest[at:]]
        own, more = options[: len(counts)], options[len(counts) :]
        same = _one_model(own)
        measure, points = _points(study, same)
        return cls((*own, *more), measure, stopping(points), _reach(same))

    @property
    def table(self) -> pd.DataFrame:
        """One row a plan, indexed by its number of trials; see `compare`."""
        names = [name for option in self.options[:1] for name in option.of_matters]
        rows = [_row(option, names) for option in self.options]
        return pd.DataFrame(rows, index=pd.Index([o.runs for o in self.options], name="runs")).astype(object)


def compare(study: Study, runs: Sequence[int] | None = None, *, others: bool = False) -> pd.DataFrame:
    """Plans of several sizes side by side, one row a plan, indexed by the number of trials.

    `others` adds other criteria, the plan without repeats, and the textbook plans that fit the study. Columns: plan,
    d_efficiency, i_efficiency, prediction_sd_mean, prediction_sd_max, lack_of_fit_df, pure_error_df; for each response
    `can_see NAME` (the smallest difference seen with 80 % chance), `chance NAME` (to see what matters) and `of_matters
    NAME` (the first over what matters); days, cost, repeats, and in told what was changed to make it possible. A figure
    that does not exist is an Unavailable.
    """
    return Comparison.of(study, runs, others=others).table


@dataclass(frozen=True, slots=True, eq=False)
class _Ground:
    """What all plans of one comparison have in common."""

    study: Study
    given: Mapping[str, Any]
    existing: pd.DataFrame | None
    best_by_model: BestByModel

    def plan(self, asked: Mapping[str, Any]) -> Design:
        """The plan with these keys of `[plan]` replaced."""
        return planned(self.study, {**self.given, **asked}, self.best_by_model, existing=self.existing)


def run_counts(study: Study, made: int = 0) -> list[int]:
    """About six numbers of trials that fill whole days, and the number the study asks for.

    In equal steps by ratio, from just above the number of terms, or of points of a textbook plan, to two and a half
    times as many, but to no more than the study means to make in all; `made` trials there are already. Our own choice.
    """
    terms = len(study.terms().terms)
    wish = study.plan.runs if study.plan.runs is not None or study.plan.design != "optimal" else terms + 9
    least = wish if wish is not None and wish <= terms else terms + 1
    if study.plan.design != "optimal":
        try:
            least = len(planned(study, {"runs": None}).table)
        except PlanError:
            least = wish or least
    least = max(2, least - made)
    day = max(1, min(round(study.batches_per_day), least // 4))
    first = -(-least // day) * day
    last = min(2.5 * first, study.done.max_batches or np.inf)
    last = max(last, 1.5 * first, wish or 0)
    steps = first * (last / first) ** np.linspace(0, 1, _COUNTS)
    return sorted({*(round(n / day) * day for n in steps), *([wish] if wish is not None else [])})


def stopping(points: Sequence[tuple[int, float, float]]) -> int | Unavailable:
    """The number of trials from which on a further day does not pay.

    `points` are (trials, days of batches, smallest visible difference), by growing number of trials. The first is taken
    after which no larger number makes the difference smaller by 10 % or more for each day it costs more, compounded.
    """
    for k, (runs, day, size) in enumerate(points[:-1]):
        gains = [1 - (smaller / size) ** (1 / (later - day)) for _, later, smaller in points[k + 1 :]]
        if all(gain < WORTH for gain in gains):
            return runs
    if len(points) < 2:
        return Unavailable("too few of these numbers of trials can be compared", "compare larger numbers of trials")
    return Unavailable(
        f"even the last day, up to {points[-1][0]} trials, makes the smallest visible difference smaller by "
        f"{100 * WORTH:g} % or more",
        "compare larger numbers of trials, or stop at what matters",
    )


def _own_name(study: Study) -> str:
    plan = study.plan
    if plan.design == "central-composite" and plan.axial == "face":
        return FACE
    return FAMILIES.get(plan.design, CRITERIA[plan.criterion])


def _weighed(ground: _Ground, task: _Task) -> Option:
    """One plan made and weighed, with fewer repeats or more trials where it is not possible otherwise."""
    told: list[str] = []
    study, (name, asked, own) = ground.study, task
    try:
        design = _made(ground, dict(asked), told)
    except PlanError as error:
        first = error.problems[0]
        family = str(asked.get("design") or study.plan.design)
        why = Unavailable(first.got.removeprefix(f"{family}: "), first.do)
        missing: dict[str, Figure] = {r.name: why for r in study.fitted_responses}
        return Option(int(asked.get("runs") or 0), name, own, MappingProxyType(dict(asked)), (), 0, why, missing)
    sure = tuple(t for t, flag in zip(design.terms.labels, design.terms.sure, strict=True) if flag)
    potential = len(design.terms) - len(sure)
    if potential:
        told.append(f"{potential} of {len(design.terms)} terms are only potential: what is shown is of the others")
    resets = design.quality.whole_plots.get("resets")
    if resets:
        told.append(f"what is hard to change is set up {resets} times")
    return Option(
        runs=len(design.table),
        plan=name,
        own=own,
        asked=MappingProxyType(dict(asked)),
        terms=sure,
        repeats=int(design.runs["replicate_of"].notna().sum()),
        quality=design.quality,
        of_matters=MappingProxyType({r.name: _of_matters(design.quality, r) for r in study.fitted_responses}),
        told=tuple(told),
        potential=potential,
    )


def _made(ground: _Ground, asked: dict[str, Any], told: list[str]) -> Design:
    """The plan; where its repeats do not fit, with as many as fit; where a textbook plan is larger, whole."""
    plan = ground.study.plan
    wished = max(
        asked.get("replicate_batches", plan.replicate_batches) or 0, asked.get("pure_error_df", plan.pure_error_df) or 0
    )
    for repeats in range(wished, -1, -1):
        fewer = {} if repeats == wished else {"replicate_batches": repeats, "pure_error_df": None}
        try:
            design = ground.plan({**asked, **fewer})
        except PlanError as error:
            codes = {problem.code for problem in error.problems if problem.level == "stop"}
            if codes <= _NEEDS_MORE and asked.get("design") and asked.get("runs"):
                told.append(f"needs more than {asked['runs']} trials")
                return _made(ground, {**asked, "runs": None}, told)
            if repeats == 0 or not codes <= _CROWDED:
                raise
        else:
            if fewer:
                told.append(f"{_repeats(repeats)} instead of {wished}, which is what fits")
            return design
    raise AssertionError("the last try either returns or raises")


def _repeats(count: int) -> str:
    return {0: "no repeats", 1: "1 repeat"}.get(count, f"{count} repeats")


def _others(study: Study, runs: int) -> list[tuple[str, dict[str, Any]]]:
    """Other kinds of plan for the study at `runs` trials: (name, keys of [plan])."""
    plan, plain = study.plan, dict.fromkeys(_OF_A_FAMILY)
    found: list[tuple[str, dict[str, Any]]] = [
        (name, {**plain, "design": "optimal", "criterion": letter, "runs": runs})
        for letter, name in CRITERIA.items()
        if plan.design != "optimal" or plan.criterion != letter
    ]
    if plan.design == "optimal":
        found = [(name, {"criterion": asked["criterion"], "runs": runs}) for name, asked in found]
        asked_for = max(plan.replicate_batches or 0, plan.pure_error_df or 0)
        told = plan.replicate_batches is not None or plan.pure_error_df is not None
        none_now = told and asked_for == 0
        count = 4 if none_now else 0
        name = f"as planned, {'4 repeats' if none_now else 'no repeats asked for'}"
        found.append((name, {"replicate_batches": count, "pure_error_df": None, "runs": runs}))
    for family, axial in _families(study):
        name = FACE if axial else FAMILIES[family]
        if name != _own_name(study):
            found.append((name, {**plain, "design": family, "axial": axial, "runs": runs}))
    return found


def _families(study: Study) -> list[tuple[str, str | None]]:
    """Textbook families for what the study varies and for the degree of its model: (family, axial)."""
    if study.region.blend:
        return [("lattice", None), ("centroid", None), ("vertices", None), ("space-filling", None)]
    if study.terms().degree < 2:
        names = ("factorial", "fractional", "plackett-burman", "definitive-screening")
        return [(name, None) for name in names]
    return [
        ("central-composite", None), ("central-composite", "face"), ("box-behnken", None),
        ("definitive-screening", None), ("space-filling", None),
    ]  # fmt: skip


def _of_matters(quality: Quality, response: Any) -> Figure:
    seen, matters = quality.can_see[response.name], matters_of(response)
    if isinstance(seen, Unavailable):
        return seen
    if isinstance(matters, Unavailable):
        return matters
    return float(seen["difference"]) / matters if matters > 0 else Unavailable("matters is 0", "give matters above 0")


def _one_model(own: Sequence[Option]) -> list[Option]:
    """The study's own kind of plan with one and the same model: that of most of them, of the larger ones in a tie."""
    made = [option for option in own if isinstance(option.quality, Quality)]
    if not made:
        return []
    count: dict[tuple[str, ...], int] = {}
    for option in made:
        count[option.terms] = count.get(option.terms, 0) + 1
    terms = max(made, key=lambda option: (count[option.terms], option.runs)).terms
    return [option for option in made if option.terms == terms]


def _points(study: Study, same: Sequence[Option]) -> tuple[str, list[tuple[int, float, float]]]:
    """By what plans are measured, and (runs, days of batches, that measure) of those where it is known."""
    day = max(study.batches_per_day, 1e-9)
    by_matters = [(o.runs, o.runs / day, o.worst[1]) for o in same if o.worst is not None]
    if by_matters:
        return "smallest difference seen; 1 is what matters", by_matters
    found: list[tuple[int, float, float]] = []
    for option in same:
        if isinstance(option.quality, Quality):
            value = option.quality.prediction_sd["mean"]
            found += [(option.runs, option.runs / day, value)] if isinstance(value, float) else []
    return "mean sd of a prediction, in sds between batches", found


def _reach(same: Sequence[Option]) -> int | Unavailable:
    """The fewest trials from which on every response that says what matters shows it."""
    judged = [option for option in same if option.shows]
    if not judged:
        return Unavailable("no response says what differences matter", 'give sd and matters, e.g. "10 %" and "20 %"')
    for k, option in enumerate(judged):
        if all(all(later.shows) for later in judged[k:]):
            return option.runs
    return Unavailable(
        f"no number of trials up to {judged[-1].runs} shows in every response what matters",
        "compare larger numbers, a smaller model, or say whether a larger difference would do",
    )


def _row(option: Option, names: Sequence[str]) -> dict[str, Any]:
    quality = option.quality
    if isinstance(quality, Unavailable):
        figures: dict[str, Any] = dict.fromkeys(
            ("d_efficiency", "i_efficiency", "prediction_sd_mean", "prediction_sd_max", "lack_of_fit_df",
             "pure_error_df"), quality)  # fmt: skip
        seen = {f"{key} {name}": quality for name in names for key in ("can_see", "chance", "of_matters")}
        return {"plan": option.plan, **figures, **seen, "days": quality, "cost": quality, "repeats": quality,
                "told": ""}  # fmt: skip
    out: dict[str, Any] = {
        "plan": option.plan,
        "d_efficiency": quality.d_efficiency,
        "i_efficiency": quality.i_efficiency,
        "prediction_sd_mean": quality.prediction_sd["mean"],
        "prediction_sd_max": quality.prediction_sd["max"],
        "lack_of_fit_df": quality.df["lack_of_fit"],
        "pure_error_df": quality.df["pure_error"],
    }
    for name in names:
        entry = quality.can_see[name]
        out[f"can_see {name}"] = entry if isinstance(entry, Unavailable) else entry["difference"]
        out[f"chance {name}"] = entry if isinstance(entry, Unavailable) else entry["chance"]
        out[f"of_matters {name}"] = option.of_matters[name]
    told = "; ".join(option.told)
    return {**out, "days": quality.days, "cost": quality.cost, "repeats": option.repeats, "told": told}
