"""Particles in the product: whether they sink or rise, what holds them, how fast they move, how many there are.

Formulas for a lone sphere at rest. Beads crowd, wander in transport and age with the product: a jar standing warm for
weeks decides, both ends of it looked at.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from doe.definition.kinds import is_seen, is_water
from doe.definition.materials import label
from doe.definition.parts import Ingredient, Response
from doe.definition.units import unit_factor
from doe.trade.check import Check, Given, Live, figure, no_less
from doe.trade.composition import Stock, volume_of
from doe.trade.forms import Bend, Form
from doe.trade.settling import stokes_velocity, yield_to_hold

if TYPE_CHECKING:
    from doe.study import Study

Array = npt.NDArray[np.float64]

SAFETY = 5.0  # factor on the yield value: transport, warm store, ageing; common practice (5 to 10), no source
FEW, MANY = 1.0, 4.0  # % of particles that are to be seen; about 2 % reads as a good amount: common practice, no source
SLOW_MM_PER_DAY = 1.0 / 90.0  # 1 mm in 90 days; our choice
AS_HEAVY = 5e-4  # kg/m3: half a gram in a cubic metre; our choice
KNOWN_SHARE = 0.8  # of the base's mass, whose densities have to be known; our choice
_MM_PER_DAY = 1000.0 * 86400.0  # in one m/s


@dataclass(frozen=True, slots=True)
class Particle:
    """Particles that one ingredient brings: a material with a density and a size, and its share of the ingredient.

    `row` is the ingredient's in the stock, `label` what findings call it.
    """

    row: int
    label: str
    item: Ingredient
    share: float

    @property
    def density(self) -> float:
        """Of the particle [g/ml]."""
        return float(self.item.facts["density"])

    @property
    def largest_um(self) -> float:
        """The size that counts for what holds it: its d90, else its d50, in micrometres."""
        return float(self.item.facts.get("d90_um", self.item.facts.get("d50_um")))

    @property
    def middle_um(self) -> float:
        """The median size, else its d90, in micrometres."""
        return float(self.item.facts.get("d50_um", self.item.facts.get("d90_um")))

    @property
    def per_gram(self) -> float:
        """In a gram of product for each % of them: 0.01 / (density x volume of a sphere of the median size)."""
        return 0.01 / (self.density * np.pi / 6.0 * (self.middle_um * 1e-4) ** 3)


def _is_particle(item: Ingredient) -> bool:
    sized = "d50_um" in item.facts or "d90_um" in item.facts
    return "density" in item.facts and sized and not is_water(item)


def particles(stock: Stock) -> list[Particle]:
    """The particles that each ingredient is, or holds as a premix: all that have a density and a size."""
    out: list[Particle] = []
    for row, item in enumerate(stock.items):
        if _is_particle(item):
            out.append(Particle(row, stock.labels[row], item, 1.0))
            continue
        held: dict[str, Particle] = {}
        for part, share in stock.parts[row]:
            if _is_particle(part):
                so_far = held[part.name].share if part.name in held else 0.0
                held[part.name] = Particle(row, label(stock.labels[row], part.name), part, so_far + share)
        out += held.values()
    return out


def base_rows(stock: Stock) -> tuple[Array, Array, Array]:
    """The base, all that is no particle, in a gram of each material, (m,) each.

    Its mass [g], its volume [ml], the mass whose density is known. Of a premix with particles it is the other parts.
    """
    rows = np.zeros((3, len(stock.items)))
    holds = {particle.row for particle in particles(stock)}
    for row, item in enumerate(stock.items):
        if _is_particle(item):
            continue
        rest = [(part, share) for part, share in stock.parts[row] if not _is_particle(part)]
        parts = rest if row in holds else stock.telling(row, "density")
        rows[:, row] = sum(share for _, share in parts), *volume_of(parts)
    mass, volume, known = rows
    return mass, volume, known


def base_density(stock: Stock, percent: Array) -> Array:
    """The density [g/ml] of the base of each recipe, (n,): its mass over its volume.

    NaN where less than 0.8 of it has a density.
    """
    base, volume, known = base_rows(stock)
    with np.errstate(invalid="ignore", divide="ignore"):
        mass = percent @ base
        density: Array = np.where(percent @ known >= KNOWN_SHARE * mass, mass / (percent @ volume), np.nan)
    return density


def suspension_checks(stock: Stock, percent: Array, given: Given) -> Iterator[Check]:
    """K21 to K23 and the load, for all particles of known density and size, those in premixes too."""
    base = base_density(stock, percent)
    mass, volume, _ = base_rows(stock)
    for particle in particles(stock):
        there = percent[:, particle.row] > 0
        gap = np.where(there, 1000.0 * (particle.density - base), np.nan)
        # What is as heavy as its base neither sinks nor rises by a last digit.
        gap = np.where(np.abs(gap) < AS_HEAVY, 0.0, gap)
        there_is = (stock.names[particle.row],)
        apart = Form(stock.percent(mass), stock.percent(volume), Bend("difference", 1000.0, particle.density))
        yield Check(
            "K21", particle.label, gap, lambda v: f"rises: {figure(-v)} kg/m3 lighter than what it stands in",
            "", "look at both ends of the jar; air in the batch makes the base lighter, and what rises may sink",
            low=0.0, number="density_difference",
            live=Live(
                "rises: {v:-1} kg/m3 lighter than what it stands in", ((1.0, apart),), low=-AS_HEAVY, present=there_is
            ),
        )  # fmt: skip
        far = Form(apart.top, apart.under, Bend("gap", 1000.0, particle.density))
        yield _held(stock.study, particle, gap, given, far, there_is)
        if given.low_shear is not None and given.yield_pa is None:
            yield _moves(particle, gap, given, far, there_is)
    seen = [particle for particle in particles(stock) if is_seen(particle.item)]
    if seen:
        yield _load_check(stock, percent, seen)


def _load_check(stock: Stock, percent: Array, seen: Sequence[Particle]) -> Check:
    """The load of all particles that are to be seen, whatever material they come from.

    How many are in a gram is said of one kind. That several are few is said where at least one is never left out.
    """
    share = sum(stock.one(particle.row, particle.share) for particle in seen)
    load = percent @ share
    one = seen[0] if len(seen) == 1 else None
    low = FEW if one is not None or any(_is_always_in(stock, particle.row) for particle in seen) else 0.0
    often = None if one is None else one.per_gram
    return Check(
        "bead-load", ", ".join(particle.label for particle in seen), np.where(load > 0, load, np.nan),
        lambda v: _load_words(figure(v), figure(v / 2), None if often is None else figure(often * v)),
        f"{FEW:g} to {MANY:g} % (common practice)", "nothing, if it is meant so",
        low=low, high=MANY, number="percent",
        live=Live(_load_words("{v}", "{v:0.5}", None if often is None else f"{{v:{often!r}}}"),
                  ((1.0, Form(stock.percent(share))),), low=low, high=MANY,
                  present=() if one is None else (stock.names[one.row],)),
    )  # fmt: skip


def _is_always_in(stock: Stock, row: int) -> bool:
    name = stock.names[row]
    return stock.study.region.reach.get(name, (stock.study.ingredient(name).level or 0.0, 0.0))[0] > 0


def _load_words(percent: str, times: str, often: str | None) -> str:
    count = "" if often is None else f"; {often} particles in a gram"
    return f"{percent} %, {times} times what reads as a good amount{count}"


def _size(particle: Particle) -> tuple[str, float]:
    """The size that counts, in words and in metres."""
    told = "d90" if "d90_um" in particle.item.facts else "d50"
    return f"{told} {particle.largest_um:g} um", particle.largest_um * 1e-6


def _held(
    study: Study, particle: Particle, gap: Array, given: Given, far: Form, there: tuple[str, ...]
) -> Check:  # fmt: skip
    """K22: against the yield value where one is known, else what is needed, unless a response asks for as much."""
    name, (size, d_m) = particle.label, _size(particle)
    need = SAFETY * yield_to_hold(d_m, gap)
    per_gap = SAFETY * float(yield_to_hold(d_m, 1.0))
    if given.yield_pa is not None:
        return Check(
            "K22", name, np.where(np.isnan(need), np.nan, given.yield_pa),
            lambda v: f"apparent yield value {figure(v)} Pa {given.how}",
            lambda row: _enough(figure(float(need[row])), figure(abs(float(gap[row]))), size),
            "more yield value (another gum, not only more of it), smaller beads, or a nearer density",
            low=np.nan_to_num(need), number="yield_pa",
            live=Live(f"apparent yield value {{v}} Pa {given.how}", reading="yield_pa", least=(per_gap, far),
                      present=there, allowed=_enough("{n}", f"{{n:{1 / per_gap!r}}}", size)),
        )  # fmt: skip
    asked, allowed, do = _asked_yield(study, float(np.nanmax(need)) if np.isfinite(need).any() else 0.0)
    return Check(
        "K22", name, need, lambda v: _needs(figure(v), figure(v / per_gap), size), allowed,
        f"{do}; gums alone may flow at any stress, only slowly", high=asked, number="yield_needed_pa", level="inform",
        live=Live(_needs("{v}", f"{{v:{1 / per_gap!r}}}", size), ((per_gap, far),), high=max(asked, per_gap * AS_HEAVY),
                  present=there),
    )  # fmt: skip


def _enough(pascal: str, apart: str, size: str) -> str:
    return f"{pascal} Pa: {size}, {apart} kg/m3 apart, {SAFETY:g} times what just holds it"


def _needs(pascal: str, apart: str, size: str) -> str:
    return (
        f"needs an apparent yield value of {pascal} Pa to stay where it is: {size}, {apart} kg/m3 apart, "
        f"{SAFETY:g} times what just holds it"
    )


def _asked_yield(study: Study, need: float) -> tuple[float, str, str]:
    """The yield value [Pa] that the study asks for itself, 0 where it asks for none; in words, and what to do.

    `need` [Pa] is what the study should ask for.
    """
    response = next((r for r in study.responses if _is_yield(r)), None)
    if response is None:
        return 0.0, "no yield value is read", "read a flow curve, and take yield_value of it as a response"
    low, _ = response.window
    factor = unit_factor(response.unit, "Pa") or 1.0
    enough = f"{no_less(need / factor) if need > 0 else '0'} {response.unit}"
    if low is None:
        return 0.0, f"{response.name} asks for none", f"give {response.name} aim above, and {enough} as its low"
    do = f"raise the low of {response.name} to {enough}"
    return low * factor, f"{response.name} asks for {low:g} {response.unit} only", do


def _is_yield(response: Response) -> bool:
    words = f"{response.name} {response.method}".casefold()
    stress = unit_factor(response.unit, "Pa") is not None and response.kind == "number" and not response.is_exact
    return stress and (response.source == "yield_value" or "yield" in words)


def _moves(particle: Particle, gap: Array, given: Given, far: Form, there: tuple[str, ...]) -> Check:
    name, (size, d_m) = particle.label, _size(particle)
    pace = abs(float(stokes_velocity(d_m, 1.0, 1.0))) * _MM_PER_DAY
    speed = pace * np.abs(gap) / np.asarray(given.low_shear)
    return Check(
        "K23", name, speed, lambda v: _moves_by(figure(v), size, given.how),
        f"{figure(SLOW_MM_PER_DAY)} mm a day, 1 mm in 90 days (our choice)",
        "a yield value holds it, viscosity alone only slows it; a warm jar decides", high=SLOW_MM_PER_DAY,
        number="mm_per_day",
        live=Live(_moves_by("{v}", size, given.how), ((pace, far),), under="low_shear", high=SLOW_MM_PER_DAY,
                  present=there),
    )  # fmt: skip


def _moves_by(speed: str, size: str, how: str) -> str:
    return f"moves {speed} mm a day by its low-shear viscosity {how} ({size})"


def readings_of(study: Study) -> dict[str, tuple[str, float]]:
    """The response that tells ph, yield_pa [Pa] or low_shear [Pa.s], where there is one, and its factor to that unit.

    A yield value is a response taken as one, or in a unit of stress with `yield` in its name; a viscosity at low shear
    one taken as it, or with `low shear` in its name or method.
    """
    from doe.trade.acidity import ph_response

    ph = ph_response(study)
    found: dict[str, tuple[str, float]] = {} if ph is None else {"ph": (ph.name, 1.0)}
    for response in study.responses:
        if response.kind != "number" or response.is_exact:
            continue
        words = f"{response.name} {response.method}".casefold().replace("-", " ")
        viscosity = unit_factor(response.unit, "Pa.s")
        if _is_yield(response):
            found.setdefault("yield_pa", (response.name, unit_factor(response.unit, "Pa") or 1.0))
        if viscosity is not None and (response.source == "low_shear_viscosity" or "low shear" in words):
            found.setdefault("low_shear", (response.name, viscosity))
    return found


def given_of(study: Study, values: dict[str, Array], how: str) -> Given:
    """What values (n,) of responses, by name and in their unit, tell of pH, yield value and low-shear viscosity."""
    told = {key: factor * values[name] for key, (name, factor) in readings_of(study).items() if name in values}
    return Given(**told, how=how)
