"""The study: the checked definition that everything else rests on."""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from doe import parts
from doe.checks import Notes
from doe.definition import Parts, read_parts
from doe.digests import study_digests
from doe.problems import Problem, StudyError
from doe.region import Region
from doe.terms import Terms

if TYPE_CHECKING:
    from doe.design import Design
    from doe.results import Results


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Study:
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
    folder: Path | None = field(default=None)

    @classmethod
    def read(cls, path: str | Path) -> Study:
        """Read a study folder, or the path of its study.toml."""
        place = Path(path)
        file = place / "study.toml" if place.is_dir() else place
        try:
            text = file.read_text(encoding="utf-8-sig")
        except OSError:
            do = "start one with: blendwright new FOLDER"
            raise StudyError([Problem("no-file", "stop", str(file), "cannot be read", "a study.toml", do)]) from None
        except UnicodeDecodeError:
            do = "save the file as UTF-8"
            raise StudyError([Problem("not-utf-8", "stop", str(file), "is not UTF-8 text", "UTF-8", do)]) from None
        return cls._build(_parsed(text), file.parent)

    @classmethod
    def from_toml(cls, text: str) -> Study:
        """Read a study from the text of a study.toml."""
        return cls._build(_parsed(text), None)

    @classmethod
    def from_dict(cls, source: Mapping[str, Any]) -> Study:
        """Read a study from nested mappings of the same shape as study.toml."""
        return cls._build(copy.deepcopy(dict(source)), None)

    @classmethod
    def _build(cls, source: dict[str, Any], folder: Path | None) -> Study:
        notes = Notes()
        read = read_parts(source, notes)
        if not any(p.level == "stop" for p in notes.problems):
            _check_whole(read, notes)
        stops = [p for p in notes.problems if p.level == "stop"]
        if stops:
            raise StudyError(notes.problems)
        head = read.study
        total = float(head.get("total", 100.0))
        try:
            region = _region(read, total)
        except StudyError as error:
            raise StudyError([*notes.problems, *error.problems]) from None
        study = cls(
            name=head.get("name", ""),
            product=head.get("product"),
            market=head.get("market"),
            total=total,
            unit=head.get("unit", "% w/w" if total == 100 else ""),
            batch_g=float(head.get("batch_g", 400.0)),
            batches_per_day=float(head.get("batches_per_day", 4)),
            batch_cost=float(head.get("batch_cost", 0.0)),
            pack_g=head.get("pack_g"),
            currency=head.get("currency", "EUR"),
            balances=read.balances,
            ingredients=read.ingredients,
            factors=read.factors,
            limits=read.limits,
            responses=read.responses,
            references=read.references,
            steps=read.steps,
            make=read.make,
            plan=read.plan,
            done=read.done,
            accepts=read.accepts,
            problems=tuple(notes.problems),
            digests=MappingProxyType(study_digests(source)),
            region=region,
            source=MappingProxyType(source),
            folder=folder,
        )
        study.terms()
        for response in study.fitted_responses:
            if response.model is not None:
                study.terms(response.model)
        return study

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
        """Responses that are measured and fitted."""
        return tuple(r for r in self.responses if not r.is_exact and r.kind != "curve")

    @property
    def exact_responses(self) -> tuple[parts.Response, ...]:
        """Responses that are computed from the recipe."""
        return tuple(r for r in self.responses if r.is_exact)

    @property
    def blend_total(self) -> float | None:
        """What varied ingredients and the fill add up to; None where nothing is blended."""
        return self.total - sum(i.level or 0.0 for i in self.fixed) if self.varied else None

    @property
    def columns(self) -> tuple[str, ...]:
        """All level columns: every ingredient in file order, then every factor."""
        return tuple(i.name for i in self.ingredients) + tuple(f.name for f in self.factors)

    def complete(self, levels: pd.DataFrame) -> pd.DataFrame:
        """Whole recipes from the varied levels (and factors): fixed ingredients and the fill are filled in.

        Columns come out as `columns`, the index is kept. Raises KeyError when a varied level is absent.
        """
        out = pd.DataFrame(index=levels.index)
        others = np.zeros(len(levels))
        for item in self.ingredients:
            if item.role == "fill":
                continue
            given = levels[item.name] if item.role == "varied" or item.name in levels else item.level
            out[item.name] = np.asarray(given, dtype=float) if item.role == "varied" else given
            others += out[item.name].to_numpy(dtype=float)
        if self.fill is not None:
            out[self.fill.name] = self.total - others
        for factor in self.factors:
            out[factor.name] = levels[factor.name].to_numpy()
        return out[list(self.columns)]

    def terms(self, model: str | Mapping[str, str] | None = None) -> Terms:
        """The model terms of `[plan]`, or of another model by name or mapping."""
        wish = self.plan
        return Terms.build(
            self.region,
            model=wish.model if model is None else model,
            terms=wish.terms if model is None else (),
            maybe=wish.maybe if model is None else None,
        )

    def response(self, name: str) -> parts.Response:
        """The response of that name; KeyError when there is none."""
        return {r.name: r for r in self.responses}[name]

    def ingredient(self, name: str) -> parts.Ingredient:
        """The ingredient of that name; KeyError when there is none."""
        return {i.name: i for i in self.ingredients}[name]

    def factor(self, name: str) -> parts.Factor:
        """The factor of that name; KeyError when there is none."""
        return {f.name: f for f in self.factors}[name]

    def results(
        self, frame: pd.DataFrame | None = None, batches: pd.DataFrame | None = None, design: Design | None = None
    ) -> Results:
        """Results from a wide or long table, checked; without a table, those of the study's own folder."""
        from doe.results import folder_results, take_in  # results rests on Study

        if frame is None:
            return folder_results(self)
        return take_in(self, frame, batches=batches, design=design)

    def __str__(self) -> str:
        fitted = ", ".join(r.name for r in self.fitted_responses)
        return f"Study {self.name!r}: {len(self.varied)} varied ingredients, {len(self.factors)} factors; {fitted}"

    __repr__ = __str__


