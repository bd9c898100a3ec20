"""The plan: which trials to make, on which day, in which order, and how good that is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.definition.digests import digest_of
from doe.design.extremes import extremes
from doe.design.filling import filling
from doe.design.findings import plan_findings
from doe.design.groundwork import Groundwork, terms_of, thawed, wish_of
from doe.design.quality import MADE, Quality, assess
from doe.design.textbook import Points
from doe.design.trials import Trials, recipe_numbers
from doe.groups import groupedplan, setups
from doe.ideal.bestpossible import BestByModel
from doe.problems import PlanError, Problem
from doe.search import optimal, weighable
from doe.search.allocation import in_blocks, in_order, repeats, sizes
from doe.search.optimal import Found, Wanted
from doe.shown import Shown
from doe.study import Study
from doe.terms.terms import Terms
from doe.threads import one_thread
from doe.trade import trade_refusals, trial_findings

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

_COLUMNS = ("order", "block", "whole_plot", "replicate_of")


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Design(Shown):
    """A round of trials.

    `table`: whole recipes, one row a trial (T01 ...), columns `study.columns`, adding up to the study's total. `runs`:
    the same trials with order, block, whole_plot and replicate_of (None where there is none). `definition` is the study
    as it stood, `wish` the part of its plan that was overridden. `make_first` are the most extreme trials, in the order
    to be made: see `doe.design.extremes`. `digest` is that of everything in plan.json.
    """

    study_digests: Mapping[str, str]
    round: int
    seed: int
    family: str
    criterion: str
    terms: Terms
    table: pd.DataFrame
    runs: pd.DataFrame
    quality: Quality
    findings: tuple[Problem, ...]
    definition: Mapping[str, Any]
    wish: Mapping[str, Any]
    make_first: tuple[str, ...] = ()

    @property
    def digest(self) -> str:
        """SHA-256 of the plan's own content."""
        return digest_of(self._content())

    def _content(self) -> dict[str, Any]:
        """What plan.json holds beside the digest, which is made of it."""
        rows = []
        for trial in self.table.index:
            row: dict[str, Any] = {"trial": trial}
            row |= {name: self.runs.loc[trial, name] for name in _COLUMNS}
            row["order"] = int(row["order"])
            row["levels"] = {
                str(name): value if isinstance(value, str) else float(value)
                for name, value in self.table.loc[trial].items()
            }
            rows.append({name: value for name, value in row.items() if value is not None})
        return {
            "round": self.round,
            "seed": self.seed,
            "design": self.family,
            "criterion": self.criterion,
            "terms": list(self.terms.labels),
            "sure": list(self.terms.sure),
            "columns": [str(name) for name in self.table.columns],
            "runs": rows,
            "quality": self.quality.to_dict(),
            "findings": [problem.to_dict() for problem in self.findings],
            "digests": dict(self.study_digests),
            "definition": thawed(self.definition),
            "wish": thawed(self.wish),
            **({"make_first": list(self.make_first)} if self.make_first else {}),
        }

    def to_dict(self) -> dict[str, Any]:
        """The content of plan.json."""
        return {**self._content(), "digest": self.digest}

    @classmethod
    def from_dict(cls, source: Mapping[str, Any]) -> Design:
        """A plan as read back from plan.json. Raises PlanError when its digest does not fit its content."""
        study = Study.from_dict(source["definition"])
        wish = wish_of(study, source["wish"])
        trials = [row["trial"] for row in source["runs"]]
        table = pd.DataFrame([row["levels"] for row in source["runs"]], index=pd.Index(trials, name="trial"))
        runs = pd.DataFrame(
            {name: pd.Series([row.get(name) for row in source["runs"]], dtype=object) for name in _COLUMNS}
        ).set_axis(table.index)
        runs["order"] = runs["order"].astype(int)
        made = cls(
            study_digests=MappingProxyType(dict(source["digests"])),
            round=int(source["round"]),
            seed=int(source["seed"]),
            family=source["design"],
            criterion=source["criterion"],
            terms=replace(terms_of(study, wish).terms, sure=tuple(source["sure"])),
            table=table[list(source["columns"])],
            runs=runs,
            quality=Quality.from_dict(source["quality"]),
            findings=tuple(Problem.from_dict(row) for row in source["findings"]),
            definition=MappingProxyType(dict(source["definition"])),
            wish=MappingProxyType(dict(source["wish"])),
            make_first=tuple(source.get("make_first", ())),
        )
        if source.get("digest") not in (None, made.digest):
            got, do = "was changed after it was made", "restore the file, or plan the round again"
            raise PlanError([Problem("plan-changed", "stop", "plan.json", got, "the plan as issued", do)])
        return made

    def __str__(self) -> str:
        return f"Design of {len(self.table)} trials for {len(self.terms)} terms, round {self.round}"

    __repr__ = __str__


