"""Model terms without data: what a model is made of, and the matrix it makes of given recipes."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.definition.categories import NONE, contrasts, material_of, present, short
from doe.definition.keys import nearest
from doe.problems import Problem, StudyError
from doe.region.region import Region
from doe.terms.codings import Coding, coding
from doe.terms.products import Piece, Products

Array = npt.NDArray[np.float64]
Form = Literal["scheffe", "slack", "process"]
Categories = Mapping[str, Sequence[str]]

_SAME = 1e-9  # relative width below which a level stands still
_POWERS = {1: "", **dict(enumerate("²³⁴⁵⁶⁷⁸⁹", start=2))}


@dataclass(frozen=True, slots=True)
class Term:
    """A product of levels, of category contrasts, and at most one difference of two levels.

    `powers` and `level` stand in the order of the study's names (`parse` sees to it), so that equal terms are equal;
    the empty term is the intercept.
    """

    powers: tuple[tuple[str, int], ...] = ()
    level: tuple[tuple[str, str], ...] = ()
    difference: tuple[str, str] | None = None

    @property
    def label(self) -> str:
        """The term as people read it: Gum × Wax, Gum², Gum × [Gum wetting: dry], 1 for an intercept."""
        pieces = [name + _POWERS.get(power, f"^{power}") for name, power in self.powers]
        pieces += [f"[{short(factor)}: {level}]" for factor, level in self.level]
        if self.difference:
            pieces.append(f"({self.difference[0]} - {self.difference[1]})")
        return " × ".join(pieces) or "1"

    @property
    def powers_dict(self) -> dict[str, int]:
        """Powers by name, for scripts; a category contrast counts as `[factor: level]` with power 1."""
        return {**dict(self.powers), **{f"[{short(f)}: {v}]": 1 for f, v in self.level}}

    @property
    def order(self) -> int:
        """Total degree, contrasts and the difference counting one each."""
        return sum(p for _, p in self.powers) + len(self.level) + (self.difference is not None)

    def times(self, other: Term) -> Term:
        """The product of two terms; names keep the order in which they come."""
        powers = dict(self.powers)
        for name, power in other.powers:
            powers[name] = powers.get(name, 0) + power
        return Term(tuple(powers.items()), self.level + other.level, self.difference or other.difference)

    def parents(self) -> tuple[Term, ...]:
        """The terms one order lower that divide it (not the intercept)."""
        out = []
        for i, (name, power) in enumerate(self.powers):
            rest = self.powers[:i] + (((name, power - 1),) if power > 1 else ()) + self.powers[i + 1 :]
            out.append(replace(self, powers=rest))
        for i in range(len(self.level)):
            out.append(replace(self, level=self.level[:i] + self.level[i + 1 :]))
        if self.difference:
            out.append(replace(self, difference=None))
        return tuple(t for t in dict.fromkeys(out) if t.order)

    @classmethod
    def parse(cls, text: str, names: Sequence[str], categories: Categories | None = None) -> Term:
        """Read a term such as `Gum × Wax`, `Gum^2`, `Gum * [Gum wetting: dry]`. Raises ValueError in words."""
        term = cls()
        for piece in _split(text, names):
            term = term.times(_piece(piece, names, categories or {}, text))
        if term.level and len({f for f, _ in term.level}) < len(term.level):
            raise ValueError(f"{text}: a category cannot meet itself")
        place, groups = list(names), list(categories or {})
        return cls(
            tuple(sorted(term.powers, key=lambda p: place.index(p[0]))),
            tuple(sorted(term.level, key=lambda v: groups.index(v[0]))),
            term.difference,
        )


def _split(text: str, names: Sequence[str]) -> list[str]:
    """Pieces between × or * signs that do not stand inside a name or brackets."""
    if text.strip() == "1":
        return []
    pieces, depth, current, at = [], 0, "", 0
    longest = sorted(names, key=len, reverse=True)
    while at < len(text):
        name = next((n for n in longest if text.startswith(n, at)), None) if not current.strip() else None
        if name:
            current += name
            at += len(name)
            continue
        depth += {"[": 1, "(": 1, "]": -1, ")": -1}.get(text[at], 0)
        if depth == 0 and text[at] in "×*":
            pieces.append(current.strip())
            current = ""
        else:
            current += text[at]
        at += 1
    return [*pieces, current.strip()]


def _piece(piece: str, names: Sequence[str], categories: Categories, text: str) -> Term:
    """One factor of a product: a name, a power of one, a difference, a category level. Raises ValueError in words."""
    if piece in names:
        return Term(((piece, 1),))
    for factor, levels in categories.items():
        for level in levels:
            spelt = "|".join(re.escape(name) for name in dict.fromkeys([short(factor), factor]))
            if re.fullmatch(rf"\[({spelt}):\s*{re.escape(level)}\]", piece):
                if level not in present(factor, levels):
                    raise ValueError(f"{text}: at {level} there is no material, and so no term for it")
                return Term(level=((factor, level),))
    if piece.startswith("(") and piece.endswith(")"):
        # A name may hold the sign itself, so every place where the bracket could be parted is tried.
        for cut in re.finditer(" [-−] ", piece):
            first, second = piece[1 : cut.start()].strip(), piece[cut.end() : -1].strip()
            if first in names and second in names:
                return Term(difference=(first, second))
    power = re.fullmatch(r"(.+?)\s*([²³⁴-⁹]|\^[1-9])", piece)
    if power and power[1] in names:
        raised = {sign: number for number, sign in _POWERS.items()}
        return Term(((power[1], raised.get(power[2]) or int(power[2][-1])),))
    for factor, levels in categories.items():
        if piece in (factor, short(factor)):
            spelt = ", ".join(f"[{short(factor)}: {level}]" for level in contrasts(factor, levels))
            raise ValueError(f"{text}: {piece} has levels by name, a term each but for the last: {spelt}")
    near = nearest(piece, tuple(names))
    raise ValueError(f"{text}: {piece or 'nothing'} is not known" + (f"; did you mean {near}?" if near else ""))


@dataclass(frozen=True, slots=True, eq=False)
class ModelMatrix:
    """The matrix of a model for given recipes: `values` (n, p), one column a term."""

    values: Array
    labels: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Terms:
    """The terms of a model, which of them are sure, and the columns they are made of.

    `names` are the numeric columns of the region, in order. A blend with a fill is modelled with the fill left out
    (form "slack"), a blend without one in Scheffé's form ("scheffe", no intercept), factors alone as a polynomial
    ("process"). `sure` is False for potential terms (DuMouchel & Jones 1994), planned for but not owed a run each.
    """

    terms: tuple[Term, ...]
    sure: tuple[bool, ...]
    form: Form
    names: tuple[str, ...]
    blend: tuple[str, ...]
    fill: str | None
    categories: Mapping[str, tuple[str, ...]]
    _kept: dict[str, Any] = field(init=False, default_factory=dict)

    @classmethod
    def build(
        cls,
        region: Region,
        model: str | Mapping[str, str] = "quadratic",
        terms: Sequence[str] = (),
        maybe: str | Sequence[str] | None = None,
        form: Form | None = None,
    ) -> Terms:
        """The terms of a named model, of a mapping {blend, process, cross}, or given one by one.

        `maybe` names a model or terms that are potential; `form` asks for a named model in that form instead of its
        usual one. Raises StudyError when a term is not known.
        """
        wanted = _parsed_all(terms, region, "[plan], terms") if terms else None
        names_fill = wanted is not None and any(region.fill in dict(t.powers) for t in wanted)
        form = form or _form(region, model, names_fill)
        if wanted is None:
            wanted = _model_terms(region, form, model)
        elif form != "scheffe" and Term() not in wanted:
            wanted = (Term(), *wanted)
        unsure: set[Term] = set()
        if isinstance(maybe, str):
            more = _model_terms(region, form, maybe)
            unsure = {t for t in more if not _first_order(t, form)}
            wanted = tuple(dict.fromkeys([*wanted, *_not_repeated(wanted, more, region, form)]))
        elif maybe:
            more = _parsed_all(maybe, region, "[plan], maybe")
            unsure = set(more)
            wanted = tuple(dict.fromkeys([*wanted, *more]))
        return cls(
            terms=wanted,
            sure=tuple(t not in unsure for t in wanted),
            form=form,
            names=region.names,
            blend=region.blend,
            fill=region.fill,
            categories=MappingProxyType({f: v for f, v in region.categories.items() if contrasts(f, v)}),
        )

    def __len__(self) -> int:
        return len(self.terms)

    def __str__(self) -> str:
        return " + ".join(self.labels)

    __repr__ = __str__

    @property
    def labels(self) -> tuple[str, ...]:
        """The terms' names."""
        return tuple(t.label for t in self.terms)

    @property
    def degree(self) -> int:
        """The highest total degree in numeric columns."""
        return max((sum(p for _, p in t.powers) + (t.difference is not None) for t in self.terms), default=0)

    @property
    def n_sure(self) -> int:
        """How many terms are owed a run each."""
        return sum(self.sure)

    @property
    def why_sure(self) -> str:
        """What a sure term is, in words, and how many others there are."""
        maybe = len(self.sure) - self.n_sure
        others = f"; the {maybe} others are maybe: told as far as runs allow" if maybe else ""
        return f"one for each sure term, which the plan must be able to tell from all others{others}"

    @property
    def first_order(self) -> tuple[bool, ...]:
        """Which terms are of first order: always kept, and sure when runs are few."""
        return tuple(_first_order(t, self.form) for t in self.terms)

    def with_maybe(self, runs: int) -> Terms:
        """The same terms, with all beyond the first order only potential when they outnumber the runs."""
        if self.n_sure <= runs or not all(self.sure):
            return self
        return replace(self, sure=self.first_order)

    def only(self, keep: Iterable[bool]) -> Terms:
        """The terms for which `keep` is true."""
        flags = list(keep)
        return replace(
            self,
            terms=tuple(t for t, k in zip(self.terms, flags, strict=True) if k),
            sure=tuple(s for s, k in zip(self.sure, flags, strict=True) if k),
        )

    def without(self, names: Iterable[str]) -> Terms:
        """The terms in which none of `names` stands."""
        gone = set(names)
        return self.only(
            not gone & {n for n, _ in (*t.powers, *t.level)} and not (t.difference and gone & set(t.difference))
            for t in self.terms
        )

    def settled(self, region: Region) -> tuple[str, ...]:
        """Ingredients whose level each of their materials settles, so that a term of the material says it all.

        Only where the form has an intercept, and where the ingredient is always there.
        """
        if self.form == "scheffe":
            return ()
        named = ((name, material_of(name)) for name in self.blend if material_of(name) in self.categories)
        return tuple(
            name
            for name, category in named
            if NONE not in self.categories[category]
            and all(
                high - low <= _SAME * max(1.0, abs(high)) for low, high in (p.reach[name] for p, _ in region.pieces)
            )
        )

    def fitting_coding(self, region: Region) -> Coding:
        """The well-scaled coding for computing: coded -1..+1, a Scheffé blend in L-pseudo-components."""
        return self.coding(region, "coded")

    def coding(self, region: Region, name: str, total: float | None = None) -> Coding:
        """The coding called `name`, as `doe.terms.codings.coding` makes it for this form."""
        free = () if self.form == "scheffe" else tuple(n for n in self.blend if n != self.fill)
        return coding(region, name, total, free=free)

    def matrix(self, levels: pd.DataFrame, code: Coding) -> ModelMatrix:
        """The model matrix of recipes `levels` (n rows; columns at least `names` and the categories)."""
        X = levels[list(self.names)].to_numpy(dtype=float)
        chosen = {name: levels[name].to_numpy(dtype=object) for name in self.categories}
        return ModelMatrix(self.rows(X, chosen, code), self.labels)

    def rows(self, X: Array, chosen: Mapping[str, npt.NDArray[Any]], code: Coding) -> Array:
        """Model rows (n, p) for levels X (n, k) in the order of `names` and chosen category levels (n,) each.

        A contrast [factor: level] is 1 at its level, -1 at the factor's last level, else 0 (they sum to zero); where a
        material is absent all its contrasts are 0 (see `doe.definition.categories`).
        Raises KeyError when a category level is not known.
        """
        products = self._products()
        return products.rows(products.columns(code(X), chosen))

    def factors(self, X: Array, chosen: Mapping[str, npt.NDArray[Any]], code: Coding) -> Array:
        """The columns (n, c) that the rows are products of: each a constant or affine in the levels."""
        return self._products().columns(code(X), chosen)

    @property
    def factor_index(self) -> npt.NDArray[np.intp]:
        """Which columns of `factors` each term multiplies, (r, p); column 0 is 1."""
        return self._products().index

    def gradient(self, X: Array, chosen: Mapping[str, npt.NDArray[Any]], code: Coding) -> Array:
        """Derivatives of the model rows by the levels in the study's units, (n, p, k)."""
        products = self._products()
        return products.gradient(products.columns(code(X), chosen)) / code.scale

    def with_gradient(
        self, X: Array, chosen: Mapping[str, npt.NDArray[Any]], code: Coding
    ) -> tuple[Array, Array]:  # fmt: skip
        """`rows` and `gradient` in one pass, for searches."""
        products = self._products()
        columns = products.columns(code(X), chosen)
        return products.rows(columns), products.gradient(columns) / code.scale

    def hessian(self, X: Array, chosen: Mapping[str, npt.NDArray[Any]], code: Coding) -> Array:
        """Second derivatives of the model rows by the levels in the study's units, (n, p, k, k)."""
        products = self._products()
        return products.hessian(products.columns(code(X), chosen)) / np.outer(code.scale, code.scale)

    def moment(self, region: Region, code: Coding) -> tuple[Array, bool]:
        """The average of f f' over the region, (p, p), and whether it is exact (see `Products.moment`)."""
        return self._products().moment(region, code)

    def _products(self) -> Products:
        if "products" not in self._kept:
            pieces = [_pieces(term) for term in self.terms]
            self._kept["products"] = Products.of(pieces, self.names, self.categories)
        found: Products = self._kept["products"]
        return found


