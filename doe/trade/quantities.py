"""Named exact quantities of a recipe that a response may be (`from = "..."`): sums and ratios of sums of the levels.

Each is bend(top . x / under . x) with weights over all levels x, so that a limit on it is a linear limit on levels.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import numpy.typing as npt

from doe.definition.kinds import is_gum, is_humectant
from doe.definition.parts import Response
from doe.problems import Unavailable, listed
from doe.recipes.prices import price_weights
from doe.trade.composition import Stock, counts_mass, natural_share, solids
from doe.trade.emulsion import oil_rows
from doe.trade.forms import Bend, Form
from doe.trade.legal import allergens
from doe.trade.settling import yield_to_hold
from doe.trade.stops import stop_form
from doe.trade.suspension import Particle, base_rows, particles

if TYPE_CHECKING:
    from doe.study import Study

Array = npt.NDArray[np.float64]
Of = Literal["", "ingredient", "name"]


Found = Form | Unavailable


def _price(stock: Stock, of: str) -> Found:
    weights = price_weights(stock.study, stock.chosen)
    return weights if isinstance(weights, Unavailable) else Form(weights)


def _pack(stock: Stock, of: str) -> Found:
    cost, pack = _price(stock, of), stock.study.pack_g
    if pack is None:
        return Unavailable("no pack_g is given", "add pack_g to [study]")
    return cost if isinstance(cost, Unavailable) else Form({n: w * pack / 1000.0 for n, w in cost.top.items()})


def _natural(water: bool) -> Callable[[Stock, str], Found]:
    def natural(stock: Stock, of: str) -> Found:
        found = natural_share(stock, water=water)
        if isinstance(found, Unavailable):
            return found
        return Form(stock.percent(found[0]), {n: w / 100.0 for n, w in stock.percent(found[1]).items()})

    return natural


def _oil(stock: Stock, of: str) -> Found:
    oil, _ = oil_rows(stock)
    return Form(stock.percent(oil)) if oil.any() else Unavailable("no oil is known", "give required_hlb of each oil")


def _ratio(rows: Callable[[Stock], tuple[Array, Array]], what: str, do: str) -> Callable[[Stock, str], Found]:
    def ratio(stock: Stock, of: str) -> Found:
        top, under = rows(stock)
        return Form(stock.percent(top), stock.percent(under)) if under.any() else Unavailable(what, do)

    return ratio


def _hlb(key: str) -> Callable[[Stock], tuple[Array, Array]]:
    def rows(stock: Stock) -> tuple[Array, Array]:
        given = stock.facts(key)
        return np.nan_to_num(given), (~np.isnan(given)).astype(float)

    return rows


def _wetting(stock: Stock) -> tuple[Array, Array]:
    gums = np.array([float(is_gum(item)) for item in stock.items])
    return np.array([float(is_humectant(item)) for item in stock.items]) * (1.0 - gums), gums


def _inci(stock: Stock, of: str) -> Found:
    for j, name in enumerate(stock.inci):
        if name.casefold() == of.casefold():
            return Form(stock.percent(stock.declared[:, j]))
    return Unavailable(f"no material brings {of}", "write its INCI name as a material has it")


def _acid(stock: Stock, of: str) -> Found:
    share = np.zeros(len(stock.items))
    for row in range(len(stock.items)):
        share[row] = sum(part for name, _, part in stock.acids(row) if name.casefold() == of.casefold())
    return (
        Form(stock.percent(share)) if share.any() else Unavailable(f"no material brings {of} acid", "give acid of one")
    )


def _allergen(stock: Stock, of: str) -> Found:
    found = {name.casefold(): share for name, share in allergens(stock).items()}
    if of.casefold() not in found:
        return Unavailable(f"no material brings {of}", "give allergens of what does")
    return Form(stock.percent(found[of.casefold()]))


def _particle(make: Callable[[Stock, Particle], Form]) -> Callable[[Stock, str], Found]:
    def form(stock: Stock, of: str) -> Found:
        held = [particle for particle in particles(stock) if stock.names[particle.row] == of]
        if not held:
            return Unavailable(f"{of} has no density and size", "give its density, and d90_um or d50_um")
        if len(held) > 1:
            kinds = listed([particle.item.name for particle in held])
            return Unavailable(f"{of} holds several kinds of particles: {kinds}", "add each kind by itself")
        return make(stock, held[0])

    return form


def _number(stock: Stock, particle: Particle) -> Form:
    return Form(stock.percent(stock.one(particle.row, particle.share * particle.per_gram)))


def _volume(stock: Stock, particle: Particle) -> Form:
    own = stock.one(particle.row, 100.0 * particle.share / particle.density)
    return Form(stock.percent(own), stock.percent(stock.volumes))


def _spacing(stock: Stock, particle: Particle) -> Form:
    share = _volume(stock, particle)
    return Form(share.top, share.under, Bend("spacing", particle.middle_um * 1e-3))


def _difference(kind: Literal["gap", "difference"]) -> Callable[[Stock, Particle], Form]:
    def form(stock: Stock, particle: Particle) -> Form:
        mass, volume, _ = base_rows(stock)
        scale = 1000.0 * (float(yield_to_hold(particle.largest_um * 1e-6, 1.0)) if kind == "gap" else 1.0)
        return Form(stock.percent(mass), stock.percent(volume), Bend(kind, scale, particle.density))

    return form


@dataclass(frozen=True, slots=True)
class Named:
    """A quantity by name: its unit, what `of` has to name ("" for nothing), what it is, by which formula, from where.

    `make` makes it from the materials.
    """

    unit: str
    of: Of
    doc: str
    formula: str
    source: str
    make: Callable[[Stock, str], Found]


_BALANCE = "mass balance"
_ISO = "ISO 16128-2:2017, as summarised in public; test: a published worked example"
_GRIFFIN = "Griffin (1949, 1954), from memory"

QUANTITIES: Mapping[str, Named] = MappingProxyType(
    {
        "cost_per_kg": Named("currency/kg", "", "raw materials of a kilogram", "sum(level x price_per_kg) / total",
                             "prices as given", _price),
        "cost_per_pack": Named("currency", "", "raw materials of a pack", "cost_per_kg x pack_g / 1000",
                               "prices as given", _pack),
        "water": Named("%", "", "all water, that in solutions too", "sum(level x share of water)", _BALANCE,
                       lambda s, _: Form(s.percent(s.water))),
        "dry_residue": Named("%", "", "all but water: solids where given", "sum(level x solids)", _BALANCE,
                             lambda s, _: Form(s.percent(solids(s)))),
        "natural_origin": Named("%", "", "natural-origin content, formulation water counted",
                                "sum(level x natural_share) / sum(level)", _ISO, _natural(True)),
        "natural_origin_without_water": Named("%", "", "the same, formulation water left out",
                                              "the same over all that is no water", _ISO, _natural(False)),
        "inci": Named("%", "name", "one INCI name over all materials", "sum(level x share)", _BALANCE, _inci),
        "acid": Named("%", "name", "a preservative acid, counted as acid",
                      "sum(level x share x molar mass of the acid x acids per salt / molar mass of the salt)",
                      "standard atomic weights", _acid),
        "allergen": Named("%", "name", "one allergen over all sources", "sum(level x share)", _BALANCE, _allergen),
        "oil_phase": Named("%", "", "all that has a required HLB", "sum(level)", _BALANCE, _oil),
        "hlb_required": Named("", "", "mean HLB the oils require", "sum(level x required_hlb) / sum(level), over oils",
                              _GRIFFIN,
                              _ratio(_hlb("required_hlb"), "no oil is known", "give required_hlb of each oil")),
        "hlb_supplied": Named("", "", "mean HLB of the emulsifiers", "sum(level x hlb) / sum(level), over emulsifiers",
                              _GRIFFIN, _ratio(_hlb("hlb"), "no emulsifier is known", "give hlb of each emulsifier")),
        "emulsifier_to_oil": Named("", "", "emulsifiers over oils", "sum(level) / sum(level)", _BALANCE,
                                   _ratio(lambda s: oil_rows(s)[::-1], "no oil is known", "give required_hlb and hlb")),
        "humectant_to_gum": Named("", "", "humectants over gums", "sum(level) / sum(level)", _BALANCE,
                                  _ratio(_wetting, "no gum is known", "give its INCI")),
        "bead_volume": Named("% v/v", "ingredient", "volume share of particles",
                             "(level / density) / sum(level / density)", _BALANCE, _particle(_volume)),
        "beads_per_gram": Named("1/g", "ingredient", "particles in a gram", "level / (density x pi/6 x d50^3)",
                                "geometry of spheres", _particle(_number)),
        "bead_spacing": Named("mm", "ingredient", "mean distance between centres of particles",
                              "d50 x (pi / (6 x volume share))^(1/3)", "geometry of a simple cubic lattice",
                              _particle(_spacing)),
        "density_difference": Named("kg/m3", "ingredient", "particle less base; below 0 it rises",
                                    "density - sum(level) / sum(level / density) over all that is no particle",
                                    _BALANCE, _particle(_difference("difference"))),
        "yield_needed": Named("Pa", "ingredient", "yield value that just holds a particle, no safety in it",
                              "0.143 / 3 x |density difference| x g x d90",
                              "Beris, Tsamopoulos, Armstrong & Brown (1985) J. Fluid Mech. 158, 219-244",
                              _particle(_difference("gap"))),
    }
)  # fmt: skip

# What is taken from a flow curve, by the law of `doe.trade.flow`; in the order of CURVE_QUANTITIES.
_LAW = "Herschel & Bulkley (1926) Kolloid-Z. 39, 291-300, from memory; the law by AICc"
_OF_CURVES = (
    ("yield_value", "Pa", "apparent yield value of the fitted law", "tau_y of tau = tau_y + K rate^n", _LAW),
    ("hold_margin", "", "how often it holds the particles",
     "yield value / yield needed, of the particle that moves fastest against the fill",
     f"Beris et al. (1985); {_LAW}"),
    ("consistency", "Pa s^n", "consistency of the fitted law", "K", _LAW),
    ("flow_index", "", "how it thins: 1 for a simple liquid", "n", _LAW),
    ("low_shear_viscosity", "Pa.s", "viscosity at a low rate that is read", "(tau_y + K rate^n) / rate", _LAW),
    ("settling_rate", "mm/day", "how fast a lone particle moves, or the slope of a height against time",
     "d90^2 x |density difference| x g / (18 x low-shear viscosity)", "Stokes (1851), from memory"),
)  # fmt: skip


def table() -> str:
    """The table of all quantities as it stands in README.md: name, what it is, formula, unit, source."""
    rows = ["| `from` | what it is | formula | unit | source |", "|---|---|---|---|---|"]
    exact = ((name, one.unit, one.doc, one.formula, one.source) for name, one in QUANTITIES.items())
    for name, unit, doc, formula, source in (*exact, *_OF_CURVES):
        cells = (f"`{name}`", doc, formula, unit, source)
        rows.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
    return "\n".join(rows) + "\n"


def natural_unit(response: Response, currency: str) -> str:
    """The unit that the named quantity of an exact `response` comes in, prices in `currency`; "" where it has none."""
    named = QUANTITIES.get(response.source) if isinstance(response.source, str) else None
    return "" if named is None else named.unit.replace("currency", currency)


def form_of(study: Study, response: Response, chosen: Mapping[str, Any] | None = None) -> Found:
    """The form of an exact response of a study, at one choice of materials (`chosen` are category levels)."""
    if isinstance(response.source, Mapping):
        return Form(response.source)
    stop = stop_form(study, response, chosen)
    if stop is not None:
        return stop
    named = QUANTITIES.get(str(response.source))
    if named is None:
        return Unavailable(f"{response.source} is no quantity that is known", "use one of " + ", ".join(QUANTITIES))
    if response.source == "cost_per_kg":
        weights = price_weights(study, chosen)
        return weights if isinstance(weights, Unavailable) else Form(weights)
    if not (study.ingredients and counts_mass(study.unit)):
        return Unavailable(f"levels in {study.unit or 'no unit'} are no shares of mass", "give levels in % w/w")
    return named.make(Stock.of(study, chosen), response.of or "")
