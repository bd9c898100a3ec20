"""The plan: which trials to make, on which day, in which order, and how good that is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe import optimal, textbook, weighable
from doe.allotment import in_blocks, in_order, repeats, sizes
from doe.digests import digest_of
from doe.optimal import Wanted
from doe.parts import PlanWish
from doe.problems import PlanError, Problem, StudyError
from doe.quality import Quality, Trials, assess, recipes
from doe.shown import Shown
from doe.spaces import Layout
from doe.study import Study
from doe.terms import Terms
from doe.threads import one_thread
from doe.yardstick import Yardstick, Yardsticks

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

_COLUMNS = ("order", "block", "whole_plot", "replicate_of")


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Design(Shown):
    """A round of trials.

    `table`: whole recipes, one row a trial (T01 ...), columns `study.columns`, adding up to the study's total. `runs`:
    the same trials with order, block, whole_plot and replicate_of (None where there is none). `definition` is the study
    as it stood, `wish` the part of its plan that was overridden. `digest` is that of everything in plan.json.
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

    @property
    def digest(self) -> str:
        """SHA-256 of the plan's own content."""
        return digest_of(self._content())

    def _content(self) -> dict[str, Any]:
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
            "definition": _thawed(self.definition),
            "wish": _thawed(self.wish),
        }

    def to_dict(self) -> dict[str, Any]:
        """The content of plan.json."""
        return {**self._content(), "digest": self.digest}

    @classmethod
    def from_dict(cls, source: Mapping[str, Any]) -> Design:
        """A plan as read back from plan.json. Raises PlanError when its digest does not fit its content."""
        study = Study.from_dict(source["definition"])
        wish = _wish(study, source["wish"])
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
            terms=replace(_terms(study, wish), sure=tuple(source["sure"])),
            table=table[list(source["columns"])],
            runs=runs,
            quality=Quality.from_dict(source["quality"]),
            findings=tuple(Problem(**row) for row in source["findings"]),
            definition=MappingProxyType(dict(source["definition"])),
            wish=MappingProxyType(dict(source["wish"])),
        )
        if source.get("digest") not in (None, made.digest):
            got, do = "was changed after it was made", "restore the file, or plan the round again"
            raise PlanError([Problem("plan-changed", "stop", "plan.json", got, "the plan as issued", do)])
        return made

    def __str__(self) -> str:
        return f"Design of {len(self.table)} trials for {len(self.terms)} terms, round {self.round}"

    __repr__ = __str__