def _pieces(term: Term) -> list[Piece]:
    pieces: list[Piece] = [("level", (name,)) for name, power in term.powers for _ in range(power)]
    pieces += [("difference", term.difference)] if term.difference else []
    return pieces + [("contrast", pair) for pair in term.level]


def _form(region: Region, model: str | Mapping[str, str], names_fill: bool) -> Form:
    if not region.blend:
        return "process"
    blend_model = model.get("blend", "quadratic") if isinstance(model, Mapping) else model
    if region.fill is None or names_fill or blend_model in ("special-cubic", "full-cubic"):
        return "scheffe"
    return "slack"


def _first_order(term: Term, form: Form) -> bool:
    if form == "scheffe" and not term.powers and not term.level and term.difference is None:
        return True
    return term.order <= 1


def _not_repeated(have: Sequence[Term], more: Sequence[Term], region: Region, form: Form) -> list[Term]:
    """Those of `more` that do not say again what `have` says.

    In Scheffé's form the sum over all ingredients of ingredient × factor is the factor itself: beside a factor that
    stands alone its product with the last ingredient is left out.
    """
    if form != "scheffe":
        return list(more)
    last = Term(((region.blend[-1], 1),))
    alone = [t for t in have if t.order and not any(name in region.blend for name, _ in t.powers)]
    repeated = {last.times(t) for t in alone if all(Term(((n, 1),)).times(t) in more for n in region.blend)}
    return [t for t in more if t not in repeated]