@one_thread
def plan(
    study: Study,
    runs: int | None = None,
    seed: int | None = None,
    *,
    round: int = 1,
    first_trial: int = 1,
    existing: pd.DataFrame | None = None,
    **overrides: Any,
) -> Design:
    """Plan a round of trials for `study`.

    `runs` and `seed` replace those of `[plan]`; any other key of `[plan]` may be given by name. `existing` are trials
    already made (columns `study.columns`; `round`, `block`, `whole_plot` where there are any): the new ones are chosen
    to go with them. Trials are numbered from `first_trial`. Same arguments, same plan, byte for byte. Raises PlanError
    with every reason why it cannot be made, among them what checks of the trade stop and `[[accept]]` does not take.
    """
    given = {**overrides, **({} if runs is None else {"runs": runs}), **({} if seed is None else {"seed": seed})}
    design = planned(study, given, round=round, first_trial=first_trial, existing=existing)
    told = [finding for finding in trial_findings(study, design.table) if finding.level != "inform"]
    if stops := trade_refusals(study, told):
        raise PlanError(stops)
    return replace(design, findings=(*design.findings, *told))


def planned(
    study: Study,
    given: Mapping[str, Any],
    best_by_model: BestByModel | None = None,
    *,
    round: int = 1,
    first_trial: int = 1,
    existing: pd.DataFrame | None = None,
) -> Design:
    """The plan with the keys of `[plan]` in `given` replaced; None takes one out.

    `best_by_model` keeps the best possible plans of one study, where several plans are made.
    """
    ground = Groundwork.of(study, given, best_by_model, existing)
    return _Maker(ground, given, round, first_trial).design()