def _thawed(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(k): _thawed(v) for k, v in value.items()}
    if isinstance(value, (tuple, list)):
        return [_thawed(v) for v in value]
    return value.item() if isinstance(value, np.generic) else value


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
    already made (columns `study.columns`): the new ones are chosen to go with them. Trials are numbered from
    `first_trial`. Same arguments, same plan, byte for byte. Raises PlanError with every reason why it cannot be made.
    """
    given = {**overrides, **({} if runs is None else {"runs": runs}), **({} if seed is None else {"seed": seed})}
    return planned(study, given, round=round, first_trial=first_trial, existing=existing)


def planned(
    study: Study,
    given: Mapping[str, Any],
    yardsticks: Yardsticks | None = None,
    *,
    round: int = 1,
    first_trial: int = 1,
    existing: pd.DataFrame | None = None,
) -> Design:
    """The plan with the keys of `[plan]` in `given` replaced; None takes one out.

    `yardsticks` keep what plans of one study share, where several are made.
    """
    wish = _wish(study, given)
    terms = _terms(study, wish)
    count = _count(wish, terms)
    if wish.maybe is None and count is not None:
        owed = count + (0 if existing is None else len(existing))
        terms = terms.with_maybe(owed)
    yardstick = (yardsticks or Yardsticks()).of(study.region, terms)
    return _Maker(study, wish, yardstick, given, round, first_trial, existing).design()


def _wish(study: Study, given: Mapping[str, Any]) -> PlanWish:
    """The plan of the study with some keys replaced (None takes one out), checked as study.toml is."""
    if not given:
        return study.plan
    source = study.to_dict()
    plan_keys = {**source.get("plan", {}), **{k: _thawed(v) for k, v in given.items()}}
    source["plan"] = {k: v for k, v in plan_keys.items() if v is not None}
    try:
        return Study.from_dict(source).plan
    except StudyError as error:
        raise PlanError(p for p in error.problems if p.level == "stop") from None


def _terms(study: Study, wish: PlanWish) -> Terms:
    """The terms planned for: those of an ingredient that no longer moves (a withdrawn one) are left out."""
    terms = Terms.build(study.region, model=wish.model, terms=wish.terms, maybe=wish.maybe)
    return terms.without(_still(study))


def _still(study: Study) -> list[str]:
    """Columns whose true reach is a single level."""
    return [n for n, (low, high) in study.region.reach.items() if high - low <= 1e-9 * max(1.0, abs(high))]


def _count(wish: PlanWish, terms: Terms) -> int | None:
    if wish.runs is not None:
        return wish.runs
    # Nine trials beyond the terms: five for lack of fit and four for pure error (common practice, no source).
    return terms.n_sure + 9 if wish.design == "optimal" else None


class _Maker:
    """One plan in the making."""

    def __init__(
        self,
        study: Study,
        wish: PlanWish,
        yardstick: Yardstick,
        given: Mapping[str, Any],
        round_: int,
        first_trial: int,
        existing: pd.DataFrame | None,
    ) -> None:
        self.study, self.wish, self.given = study, wish, given
        self.round, self.first_trial = round_, first_trial
        self.yardstick = yardstick
        self.layout: Layout = yardstick.plan
        self.terms: Terms = self.layout.terms
        steps = {i.name: i.step for i in study.ingredients} | {f.name: f.step for f in study.factors}
        self.grid = weighable.grid(study.region, steps)
        self.existing = optimal.recipes_in(study, self.layout, existing)
        self.findings: list[Problem] = []

    def design(self) -> Design:
        """The whole plan."""
        wanted = optimal.wanted(self.study, self.wish, self.layout, self.existing)
        if self.wish.design == "optimal":
            U, C, plots = self._optimal(wanted)
        else:
            U, C, plots = self._textbook(wanted)
        U, C = np.concatenate([wanted.standards[0], U]), np.concatenate([wanted.standards[1], C])
        standards = list(range(len(wanted.standards[0])))
        plots = [-1001 - i for i in standards] + plots if any(plots) else [0] * len(U)
        groups = plots if any(plots) else list(range(len(U)))
        block = self._blocks(U, C, groups, standards, wanted)
        order = in_order(block, plots, standards, self.wish.seed)
        return self._written(U[order], C[order], [block[i] for i in order], [plots[i] for i in order], wanted)

    def _optimal(self, wanted: Wanted) -> tuple[Array, Indices, list[int]]:
        found = optimal.search_plan(self.study, self.wish, self.layout, self.grid, self.existing, wanted)
        self.findings += found.findings
        return found.U, found.C, found.plots

    def _textbook(self, wanted: Wanted) -> tuple[Array, Indices, list[int]]:
        runs = None if self.wish.runs is None else self.wish.runs - len(wanted.standards[0])
        found = textbook.points(self.study, self.layout, self.wish, runs)
        self.findings += found.findings
        U, done = weighable.snapped(self.grid, found.U) if not found.outside else (found.U, None)
        if done is not None and not done.all():
            self.findings.append(optimal.off_grid(int((~done).sum())))
        C = found.C
        U, C = np.concatenate([wanted.held[0], U]), np.concatenate([wanted.held[1], C])
        more = wanted.repeats_asked if runs is None else max(runs - len(U), 0)
        pick = self._repeated(U, C, more)
        return np.concatenate([U, U[pick]]), np.concatenate([C, C[pick]]), []

    def _repeated(self, U: Array, C: Indices, more: int) -> list[int]:
        criterion = self.layout.criterion(self.wish.criterion)
        return repeats(criterion, self.layout.space.model(U, C), more, range(len(U))) if more else []

    def _blocks(self, U: Array, C: Indices, groups: list[int], standards: list[int], wanted: Wanted) -> list[int]:
        if wanted.blocks < 2:
            return [0] * len(U)
        free = [i for i in range(len(U)) if i not in standards]
        F = self.layout.space.model(U[free], C[free])
        names = {g: k for k, g in enumerate(dict.fromkeys(groups[i] for i in free))}
        where = in_blocks(F, [names[groups[i]] for i in free], sizes(len(free), wanted.blocks), self.wish.seed)
        out = [0] * len(U)
        for i, b in zip(free, where, strict=True):
            out[i] = int(b)
        for k, i in enumerate(standards):
            out[i] = k % wanted.blocks
        return out

    def _written(self, U: Array, C: Indices, block: list[int], plots: list[int], wanted: Wanted) -> Design:
        study, n = self.study, len(U)
        trials = [f"T{self.first_trial + i:02d}" for i in range(n)]
        table = self._table(U, C).set_axis(pd.Index(trials, name="trial"))
        number = recipes(U, C)
        first: dict[int, str] = {}
        same: list[str | None] = []
        for trial, recipe in zip(trials, number, strict=True):
            same.append(first.get(int(recipe)))
            first.setdefault(int(recipe), trial)
        plot_names = {p: i + 1 for i, p in enumerate(dict.fromkeys(plots))} if any(plots) else {}
        runs = pd.DataFrame(
            {
                "order": np.arange(1, n + 1),
                "block": pd.Series([wanted.block_names[b] if wanted.blocks > 1 else None for b in block], dtype=object),
                "whole_plot": pd.Series([plot_names.get(p) for p in plots], dtype=object),
                "replicate_of": pd.Series(same, dtype=object),
            }
        ).set_axis(table.index)
        given = len(self.wish.must_make) >= n
        made = self._trials(U, C, trials, table, block, wanted)
        quality = assess(study, self.layout, made, self.yardstick, chosen=not given)
        self._tell(quality, plot_names)
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
            findings=tuple(self.findings),
            definition=MappingProxyType(study.to_dict()),
            wish=MappingProxyType(_thawed(self.given)),
        )

    def _trials(
        self, U: Array, C: Indices, trials: list[str], table: pd.DataFrame, block: list[int], wanted: Wanted
    ) -> Trials:
        old = self.existing
        return Trials(
            U=np.concatenate([old[0], U]),
            C=np.concatenate([old[1], C]),
            ids=[*(f"made {i + 1}" for i in range(len(old[0]))), *trials],
            levels=table,
            batches_by_block=[block.count(b) for b in range(max(wanted.blocks, 1))],
            blocks=[0] * len(U) if wanted.blocks < 2 and not len(old[0]) else [-1] * len(old[0]) + block,
        )

    def _table(self, U: Array, C: Indices) -> pd.DataFrame:
        """Whole recipes (n rows, columns study.columns)."""
        study = self.study
        X = weighable.levels(self.grid, U)
        frame = pd.DataFrame(X, columns=list(study.region.names))
        for name, values in self.layout.chosen(C).items():
            frame[name] = values
        table = study.complete(frame)
        for item in study.ingredients:
            table[item.name] = table[item.name].astype(float).round(10) + 0.0
        return table

    def _tell(self, quality: Quality, plots: Mapping[int, int]) -> None:
        for name in _still(self.study):
            got = f"stays at {self.study.region.reach[name][0]:g}, so the plan has no terms in it"
            self.findings.append(
                Problem("does-not-move", "inform", name, got, "", "widen its limits to learn about it")
            )
        if plots:
            got = f"the hard-to-change factors are set {len(plots)} times; trials between two settings share one"
            do = "read the plan's figures as those of independent batches; effects of these factors are less sure"
            self.findings.append(Problem("whole-plots", "inform", "[plan], whole_plots", got, "", do))
        if quality.df["pure_error"] == 0:
            got, do = "no trial is repeated, so lack of fit cannot be tested", "give replicate_batches = 3 or more runs"
            self.findings.append(Problem("no-repeats", "inform", "[plan]", got, "", do))
        if not all(self.terms.sure) and self.wish.maybe is None:
            got = f"fewer trials than the {len(self.terms)} terms: those beyond the first order are not owed a run each"
            do = "more runs make them sure"
            self.findings.append(Problem("maybe-terms", "inform", "[plan], runs", got, "", do))
