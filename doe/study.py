"""The study: the checked definition that everything else rests on."""

from __future__ import annotations

import copy
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.definition import parts
from doe.definition.categories import material_of
from doe.definition.checks import Notes, is_number, shown
from doe.definition.consistency import check_whole, left_over
from doe.definition.definition import read_parts
from doe.definition.digests import study_digests
from doe.definition.materials import column
from doe.definition.responses import hint
from doe.definition.tomltext import parsed, tables_of
from doe.problems import Problem, StudyError
from doe.region.lattice import cases, too_coarse
from doe.region.makeable import region_of
from doe.region.pieces import Pieces
from doe.region.redundant import without_room
from doe.region.region import Region
from doe.shown import Shown
from doe.terms.term import Form
from doe.terms.terms import Terms
from doe.trade.quantities import natural_unit

if TYPE_CHECKING:
    from doe.design.design import Design
    from doe.results.results import Results

MAX_BYTES = 2_000_000  # of a study.toml: some hundred times the largest we have seen


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Study(Shown):
    """A formulation problem as defined in study.toml, checked; levels in `unit`, adding up to `total`.

    Made by `read`, `from_toml` or `from_dict`, each of which raises StudyError with every problem at once.
    `problems` are the findings that do not stop (warn, inform). Two studies are the same when `digests` are.
    """

    name: str
    product: str | None
    market: str | None
    total: float
    unit: str
    batch_g: float
    batches_per_day: float
    batch_cost: float
    pack_g: float | None
    currency: str
    balances: tuple[parts.Balance, ...]
    ingredients: tuple[parts.Ingredient, ...]
    factors: tuple[parts.Factor, ...]
    limits: tuple[parts.Limit, ...]
    responses: tuple[parts.Response, ...]
    references: tuple[parts.Reference, ...]
    steps: tuple[parts.Step, ...]
    make: parts.Make
    plan: parts.PlanWish
    done: parts.Done
    accepts: tuple[parts.Accept, ...]
    problems: tuple[Problem, ...]
    digests: Mapping[str, str]
    region: Region
    source: Mapping[str, Any]
    laws: tuple[parts.Law, ...] = ()
    folder: Path | None = field(default=None)

    @classmethod
    def read(cls, path: str | Path) -> Study:
        """Read a study folder, or the path of its study.toml. Raises StudyError with every problem found."""
        place = Path(path)
        file = place / "study.toml" if place.is_dir() else place
        try:
            if file.stat().st_size > MAX_BYTES:
                got, do = f"{file.stat().st_size / 1e6:.0f} MB", "send the right file"
                raise StudyError([Problem("too-big", "stop", str(file), got, f"at most {MAX_BYTES // 10**6} MB", do)])
            text = file.read_text(encoding="utf-8-sig")
        except OSError:
            do = "start one with: blendwright new FOLDER"
            raise StudyError([Problem("no-file", "stop", str(file), "cannot be read", "a study.toml", do)]) from None
        except UnicodeDecodeError:
            do = "save the file as UTF-8"
            raise StudyError([Problem("not-utf-8", "stop", str(file), "is not UTF-8 text", "UTF-8", do)]) from None
        return cls._build(parsed(text), file.parent)

    @classmethod
    def from_toml(cls, text: str) -> Study:
        """Read a study from the text of a study.toml. Raises StudyError with every problem found."""
        return cls._build(parsed(text), None)

    @classmethod
    def from_dict(cls, source: Mapping[str, Any]) -> Study:
        """Read a study from nested mappings of the same shape as study.toml. Raises StudyError with every problem."""
        return cls._build(tables_of(source), None)

    @classmethod
    def _build(cls, source: dict[str, Any], folder: Path | None) -> Study:
        """The study of raw tables. Raises StudyError with every problem that stops; the others stay with the study."""
        notes = Notes()
        read = read_parts(source, notes)
        check_whole(read, notes)
        notes.report_waiting()
        region = None
        if not notes.stopped_in("ingredient", "factor", "limit", "study], total", "study.toml"):
            try:
                region = region_of(read)
            except StudyError as error:
                notes.problems += error.problems
        if notes.stops or region is None:
            raise StudyError(notes.problems)
        head = read.study
        currency = head.get("currency", "EUR")
        study = cls(
            name=head.get("name", ""),
            product=head.get("product"),
            market=head.get("market"),
            total=read.total,
            unit=read.unit,
            batch_g=float(head.get("batch_g", 400.0)),
            batches_per_day=float(head.get("batches_per_day", 4)),
            batch_cost=float(head.get("batch_cost", 0.0)),
            pack_g=head.get("pack_g"),
            currency=currency,
            balances=read.balances,
            ingredients=read.ingredients,
            factors=read.factors,
            limits=read.limits,
            # Digests are those of the definition as written, so a unit that only it leaves out changes none.
            responses=tuple(replace(r, unit=r.unit or natural_unit(r, currency)) for r in read.responses),
            references=read.references,
            steps=read.steps,
            make=read.make,
            plan=read.plan,
            done=read.done,
            accepts=read.accepts,
            problems=(*notes.problems, *(region.empty if isinstance(region, Pieces) else ())),
            digests=MappingProxyType(study_digests(read)),
            region=region,
            source=MappingProxyType(_without_infinity(source)),
            laws=read.laws,
            folder=folder,
        )
        _models(study)
        return replace(study, problems=study.problems + _of_region(study) + _recipes_inside(study))

    def to_dict(self) -> dict[str, Any]:
        """The raw definition, of the shape of study.toml; `Study.from_dict` of it gives the same study."""
        return copy.deepcopy(dict(self.source))

    @property
    def varied(self) -> tuple[parts.Ingredient, ...]:
        """Varied ingredients and the fill, in file order: the blend variables; none where nothing is varied."""
        blend = tuple(i for i in self.ingredients if i.role in ("varied", "fill"))
        return blend if any(i.role == "varied" for i in blend) else ()

    @property
    def fill(self) -> parts.Ingredient | None:
        """The ingredient that takes up the rest, if there is one."""
        return next((i for i in self.ingredients if i.role == "fill"), None)

    @property
    def fixed(self) -> tuple[parts.Ingredient, ...]:
        """Ingredients at a set level, adjusters at their expected one."""
        return tuple(i for i in self.ingredients if i.role in ("fixed", "adjuster"))

    @property
    def numeric_factors(self) -> tuple[parts.Factor, ...]:
        """Factors set to numbers."""
        return tuple(f for f in self.factors if not f.is_category)

    @property
    def category_factors(self) -> tuple[parts.Factor, ...]:
        """Factors set to one of several named levels."""
        return tuple(f for f in self.factors if f.is_category)

    @property
    def fitted_responses(self) -> tuple[parts.Response, ...]:
        """Responses that are fitted: those measured to a value, and those taken from curves."""
        return tuple(r for r in self.responses if not r.is_exact and r.kind != "curve")

    @property
    def measured_responses(self) -> tuple[parts.Response, ...]:
        """Responses that are read at the bench: curves too, but not what is taken from them."""
        return tuple(r for r in self.responses if not r.is_exact and not r.is_derived)

    @property
    def exact_responses(self) -> tuple[parts.Response, ...]:
        """Responses that are computed from the recipe."""
        return tuple(r for r in self.responses if r.is_exact)

    @property
    def blend_total(self) -> float | None:
        """What varied ingredients and the fill add up to; None where nothing is blended."""
        return left_over(self.total, self.ingredients) if self.varied else None

    @property
    def columns(self) -> tuple[str, ...]:
        """All level columns: every ingredient in file order, then every factor."""
        return tuple(i.name for i in self.ingredients) + tuple(f.name for f in self.factors)

    def complete(self, levels: pd.DataFrame) -> pd.DataFrame:
        """Whole recipes from the varied levels (and factors): fixed ingredients and the fill are filled in.

        `levels` has a row a recipe and a column for every varied ingredient and factor; a fixed ingredient with a
        column of its own keeps it, a withdrawn one without is 0, and the fill is always the total less the rest. What
        may be absent has no material where its level is 0.
        Columns come out as `columns`, the index is kept. Raises StudyError naming what is absent or no number.
        """
        problems: list[Problem] = []
        out: dict[str, Any] = {}
        for item in self.ingredients:
            if item.role == "varied" and not item.withdrawn and item.name not in levels:
                problems.append(_absent(item.name, levels))
            elif item.role != "fill":
                given = levels.get(item.name, item.level or 0.0)
                out[item.name] = _numbers(given, item.name, len(levels), problems)
        for factor in self.factors:
            if factor.of is not None and factor.of in out:
                said = levels[factor.name] if factor.name in levels else [None] * len(levels)
                out[factor.name] = np.array(column(self.ingredient(factor.of), out[factor.of], said, problems), object)
            elif factor.name not in levels:
                problems.append(_absent(factor.name, levels))
            elif factor.is_category:
                out[factor.name] = levels[factor.name].to_numpy()
            else:
                out[factor.name] = _numbers(levels[factor.name], factor.name, len(levels), problems)
        if problems:
            raise StudyError(problems)
        if self.fill is not None:
            others = [out[i.name] for i in self.ingredients if i.role != "fill"]
            out[self.fill.name] = self.total - np.sum(others, axis=0, initial=0.0) + np.zeros(len(levels))
        return pd.DataFrame({name: out[name] for name in self.columns}, index=levels.index)

    def steps_at(self, chosen: Mapping[str, Any]) -> dict[str, float | None]:
        """The weighable step of every level, at a combination of category levels: materials may have their own."""
        steps = {i.name: i.of(chosen.get(material_of(i.name))).step for i in self.ingredients}
        return steps | {f.name: f.step for f in self.factors}

    def terms(self, model: str | Mapping[str, str] | None = None, form: Form | None = None) -> Terms:
        """The model terms of `[plan]`, or of another model by name or mapping; `form` as in `Terms.build`."""
        wish = self.plan
        return Terms.build(
            self.region,
            model=wish.model if model is None else model,
            terms=wish.terms if model is None else (),
            maybe=wish.maybe if model is None else None,
            form=form,
        )

    def response(self, name: str) -> parts.Response:
        """The response of that name; KeyError when there is none."""
        return self.responses[_place([one.name for one in self.responses], name, "response")]

    def ingredient(self, name: str) -> parts.Ingredient:
        """The ingredient of that name; KeyError when there is none."""
        return self.ingredients[_place([one.name for one in self.ingredients], name, "ingredient")]

    def factor(self, name: str) -> parts.Factor:
        """The factor of that name; KeyError when there is none."""
        return self.factors[_place([one.name for one in self.factors], name, "factor")]

    def results(
        self, frame: pd.DataFrame | None = None, batches: pd.DataFrame | None = None, design: Design | None = None
    ) -> Results:
        """Results from a wide or long table, checked; without a table, those of the study's own folder."""
        from doe.results.results import folder_results, take_in  # results rests on Study

        if frame is None:
            return folder_results(self)
        return take_in(self, frame, batches=batches, design=design)

    def __str__(self) -> str:
        fitted = ", ".join(r.name for r in self.fitted_responses)
        varied, factors = (f"{n} {word}{'' if n == 1 else 's'}" for n, word in
                           ((len(self.varied), "varied ingredient"), (len(self.factors), "factor")))  # fmt: skip
        return f"Study {self.name!r}: {varied}, {factors}; {fitted}"

    __repr__ = __str__