def _parsed_all(texts: Sequence[str], region: Region, where: str) -> tuple[Term, ...]:
    problems, out = [], []
    for text in texts:
        try:
            out.append(Term.parse(text, region.names, region.categories))
        except ValueError as error:
            problems.append(
                Problem(
                    "unknown-term", "stop", where, str(error), "terms such as Gum, Gum × Wax, Gum²", "mend the term"
                )
            )
    if problems:
        raise StudyError(problems)
    return tuple(dict.fromkeys(out))


def _model_terms(region: Region, form: Form, model: str | Mapping[str, str]) -> tuple[Term, ...]:
    """The terms of a named model or of {blend, process, cross}, intercept first where the form has one."""
    if isinstance(model, Mapping):
        blend_model = model.get("blend", "quadratic" if region.blend else "linear")
        process_model = model.get("process", "linear")
        cross = model.get("cross", "linear")
    else:
        blend_model = model
        process_model = "linear" if model == "linear" else "quadratic"
        cross = "none" if model == "linear" else "linear"
    numeric = [n for n in region.names if n not in region.blend]
    process = _process(numeric, region.categories, process_model)
    if form == "process":
        return (Term(), *process)
    blend = _blend(region, form, blend_model)
    first = [t for t in process if t.order == 1]
    intercept = () if form == "scheffe" else (Term(),)
    if cross == "none":
        return (*intercept, *blend, *process)
    if cross == "full":
        crossed = [b.times(p) for p in process for b in blend]
        main = [] if form == "scheffe" else process
        return (*intercept, *blend, *main, *crossed)
    linear = [b for b in blend if b.order == 1]
    crossed = [b.times(p) for p in first for b in linear]
    if form == "scheffe":
        # The sum over all ingredients of ingredient × factor is the factor itself.
        return (*blend, *(t for t in process if t.order > 1), *crossed)
    return (*intercept, *blend, *process, *crossed)


