"""The plan: which trials to make, on which day, in which order, and how good that is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe import optimal, seating, setups, textbook, weighable
from doe.allotment import in_blocks, in_order, repeats, sizes
from doe.digests import digest_of
from doe.extremes import extremes
from doe.grids import grids
from doe.lattice import cases, too_coarse
from doe.optimal import Found, Wanted
from doe.parts import PlanWish
from doe.problems import PlanError, Problem, StudyError
from doe.quality import Quality, Trials, assess, recipes
from doe.region import Region
from doe.shown import Shown
from doe.spaces import Layout
from doe.study import Study
from doe.terms import Terms
from doe.threads import one_thread
from doe.wholeplots import Hard
from doe.yardstick import Yardstick, Yardsticks

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

_ORTHOGONAL = 0.99
_COLUMNS = ("order", "block", "whole_plot", "replicate_of")


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Design(Shown):
    """A round of trials.

    `table`: whole recipes, one row a trial (T01 ...), columns `study.columns`, adding up to the study's total. `runs`:
    the same trials with order, block, whole_plot and replicate_of (None where there is none). `definition` is the study
    as it stood, `wish` the part of its plan that was overridden. `make_first` are the most extreme trials, in the order
    to be made: see `doe.extremes`. `digest` is that of everything in plan.json.
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
            **({"make_first": list(self.make_first)} if self.make_first else {}),
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
            make_first=tuple(source.get("make_first", ())),
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
    already made (columns `study.columns`; `round`, `block`, `whole_plot` where there are any): the new ones are chosen
    to go with them. Trials are numbered from `first_trial`. Same arguments, same plan, byte for byte. Raises PlanError
    with every reason why it cannot be made.
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
    if not study.region.dimension and not study.region.categories:
        got, do = "leave one recipe only: there is nothing to choose", "give an ingredient or a factor low below high"
        raise PlanError([Problem("one-recipe", "stop", "the limits", got, "a region with room in it", do)])
    terms = _terms(study, wish)
    count = _count(wish, terms)
    if wish.maybe is None and count is not None:
        owed = count + (0 if existing is None else len(existing))
        terms = terms.with_maybe(owed)
    region = _in_order(study)
    inner = _terms_in_order(terms, region)
    yardstick = (yardsticks or Yardsticks()).of(region, inner)
    return _Maker(study, wish, yardstick, terms, given, round, first_trial, existing).design()


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


def _span(sizes: list[int]) -> str:
    if max(sizes) == 1:
        return "one trial"
    return f"{sizes[0]} trials" if min(sizes) == max(sizes) else f"{min(sizes)} to {max(sizes)} trials"


def _in_order(study: Study) -> Region:
    """The study's region with its ingredients in an order of their own, so that theirs in the file does not matter.

    By reach, then name: the search for a plan goes through ingredients in turn, and where it ends depends on the order.
    """
    reach = study.region.reach
    source = study.to_dict()
    rows = source.get("ingredient", [])
    nowhere = (0.0, 0.0)
    source["ingredient"] = sorted(rows, key=lambda row: (reach.get(row["name"], nowhere), row["name"]))
    return study.region if source["ingredient"] == rows else Study.from_dict(source).region


def _terms_in_order(terms: Terms, region: Region) -> Terms:
    """The terms for the region with its ingredients in order: lower ones first, as far as they tell by themselves."""
    columns = {name: j for j, name in enumerate(region.names)}

    def place(k: int) -> tuple[Any, ...]:
        term = terms.terms[k]
        numbers = tuple(sorted((columns[name], power) for name, power in term.powers))
        return term.order, bool(term.level), numbers, term.level, bool(term.difference), k

    order = sorted(range(len(terms)), key=place)
    return replace(
        terms,
        terms=tuple(terms.terms[k] for k in order),
        sure=tuple(terms.sure[k] for k in order),
        names=region.names,
        blend=region.blend,
    )