def _place(names: list[str], name: str, what: str) -> int:
    if name not in names:
        raise KeyError(f"{name!r} is no {what} of this study: {', '.join(names) or 'it has none'}")
    return names.index(name)


def _absent(name: str, levels: pd.DataFrame) -> Problem:
    do = hint(name, [str(column) for column in levels.columns])
    return Problem("missing-level", "stop", name, "has no column", "a level of all that varies", do)


def _numbers(given: Any, name: str, n: int, problems: list[Problem]) -> npt.NDArray[np.float64]:
    try:
        return np.array(np.broadcast_to(np.asarray(given, dtype=float), n))
    except (TypeError, ValueError):
        strange = next(v for v in given if not is_number(v))
        got = f"came {shown(strange)}"
        problems.append(Problem("not-a-level", "stop", name, got, "numbers", "write the level as a number"))
        return np.zeros(n)


def _without_infinity(source: dict[str, Any]) -> dict[str, Any]:
    """The definition with open ends of `reads` as None: JSON has no infinity."""
    for response in source.get("response", ()):
        if "reads" in response:
            response["reads"] = [None if end in (np.inf, -np.inf) else end for end in response["reads"]]
    return source


def _models(study: Study) -> None:
    """Refuse models of the plan, of responses, and of what is only maybe that this study has no names for."""
    problems: list[Problem] = []
    asked = [None, *dict.fromkeys(r.name for r in study.fitted_responses if r.model is not None)]
    for name in asked:
        try:
            study.terms(None if name is None else study.response(name).model)
        except StudyError as error:
            problems += [p for p in error.problems if p not in problems]
    if problems:
        raise StudyError([*study.problems, *problems])


def _of_region(study: Study) -> tuple[Problem, ...]:
    """What the limits and weighable steps leave that has to be known before planning."""
    found = list(without_room(study.region))
    for piece, steps, _ in cases(study.region, study.steps_at):
        found += [problem for problem in too_coarse(piece, steps) if problem not in found]
    return tuple(found)


def _recipes_inside(study: Study) -> tuple[Problem, ...]:
    """A finding for each recipe of the plan that lies outside the limits."""
    wish = study.plan
    recipes = [(f"[plan], must_make {n}", recipe) for n, recipe in enumerate(wish.must_make, 1)]
    if wish.standard is not None:
        recipes.append(("[plan], standard", wish.standard))
    found = []
    for where, recipe in recipes:
        if not {i.name for i in study.varied if i is not study.fill} <= set(recipe):
            continue
        levels = study.complete(pd.DataFrame([dict(recipe)]))
        X = levels[list(study.region.names)].to_numpy(dtype=float)
        if not study.region.contains(X, 1e-6, study.region.chosen(levels))[0]:
            do = "nothing, if it is on purpose; else mend the recipe or a limit"
            found.append(Problem("recipe-outside", "warn", where, "lies outside the limits", "", do))
    return tuple(found)