def _blend(region: Region, form: Form, model: str) -> list[Term]:
    names = [n for n in region.blend if form == "scheffe" or n != region.fill]
    single = [Term(((n, 1),)) for n in names]
    if model == "linear":
        return single
    pairs = [Term(((a, 1), (b, 1))) for a, b in combinations(names, 2)]
    triples = [Term(tuple((n, 1) for n in three)) for three in combinations(names, 3)]
    if form == "slack":
        bent = [*single, *pairs, *(Term(((n, 2),)) for n in names)]
        return [*bent, *triples, *_cubes(names)] if model == "full-cubic" else bent
    if model == "quadratic":
        return [*single, *pairs]
    if model == "special-cubic":
        return [*single, *pairs, *triples]
    bends = [Term(((a, 1), (b, 1)), difference=(a, b)) for a, b in combinations(names, 2)]
    return [*single, *pairs, *bends, *triples]


def _cubes(names: Sequence[str]) -> list[Term]:
    """The terms of third order in one or two levels: Gum² × Wax, Gum × Wax², Gum³."""
    mixed = [Term(((a, p), (b, 3 - p))) for a, b in combinations(names, 2) for p in (2, 1)]
    return [*mixed, *(Term(((n, 3),)) for n in names)]


def _process(numeric: Sequence[str], categories: Categories, model: str) -> list[Term]:
    single = [Term(((n, 1),)) for n in numeric]
    named = [[Term(level=((f, v),)) for v in contrasts(f, levels)] for f, levels in categories.items()]
    named = [group for group in named if group]
    first = [*single, *(t for group in named for t in group)]
    if model == "linear":
        return first
    groups = [[t] for t in single] + named
    products: list[Term] = []
    most = len(groups) if model == "factorial" else 2
    for size in range(2, most + 1):
        for chosen in combinations(groups, size):
            made = [Term()]
            for group in chosen:
                made = [a.times(b) for a in made for b in group]
            products += made
    squares = [] if model == "factorial" else [Term(((n, 2),)) for n in numeric]
    return [*first, *squares, *products]
