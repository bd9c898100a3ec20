"""What a plan rests on before any trial is sought: what is asked for, the terms, the region, what must be in it.

`check` and `plan` lay the same groundwork, so that what the one passes the other does not refuse.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.definition.parts import PlanWish
from doe.definition.steps import is_whole, whole_steps
from doe.design import textbook
from doe.design.estimable import Estimable, estimable
from doe.groups import assignment, groupedplan, setups
from doe.groups.setups import Made
from doe.groups.wholeplots import Hard
from doe.ideal.bestpossible import BestByModel, BestPossible
from doe.problems import PlanError, Problem, StudyError
from doe.region.lattice import cases, on_steps, too_coarse
from doe.region.limits import number
from doe.region.pieces import Pieces
from doe.region.region import Region
from doe.search import optimal
from doe.search.grids import Grids, grids
from doe.search.optimal import Recipes, Wanted
from doe.search.spaces import Layout, dependent
from doe.study import Study
from doe.terms.terms import Terms

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

_LEFT = 3  # degrees of freedom to judge the error by, below which it is told
_SAME = 1e-8
_NAMED = 8  # terms that are named


@dataclass(frozen=True, slots=True, eq=False)
class Groundwork:
    """The plan asked for (`wish`), its `terms`, and what it is sought on.

    `layout` of `best_possible` has the region with its ingredients in an order of their own. `existing` are trials
    already made, `wanted` what the new ones must hold, `points` those of a textbook plan. `findings` are to be told.
    """

    study: Study
    wish: PlanWish
    terms: Terms
    best_possible: BestPossible
    grid: Grids
    existing: Recipes
    hard: Hard
    made: Made
    wanted: Wanted
    points: textbook.Points | None
    findings: tuple[Problem, ...]

    @property
    def layout(self) -> Layout:
        """The arrays that plans are searched on."""
        return self.best_possible.plan

    @classmethod
    def of(
        cls,
        study: Study,
        given: Mapping[str, Any],
        best_by_model: BestByModel | None = None,
        existing: pd.DataFrame | None = None,
    ) -> Groundwork:
        """Everything up to the search. Raises PlanError with the reasons why there can be no such plan."""
        wish = wish_of(study, given)
        if not study.region.dimension and not study.region.categories:
            got = "leave one recipe only: there is nothing to choose"
            do = "give an ingredient or a factor low below high"
            raise PlanError([Problem("one-recipe", "stop", "the limits", got, "a region with room in it", do)])
        told = _off_steps(study)
        if _one_on_steps(study):
            got = "weighable steps leave one recipe only: there is nothing to choose"
            raise PlanError([Problem("one-recipe", "stop", "step", got, "steps with room between", "make steps finer")])
        clear = terms_of(study, wish)
        terms = clear.terms
        count = _count(wish, terms)
        if wish.maybe is None and count is not None:
            terms = terms.with_maybe(count + (0 if existing is None else len(existing)))
        region = _in_order(study)
        best_possible = (best_by_model or BestByModel()).of(region, _terms_in_order(terms, region))
        layout = best_possible.plan
        known = optimal.recipes_in(study, layout, existing)
        hard, made = Hard.of(study, layout), setups.made_before(known, existing)
        wanted = optimal.wanted(study, wish, layout, known)
        if clear.gone and wish.terms and wish.design == "optimal":
            raise PlanError([optimal.confounded(terms.labels, clear.gone)])
        points = None
        if wish.design != "optimal":
            runs = None if wish.runs is None else wish.runs - len(wanted.standards[0])
            points = textbook.points(study, layout, wish, runs)
        elif groupedplan.needs_groups(hard, made, wanted):
            assignment.enough_plots(wish, layout, hard, made, wanted)
        told += _off_steps_given(study, wish)
        told += _unsure(
            terms, wish, len(known[0]) + (wanted.runs if points is None else max(wish.runs or 0, len(points.U)))
        )
        findings = (*_left_out(study), *textbook.unused(study, wish), *clear.findings, *told)
        grid = grids(region, study.steps_at)
        return cls(study, wish, terms, best_possible, grid, known, hard, made, wanted, points, findings)


def foreseen(study: Study) -> tuple[tuple[Problem, ...], tuple[Problem, ...]]:
    """Of the plan the study asks for: why `plan` would refuse it, and where it would not, what it would tell first."""
    try:
        ground = Groundwork.of(study, {})
    except PlanError as error:
        return error.problems, ()
    told = list(ground.findings)
    if ground.points is not None:
        told += [*ground.points.findings, *untold(ground.layout, ground.points.U, ground.points.C)]
    return (), tuple(problem for problem in told if problem not in study.problems)


def wish_of(study: Study, given: Mapping[str, Any]) -> PlanWish:
    """The plan of the study with some keys replaced (None takes one out), checked as study.toml is.

    Raises PlanError with all that is wrong with it.
    """
    if not given:
        return study.plan
    source = study.to_dict()
    plan_keys = {**source.get("plan", {}), **{k: thawed(v) for k, v in given.items()}}
    source["plan"] = {k: v for k, v in plan_keys.items() if v is not None}
    try:
        return Study.from_dict(source).plan
    except StudyError as error:
        raise PlanError(p for p in error.problems if p.level == "stop") from None


def thawed(value: Any) -> Any:
    """Read-only mappings and tuples as plain dicts and lists, numbers of arrays as plain ones."""
    if isinstance(value, Mapping):
        return {str(k): thawed(v) for k, v in value.items()}
    if isinstance(value, (tuple, list)):
        return [thawed(v) for v in value]
    return value.item() if hasattr(value, "dtype") else value


def terms_of(study: Study, wish: PlanWish) -> Estimable:
    """The terms planned for.

    Those of an ingredient that no longer moves (a withdrawn one) are left out, and of a named model those in a level
    that its material settles and those that could not be told from the rest anywhere.
    """
    terms = Terms.build(study.region, model=wish.model, terms=wish.terms, maybe=wish.maybe)
    settled = () if wish.terms else terms.settled(study.region)
    return estimable(study, terms.without((*still(study), *settled)), named=not wish.terms)


def still(study: Study) -> list[str]:
    """Columns whose true reach is a single level, and the materials of those that are not in at all."""
    fixed = [n for n, (low, high) in study.region.reach.items() if high - low <= 1e-9 * max(1.0, abs(high))]
    out = {i.name for i in study.ingredients if i.withdrawn or study.region.reach.get(i.name) == (0.0, 0.0)}
    return fixed + [f.name for f in study.category_factors if f.of in fixed and f.of in out]


def _off_steps(study: Study) -> list[Problem]:
    """What weighable steps leave to tell; raises PlanError where no recipe is on them."""
    told = [too_coarse(piece, steps) for piece, steps, _ in cases(study.region, study.steps_at)]
    stops = [[p for p in problems if p.code == "no-step-recipe"] for problems in told]
    if all(stops):
        raise PlanError(replace(p, level="stop") for problems in stops for p in problems)
    return list(dict.fromkeys(p for problems in told for p in problems))


def _one_on_steps(study: Study) -> bool:
    """Whether every level that varies has one step only within reach, at the one combination of categories there is."""
    region = study.region
    if len(region.combinations) > 1 or not region.dimension:
        return False
    steps = on_steps(region, study.steps_at(region.combinations[0]))
    return all(n in steps and len(whole_steps(*region.reach[n], steps[n])) == 1 for n in region.free)


def _off_steps_given(study: Study, wish: PlanWish) -> list[Problem]:
    """Levels of recipes to make that are no whole number of steps: they are made as given."""
    rows = [("must_make", row) for row in wish.must_make] + ([("standard", wish.standard)] if wish.standard else [])
    out = []
    for key, row in rows:
        steps = study.steps_at(row)
        off = {n: s for n, s in steps.items() if s and isinstance(row.get(n), int | float) and not is_whole(row[n], s)}
        if off:
            got = "; ".join(
                f"{name} {number(row[name])} is not a whole number of steps of {s:g}" for name, s in off.items()
            )
            near = " and ".join(
                f"{name} {number(float(f'{round(row[name] / s) * s:.12g}'))}" for name, s in off.items()
            )
            do = f"nothing, if it can be weighed so; {near} would be on the step"
            out.append(Problem("off-step-given", "inform", f"[plan], {key}", got, "", do))
    return list(dict.fromkeys(out))


def _left_out(study: Study) -> tuple[Problem, ...]:
    """Combinations of categories at which no recipe is possible: nothing is planned there."""
    return study.region.empty if isinstance(study.region, Pieces) else ()


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


def _count(wish: PlanWish, terms: Terms) -> int | None:
    if wish.runs is not None:
        return wish.runs
    # Nine trials beyond the terms: five for lack of fit and four for pure error (common practice, no source).
    return terms.n_sure + 9 if wish.design == "optimal" else None


def untold(layout: Layout, U: Array, C: Indices) -> list[Problem]:
    """Sure terms that the trials U (n, d), C (n, c) cannot tell apart."""
    sure = np.array(layout.terms.sure, dtype=bool)
    F = layout.raw(U, C)[:, sure]
    labels = [label for label, is_sure in zip(layout.terms.labels, sure, strict=True) if is_sure]
    gone = dependent(F, tuple(map(str, range(len(labels)))), _SAME)
    if not gone:
        return []
    names = [labels[int(k)] for k in gone]
    more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    got = f"of {len(labels)} sure terms these trials cannot tell from the rest: {', '.join(names[:_NAMED])}{more}"
    do = "give more runs or fewer repeats, choose a smaller model, or say which terms are only maybe"
    return [Problem("terms-not-told", "warn", "[plan]", got, f"distinct recipes, {layout.terms.why_sure}", do)]


def _unsure(terms: Terms, wish: PlanWish, trials: int) -> list[Problem]:
    """Where trials are fewer than terms, or leave next to nothing to judge the sure ones by."""
    if all(terms.sure):
        return []
    sure, spare = terms.n_sure, trials - terms.n_sure
    if spare < _LEFT:
        left = "none is" if spare < 1 else f"{'one is' if spare == 1 else 'two are'}"
        got = f"{trials} trials for {len(terms)} terms: {sure} are owed a run each, {left} left to judge effects by"
        do = f"give runs = {sure + _LEFT} or more; {len(terms) + 9} make all terms sure, with lack of fit and repeats"
        return [Problem("maybe-terms", "warn", "[plan], runs", got, "", do)]
    if wish.maybe is not None:
        return []
    got = f"{trials} trials for {len(terms)} terms: {sure} are sure, those beyond the first order only maybe"
    return [Problem("maybe-terms", "inform", "[plan], runs", got, "", "more runs make them sure")]
