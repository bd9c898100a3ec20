"""What checks of the trade stop, as limits that a search keeps: exact responses that no study names.

A rule with the level "stop" (`doe.trade.rulebook`) belongs here, too, or a search would offer what `card` then refuses.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from doe.definition.parts import Response
from doe.trade.acidity import out_of_window
from doe.trade.composition import Stock, counts_mass
from doe.trade.forms import Form
from doe.trade.legal import POLYMER_SHARE, counted_share, laws_for, stopped_polymer

if TYPE_CHECKING:
    from doe.study import Study

# What `source` of such a response says, in place of the name of a quantity.
_LEGAL, _POLYMER, _WINDOWS = "legal", "stopped polymer", "windows apart"
# Beside the legal maxima (K11): code, source, name, and the highest share of the product [%].
_STOPS = (
    ("K17", _POLYMER, "particles of a synthetic polymer", POLYMER_SHARE * (1 - 1e-6)),
    ("K15", _WINDOWS, "materials whose pH window does not meet the others'", 0.0),
)
KEPT_CODES = ("K11", *(code for code, *_ in _STOPS))


def stop_limits(study: Study) -> tuple[Response, ...]:
    """What checks of the trade stop, as exact responses that a search keeps: K11, K15 and K17.

    None that `[[accept]]` takes, that no recipe could break, or that no recipe at all could keep.
    """
    found = list(_legal_limits(study))
    if not study.ingredients or not counts_mass(study.unit):
        return tuple(found)
    taken = {accept.finding for accept in study.accepts}
    for code, source, name, high in _STOPS:
        spans = [] if code in taken else [_span(study, source, dict(c)) for c in study.region.combinations]
        if any(most > high for _, most in spans) and any(least <= high for least, _ in spans):
            found.append(Response(name, "%", source=source, aim="below", high=high))
    return tuple(found)


def stop_form(study: Study, response: Response, chosen: Mapping[str, Any] | None) -> Form | None:
    """The form of one of `stop_limits` at one choice of materials (category levels); None for any other response."""
    if response.source == _LEGAL:
        stock = Stock.of(study, chosen)
        law = next((law for law in laws_for(study) if law.substance == response.of), None)
        return Form({}) if law is None else Form(stock.percent(counted_share(stock, law)))
    if response.source in (_POLYMER, _WINDOWS):
        return _form(study, str(response.source), _whole(study, chosen))
    return None


def _form(study: Study, source: str, chosen: Mapping[str, Any]) -> Form:
    """The share of the product that K17 or K15 stops at one combination of all categories [%]."""
    stock = Stock.of(study, chosen)
    share = stopped_polymer(stock) if source == _POLYMER else out_of_window(stock, _ends(study, chosen))
    return Form(stock.percent(share))


def _span(study: Study, source: str, chosen: Mapping[str, Any]) -> tuple[float, float]:
    """The least and most that one of `_STOPS` can be at one combination, each level by itself [% of the product]."""
    ends = _ends(study, chosen)
    weights = _form(study, source, chosen).top
    least, most = (sum(weight * ends[name][side] for name, weight in weights.items()) for side in (0, 1))
    return float(least), float(most)


def _ends(study: Study, chosen: Mapping[str, Any]) -> dict[str, tuple[float, float]]:
    """How far each level can go at one combination; a fixed one stays where it is."""
    fixed = {item.name: (item.level or 0.0, item.level or 0.0) for item in study.ingredients}
    return fixed | {name: ends for name, ends in study.region.at(chosen).reach.items() if name in fixed}


def _legal_limits(study: Study) -> tuple[Response, ...]:
    """The legal maxima that recipes of a study could break, as exact responses; none that `[[accept]]` takes (K11)."""
    if not study.ingredients or not counts_mass(study.unit) or "K11" in {a.finding for a in study.accepts}:
        return ()
    most: dict[str, float] = {}
    laws = laws_for(study)
    for law in laws:
        most[law.substance] = min(law.most, most.get(law.substance, law.most))
    highs = {item.name: item.level or item.high or study.total for item in study.ingredients}
    highs |= {name: ends[1] for name, ends in study.region.reach.items() if name in highs}
    highest = 100.0 / study.total * np.array([highs[item.name] for item in study.ingredients])
    stocks = _stocks(study)
    # Each level at its highest: what cannot be broken even so needs no limit.
    reach = {law.substance: max(float(highest @ counted_share(stock, law)) for stock in stocks) for law in laws}
    return tuple(
        Response(f"legal limit of {name}", "%", source=_LEGAL, of=name, aim="below", high=high)
        for name, high in most.items()
        if reach[name] > high
    )


def _stocks(study: Study) -> list[Stock]:
    """The stock of a study at each choice of materials that is open."""
    names = [f.name for f in study.category_factors if f.of is not None]
    choices = {tuple(combination[name] for name in names) for combination in study.region.combinations}
    return [Stock.of(study, dict(zip(names, choice, strict=True))) for choice in sorted(choices)]


def _whole(study: Study, chosen: Mapping[str, Any] | None) -> dict[str, Any]:
    """A combination of all categories in which the materials are those chosen."""
    given = dict(chosen or {})
    whole = (dict(c) for c in study.region.combinations)
    return next((c for c in whole if all(c[name] == given.get(name, c[name]) for name in c)), given)