def _with_more(block: list[int], held: int, again: list[int], count: int) -> list[int]:
    """Blocks of a textbook plan with recipes before it and repeats behind: a repeat in the block of its first.

    Where that block has more than its share already, and for what must be made, the smallest block.
    """
    if not block:
        return []
    room = -(-(held + len(block) + len(again)) // count)
    out = [-1] * held + block
    for i in range(held):
        out[i] = min(range(count), key=out.count)
    for root in again:
        out.append(out[root] if out.count(out[root]) < room else min(range(count), key=out.count))
    return out


class _Maker:
    """One plan in the making."""

    def __init__(self, ground: Groundwork, given: Mapping[str, Any], round_: int, first_trial: int) -> None:
        self.ground, self.study, self.wish, self.given = ground, ground.study, ground.wish, given
        self.round, self.first_trial = round_, first_trial
        self.layout, self.grid, self.terms = ground.layout, ground.grid, ground.terms
        self.existing, self.hard, self.made = ground.existing, ground.hard, ground.made
        self.findings = list(ground.findings)
        self.kept: float | None = None

    def design(self) -> Design:
        """The whole plan."""
        wanted, points = self.ground.wanted, self.ground.points
        found = self._optimal(wanted) if points is None else self._textbook(points, wanted)
        n, ahead = len(found.U), len(wanted.standards[0])
        U, C = np.concatenate([wanted.standards[0], found.U]), np.concatenate([wanted.standards[1], found.C])
        where = found.blocks or self._dealt(found, wanted)
        plots = found.plots or setups.by_setting(self.hard, found, where, self.wish.whole_plots)
        plots = [-1 - i for i in range(ahead)] + plots if any(plots) else [0] * (n + ahead)
        block = [k % max(1, wanted.blocks) for k in range(ahead)] + where
        first = self._first(U, ahead)
        order = in_order(block, plots, list(range(ahead)), self.wish.seed, first)
        made = self._written(U[order], C[order], [block[i] for i in order], [plots[i] for i in order], wanted)
        trials = [made.table.index[k] for k, i in enumerate(order) if i in first]
        return replace(made, make_first=tuple(sorted(made.runs.loc[t, "replicate_of"] or t for t in trials)))

    def _first(self, U: Array, ahead: int) -> tuple[int, ...]:
        """The most extreme trials, those beyond low and high before others.

        None where earlier trials have tried the ground, or every recipe was given.
        """
        if len(self.existing[0]) or len(self.wish.must_make) >= len(U):
            return ()
        region = self.layout.region
        X = region.decoded(U)
        beyond = np.flatnonzero(~region.contains(X, 1e-6))
        if len(beyond) and self.wish.design == "central-composite":
            return extremes(region, X, [int(i) for i in beyond if i >= ahead])
        return extremes(region, X, range(ahead, len(U)))

    def _optimal(self, wanted: Wanted) -> Found:
        if groupedplan.needs_groups(self.hard, self.made, wanted):
            found = groupedplan.grouped_plan(self.wish, self.layout, self.hard, self.grid, self.made, wanted)
        else:
            found = optimal.search_plan(self.wish, self.layout, self.grid, self.existing, wanted)
        self.findings += found.findings
        self.kept = found.kept
        return found

    def _textbook(self, points: Points, wanted: Wanted) -> Found:
        runs = None if self.wish.runs is None else self.wish.runs - len(wanted.standards[0])
        self.findings += points.findings
        if points.outside:
            U = self.grid.rounded(points.U)
        else:
            U, done = self.grid.snapped(points.U, points.C)
            self.findings += [] if done.all() else [optimal.off_grid(int((~done).sum()))]
        U, C = np.concatenate([wanted.held[0], U]), np.concatenate([wanted.held[1], points.C])
        more = wanted.repeats_asked if runs is None else max(runs - len(U), 0)
        pick = self._repeated(U, C, more)
        blocks = _with_more(list(points.blocks), len(wanted.held[0]), pick, wanted.blocks)
        return Found(np.concatenate([U, U[pick]]), np.concatenate([C, C[pick]]), blocks=blocks)

    def _repeated(self, U: Array, C: Indices, more: int) -> list[int]:
        criterion = self.layout.criterion(self.wish.criterion)
        return repeats(criterion, self.layout.space.model(U, C), more, range(len(U))) if more else []

    def _dealt(self, found: Found, wanted: Wanted) -> list[int]:
        """Blocks of trials that were chosen without regard to them, as orthogonal to the terms as swaps can make it."""
        n = len(found.U)
        if wanted.blocks < 2:
            return [0] * n
        F = self.layout.space.model(found.U, found.C)
        return [int(b) for b in in_blocks(F, list(range(n)), sizes(n, wanted.blocks), self.wish.seed)]

    def _block_name(self, block: int, wanted: Wanted) -> str | int | None:
        """Where earlier trials were made in blocks, a round without any is one more of them."""
        if wanted.blocks > 1:
            return wanted.block_names[block]
        return f"round {self.round}" if max(self.made.blocks, default=-1) >= 0 else None

    def _written(self, U: Array, C: Indices, block: list[int], plots: list[int], wanted: Wanted) -> Design:
        """The plan in the study's units, its trials named in the order of making, with quality and findings."""
        study, n = self.study, len(U)
        trials = [f"T{self.first_trial + i:02d}" for i in range(n)]
        table = self._table(U, C).set_axis(pd.Index(trials, name="trial"))
        number = recipe_numbers(U, C)
        first: dict[int, str] = {}
        same: list[str | None] = []
        for trial, recipe in zip(trials, number, strict=True):
            same.append(first.get(int(recipe)))
            first.setdefault(int(recipe), trial)
        past = self.made.last_plot
        plot_names = {p: past + i + 1 for i, p in enumerate(dict.fromkeys(plots))} if any(plots) else {}
        runs = pd.DataFrame(
            {
                "order": np.arange(1, n + 1),
                "block": pd.Series([self._block_name(b, wanted) for b in block], dtype=object),
                "whole_plot": pd.Series([plot_names.get(p) for p in plots], dtype=object),
                "replicate_of": pd.Series(same, dtype=object),
            }
        ).set_axis(table.index)
        given = len(self.wish.must_make) >= n
        made = self._trials(U, C, trials, table, block, plots, wanted)
        quality = replace(
            assess(study, self.layout, made, self.ground.best_possible, chosen=not given),
            steps=self._steps_kept(given),
            filling=self._filling(made.U),
        )
        told = plan_findings(self.ground, made, quality, chosen=not given, in_plots=bool(plot_names))
        return Design(
            study_digests=study.digests,
            round=self.round,
            seed=self.wish.seed,
            family=self.wish.design,
            criterion=self.wish.criterion,
            terms=self.terms,
            table=table,
            runs=runs,
            quality=quality,
            findings=(*self.findings, *told),
            definition=MappingProxyType(study.to_dict()),
            wish=MappingProxyType(thawed(self.given)),
        )

    def _filling(self, U: Array) -> dict[str, float]:
        return filling(self.layout.region, U, self.wish.seed) if self.wish.design == "space-filling" else {}

    def _steps_kept(self, given: bool) -> dict[str, Any]:
        if not self.grid.is_coarse or given or self.kept is None:
            return {}
        return {"criterion": self.wish.criterion, "efficiency_kept": self.kept}

    def _trials(
        self, U: Array, C: Indices, trials: list[str], table: pd.DataFrame, block: list[int], plots: list[int],
        wanted: Wanted,
    ) -> Trials:  # fmt: skip
        made = self.made
        return Trials(
            U=np.concatenate([made.U, U]),
            C=np.concatenate([made.C, C]),
            ids=[*(f"{MADE}{i + 1}" for i in range(len(made.U))), *trials],
            levels=table,
            batches_by_block=[block.count(b) for b in range(max(wanted.blocks, 1))],
            strata=setups.strata_of(made, plots, block, self.wish.whole_plot_ratio),
        )

    def _table(self, U: Array, C: Indices) -> pd.DataFrame:
        """Whole recipes (n rows, columns study.columns)."""
        study = self.study
        X = weighable.levels(self.grid.whole, U)
        frame = pd.DataFrame(X, columns=list(self.layout.region.names))
        for name, values in self.layout.chosen(C).items():
            frame[name] = values
        table = study.complete(frame)
        for item in study.ingredients:
            table[item.name] = table[item.name].astype(float).round(10) + 0.0
        return table