def _parsed(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        do = "mend the line; text stands in quotes, decimals have a point"
        raise StudyError([Problem("bad-toml", "stop", "study.toml", str(error), "TOML", do)]) from None


def _region(read: Parts, total: float) -> Region:
    blend = [i for i in read.ingredients if i.role in ("varied", "fill")]
    if not any(i.role == "varied" for i in blend):
        blend = []
    numeric = [f for f in read.factors if not f.is_category]
    fill = next((i.name for i in blend if i.role == "fill"), None)
    held = {i.name: i.level or 0.0 for i in read.ingredients if i.role in ("fixed", "adjuster")}
    names = [i.name for i in blend] + [f.name for f in numeric]
    low = [i.low or 0.0 for i in blend] + [f.low for f in numeric]
    high = [np.inf if i.high is None else i.high for i in blend] + [f.high for f in numeric]
    rows: list[tuple[Mapping[str, float], float | None, float | None, str]] = []
    for limit in read.limits:
        shift = sum(weight * held.get(name, 0.0) for name, weight in limit.weights.items())
        weights = {name: weight for name, weight in limit.weights.items() if name not in held}
        low_side, high_side = (None if b is None else b - shift for b in (limit.low, limit.high))
        rows.append((weights, low_side, high_side, limit.rule))
    return Region.build(
        names=tuple(names),
        blend=tuple(i.name for i in blend),
        blend_total=total - sum(held.values()) if blend else None,
        fill=fill,
        low=np.array(low, dtype=float),
        high=np.array(high, dtype=float),
        rows=rows,
        categories={f.name: f.levels for f in read.factors if f.is_category},
    )


def _check_whole(read: Parts, notes: Notes) -> None:
    """What no single section can tell: one fill at most, and levels that can add up."""
    fills = [i.name for i in read.ingredients if i.role == "fill"]
    if len(fills) > 1:
        got = f"{' and '.join(fills)} both take up the rest"
        notes.stop(
            "two-fills", "[[ingredient]]", got, "one ingredient with qs = true", "give all but one a level or limits"
        )
        return
    if not read.ingredients and not read.factors:
        notes.stop("nothing-varied", "study.toml", "has no ingredient and no factor", "something to vary", "add some")
        return
    if not any(i.role == "varied" for i in read.ingredients) and not read.factors:
        notes.stop("nothing-varied", "study.toml", "varies nothing", "an ingredient with low and high, or a factor", "")
    if read.ingredients:
        _check_total(read, notes)
    _check_prices(read, notes)


def _check_total(read: Parts, notes: Notes) -> None:
    total = float(read.study.get("total", 100.0))
    lows = [i.level if i.role in ("fixed", "adjuster") else max(i.low or 0.0, 0.0) for i in read.ingredients]
    highs = [
        i.level if i.role in ("fixed", "adjuster") else total if i.high is None else i.high for i in read.ingredients
    ]
    least, most = sum(v or 0.0 for v in lows), sum(v or 0.0 for v in highs)
    slack = 1e-9 * max(1.0, total)
    if least > total + slack:
        got = f"the lowest levels already add up to {least:g}"
        notes.stop("cannot-add-up", "[[ingredient]]", got, f"at most {total:g}", "lower some low or level")
    if most < total - slack:
        got = f"the highest levels add up to only {most:g}"
        do = "raise some high, or let one ingredient take up the rest (qs = true)"
        notes.stop("cannot-add-up", "[[ingredient]]", got, f"at least {total:g}", do)


def _check_prices(read: Parts, notes: Notes) -> None:
    if not any(r.source == "cost_per_kg" for r in read.responses):
        return
    missing = [i.name for i in read.ingredients if i.price_per_kg is None and i.role != "fill"]
    if missing:
        do = "add price_per_kg; until then the cost is not available"
        notes.add("no-price", "warn", "[[ingredient]]", f"no price for {', '.join(missing)}", "a price for each", do)
