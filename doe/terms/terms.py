"""Model terms without data: what a model is made of, and the matrix it makes of given recipes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.definition.categories import NONE, contrasts, material_of
from doe.region.region import Region
from doe.terms.codings import Coding, coding
from doe.terms.named import form_of, model_terms, not_repeated, parsed_terms
from doe.terms.products import Piece, Products
from doe.terms.term import Form, Term, is_first_order

Array = npt.NDArray[np.float64]

_SAME = 1e-9  # relative width below which a level stands still


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
        wanted = parsed_terms(terms, region, "[plan], terms") if terms else None
        names_fill = wanted is not None and any(region.fill in dict(t.powers) for t in wanted)
        form = form or form_of(region, model, names_fill)
        if wanted is None:
            wanted = model_terms(region, form, model)
        elif form != "scheffe" and Term() not in wanted:
            wanted = (Term(), *wanted)
        unsure: set[Term] = set()
        if isinstance(maybe, str):
            more = model_terms(region, form, maybe)
            unsure = {t for t in more if not is_first_order(t, form)}
            wanted = tuple(dict.fromkeys([*wanted, *not_repeated(wanted, more, region, form)]))
        elif maybe:
            more = parsed_terms(maybe, region, "[plan], maybe")
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
        return tuple(is_first_order(t, self.form) for t in self.terms)

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
        """`rows` (n, p) and `gradient` (n, p, k) at levels X (n, k) in one pass, for searches."""
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
