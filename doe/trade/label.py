"""What goes on the label of one recipe, and what it is made of as a whole."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from doe.definition.kinds import is_fragrance
from doe.definition.parts import Response
from doe.problems import Unavailable
from doe.trade.acidity import material_window
from doe.trade.composition import Stock, counts_mass, declaration, is_unnamed
from doe.trade.legal import allergen_threshold, allergens, counted_share, laws_for
from doe.trade.quantities import QUANTITIES, form_of
from doe.trade.suspension import particles

if TYPE_CHECKING:
    from doe.study import Study

Array = npt.NDArray[np.float64]

FREE_BELOW = 1.0  # % of the product: EU 1223/2009 Art. 19 lets names below it stand in any order (from memory)

BELOW, COLOURANTS = "below 1 %", "colourants"  # what names of the declaration stand under

_COLOUR = re.compile(r"CI\s*[0-9]{5}\b")  # a Colour Index number, as colourants are declared

PH_ENDS = ("Its materials bear a pH from", "Its materials bear a pH up to")
_WHOLE = (
    ("water", "Water in all"),
    ("dry_residue", "Dry residue"),
    ("natural_origin", "Natural origin (ISO 16128-2), formulation water counted"),
    ("natural_origin_without_water", "Natural origin (ISO 16128-2), formulation water left out"),
    ("oil_phase", "Oil phase"),
    ("emulsifier_to_oil", "Emulsifier to oil"),
)
_OF_PARTICLES = (
    ("bead_volume", "Volume share"),
    ("beads_per_gram", "Number"),
    ("bead_spacing", "Mean distance"),
    ("density_difference", "Density minus that of the base"),
    ("yield_needed", "Just held by a yield value of"),
)


@dataclass(frozen=True, slots=True)
class Label:
    """What one recipe declares: INCI names with their % of the product, descending, and allergens above `threshold`.

    `threshold` [%] is None where no rule of ours holds; `untold` are the fragrances whose allergens are not given,
    `unnamed` the materials that declare their own name as no INCI name is given; `laws` are the lines that counted, in
    words.
    """

    names: tuple[tuple[str, float], ...]
    allergens: tuple[tuple[str, float], ...]
    threshold: float | None
    untold: tuple[str, ...]
    laws: tuple[str, ...]
    unnamed: tuple[str, ...] = ()

    @property
    def groups(self) -> tuple[tuple[str, tuple[str, ...]], ...]:
        """The names in the order of the declaration, each as it is, by group: (heading, names); the first has none.

        Names below 1 %, whose order is free, stand after the others, with allergens. Colourants stand last whatever
        their share: EU 1223/2009 Art. 19(1)(g) lets them follow the others in any order (from memory).
        """
        known = {name.casefold() for name, _ in self.names}
        colours = [name for name, _ in self.names if _COLOUR.match(name)]
        others = [(name, share) for name, share in self.names if name not in colours]
        above = [name for name, share in others if share >= FREE_BELOW]
        below = [name for name, share in others if share < FREE_BELOW]
        below += [name for name, _ in self.allergens if name.casefold() not in known]
        told = (("", above), (BELOW, below), (COLOURANTS, colours))
        return tuple((heading, tuple(names)) for heading, names in told if names)

    @property
    def text(self) -> str:
        """The declaration as one line: a comma and a space between names, so that 1,2-Hexanediol stays one of them."""
        said = (f"{heading}: {', '.join(names)}" if heading else ", ".join(names) for heading, names in self.groups)
        return "; ".join(said)


def label_of(study: Study, recipe: Mapping[str, Any]) -> Label:
    """The label of one whole recipe (levels and materials by name)."""
    stock = Stock.of(study, recipe)
    levels = np.array([float(recipe[name]) for name in stock.names])
    percent = 100.0 / study.total * levels
    threshold = allergen_threshold(study)
    counted = {name: float(percent @ share) for name, share in allergens(stock).items()}
    listed = [(n, p) for n, p in counted.items() if threshold is not None and p > threshold]
    laws = [
        f"{law.substance}: {float(percent @ counted_share(stock, law)):.3g} of at most {law.most:g} %"
        f"{f', as {law.as_acid} acid' if law.as_acid else ''} ({law.source}; edition {law.edition}, {law.checked})"
        for law in laws_for(study)
        if float(percent @ counted_share(stock, law)) > 0
    ]
    shown = tuple(sorted(listed, key=lambda row: -row[1]))
    untold = () if threshold is None else _untold(stock, levels)
    rows = [row for row, item in enumerate(stock.items) if levels[row] > 0 and is_unnamed(item)]
    unnamed = tuple(stock.labels[row] for row in rows)
    return Label(declaration(stock, levels.tolist()), shown, threshold, untold, tuple(laws), unnamed)


def _untold(stock: Stock, levels: Array) -> tuple[str, ...]:
    """The fragrances that are in, premixes taken apart, and do not say which allergens they bring."""
    there = (row for row in range(len(stock.items)) if levels[row] > 0)
    parts = (part for row in there for part, _ in stock.telling(row, "allergens"))
    return tuple(dict.fromkeys(p.name for p in parts if is_fragrance(p) and "allergens" not in p.facts))


def whole_of(study: Study, recipe: Mapping[str, Any]) -> tuple[tuple[str, float | Unavailable, str], ...]:
    """What one recipe is as a whole: (what, value, unit); what its facts do not tell is left out or says why.

    Water and dry residue are always there; natural origin says what it lacks where some materials give natural_share.
    """
    if not study.ingredients or not counts_mass(study.unit):
        return ()
    stock = Stock.of(study, recipe)
    columns = {name: np.array([float(recipe[name])]) for name in stock.names}
    asked = [(key, words, "") for key, words in _WHOLE]
    for particle in particles(stock):
        name, own = stock.names[particle.row], particle.label
        if columns[name][0] > 0:
            asked += [(key, f"{own}: {words[0].lower()}{words[1:]}", name) for key, words in _OF_PARTICLES]
    out: list[tuple[str, float | Unavailable, str]] = []
    some_natural = any("natural_share" in item.facts for item in stock.items)
    for key, words, of in asked:
        form = form_of(study, Response("", source=key, of=of or None), recipe)
        if isinstance(form, Unavailable):
            if key == "natural_origin" and some_natural:
                out.append((words, form, "%"))
            continue
        value = float(form.values(columns)[0])
        if np.isfinite(value):
            out.append((words, value, QUANTITIES[key].unit))
    percent = np.array([100.0 / study.total * float(recipe[name]) for name in stock.names])
    window = zip(PH_ENDS, material_window(stock, percent), strict=True)
    return (*out, *((words, end, "pH") for words, end in window if end is not None))