def _still(study: Study) -> list[str]:
    """Columns whose true reach is a single level, and their materials."""
    still = [n for n, (low, high) in study.region.reach.items() if high - low <= 1e-9 * max(1.0, abs(high))]
    return still + [f.name for f in study.category_factors if f.of in still]


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
        terms: Terms,
        given: Mapping[str, Any],
        round_: int,
        first_trial: int,
        existing: pd.DataFrame | None,
    ) -> None:
        self.study, self.wish, self.given = study, wish, given
        self.round, self.first_trial = round_, first_trial
        self.yardstick = yardstick
        self.layout: Layout = yardstick.plan
        self.terms = terms
        region = self.layout.region
        self.grid = grids(region, study.steps_at)
        self.existing = optimal.recipes_in(study, self.layout, existing)
        self.hard = Hard.of(study, self.layout)
        self.made = setups.made_before(self.existing, existing)
        self.findings: list[Problem] = []
        self.kept: float | None = None
        told = [too_coarse(piece, steps) for piece, steps, _ in cases(region, study.steps_at)]
        stops = [[p for p in problems if p.code == "no-step-recipe"] for problems in told]
        if all(stops):
            raise PlanError(replace(p, level="stop") for problems in stops for p in problems)

    def design(self) -> Design:
        """The whole plan."""
        wanted = optimal.wanted(self.study, self.wish, self.layout, self.existing)
        found = self._optimal(wanted) if self.wish.design == "optimal" else self._textbook(wanted)
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
        """The most extreme trials; none where earlier trials have tried the ground, or every recipe was given."""
        if len(self.existing[0]) or len(self.wish.must_make) >= len(U):
            return ()
        region = self.layout.region
        return extremes(region, region.decoded(U), range(ahead, len(U)))

    def _optimal(self, wanted: Wanted) -> Found:
        if seating.needs_seats(self.hard, self.made, wanted):
            found = seating.seated_plan(self.wish, self.layout, self.hard, self.grid, self.made, wanted)
        else:
            found = optimal.search_plan(self.wish, self.layout, self.grid, self.existing, wanted)
        self.findings += found.findings
        self.kept = found.kept
        return found

    def _textbook(self, wanted: Wanted) -> Found:
        runs = None if self.wish.runs is None else self.wish.runs - len(wanted.standards[0])
        found = textbook.points(self.study, self.layout, self.wish, runs)
        self.findings += found.findings
        U, done = self.grid.snapped(found.U, found.C) if not found.outside else (found.U, None)
        if done is not None and not done.all():
            self.findings.append(optimal.off_grid(int((~done).sum())))
        C = found.C
        U, C = np.concatenate([wanted.held[0], U]), np.concatenate([wanted.held[1], C])
        more = wanted.repeats_asked if runs is None else max(runs - len(U), 0)
        pick = self._repeated(U, C, more)
        blocks = _with_more(list(found.blocks), len(wanted.held[0]), pick, wanted.blocks)
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
        study, n = self.study, len(U)
        trials = [f"T{self.first_trial + i:02d}" for i in range(n)]
        table = self._table(U, C).set_axis(pd.Index(trials, name="trial"))
        number = recipes(U, C)
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
            assess(study, self.layout, made, self.yardstick, chosen=not given), steps=self._steps_kept(given)
        )
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
            ids=[*(f"made {i + 1}" for i in range(len(made.U))), *trials],
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

    def _tell(self, quality: Quality, plots: Mapping[int, int]) -> None:
        for name in (n for n in _still(self.study) if n in self.study.region.reach):
            got = f"stays at {self.study.region.reach[name][0]:g}, so the plan has no terms in it"
            self.findings.append(
                Problem("does-not-move", "inform", name, got, "", "widen its limits to learn about it")
            )
        if plots:
            told = quality.whole_plots
            got = (
                f"what is hard to change is set up {told['resets']} times, for {_span(told['sizes'])} each time;"
                " each counts as set anew, even where the level stays. Set-ups are taken to differ by a variance of"
                f" {told['ratio']:g} times that of batches within one"
            )
            do = "give whole_plot_ratio if you know it better, whole_plots for more or fewer set-ups"
            self.findings.append(Problem("whole-plots", "inform", "[plan], whole_plots", got, "", do))
        kept = quality.blocks.get("kept", 1.0)
        if kept < _ORTHOGONAL:
            worst = quality.blocks["worst"]
            got = f"differences between blocks take {1 - kept:.0%} of what the trials tell, most of {worst['term']}"
            do = "fewer or larger blocks tell more"
            self.findings.append(Problem("blocks-not-orthogonal", "inform", "[plan], blocks", got, "", do))
        if quality.df["pure_error"] == 0:
            got, do = "no trial is repeated, so lack of fit cannot be tested", "give replicate_batches = 3 or more runs"
            self.findings.append(Problem("no-repeats", "inform", "[plan]", got, "", do))
        if not all(self.terms.sure) and self.wish.maybe is None:
            got = f"fewer trials than the {len(self.terms)} terms: those beyond the first order are not owed a run each"
            do = "more runs make them sure"
            self.findings.append(Problem("maybe-terms", "inform", "[plan], runs", got, "", do))
