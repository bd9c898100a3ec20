"""Whether the steps of making a batch stand in a sensible order, as far as the facts given tell.

Each check needs facts to speak: where melting points, particle sizes, heat limits or temperatures of steps are not
given, it is silent. Margins and temperatures without a source are common practice and said so in the finding.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from doe.definition.checks import Notes
from doe.definition.kinds import is_bead, is_fragrance, is_gum, is_humectant, is_seen, is_water
from doe.definition.materials import label
from doe.definition.parts import Factor, Ingredient, Make, Response, Step
from doe.definition.units import unit_key
from doe.trade.settling import RCF_PER_CM_RPM2, centrifuge_of, force_of

if TYPE_CHECKING:
    from doe.definition.definition import Parts

COOL_C = 40.0  # heat-sensitive materials without a limit of their own go in below this; common practice, no source
MELT_MARGIN_C = 5.0  # the hot stage is at least this above the highest melting point; common practice (5 to 10)
BEAD_MARGIN_C = 20.0  # beads go in at least this below their melting point; common practice, no source
ONE_POT_C = 80.0  # usual for a wax emulsion made in one pot; common practice, no source
GENTLE_RPM = 300.0  # a paddle that leaves beads whole; common practice, no source
PH_C = 30.0  # pH is adjusted near the temperature it is measured at; common practice, no source
FULL_H = 24.0  # viscosity is judged the next day; common practice, no source
DISSOLVES_C = (
    100.0  # what melts above this is dissolved or stays a powder in a batch with water; common practice, no source
)
BOILS_C = 105.0  # no open batch of water gets hotter; common practice, no source
PROCESS_CODES = ("temp-unit", "K20", "K46", "beads-last", "beads-stirred", "ph-last", "ph-warm", "not-taken")

_WETTING = ("wet", "slurry", "dispers", "premix", "sprinkl", "pre-mix")
_VISCOSITIES = {unit_key(unit) for unit in ("mPa.s", "Pa.s", "cP", "P")}


def phase_order(steps: Sequence[Step], ingredients: Sequence[Ingredient]) -> tuple[str, ...]:
    """The phases in the order in which the steps take them; those that no step takes stand last.

    Among these, phases called by letters go by them: A is made before B (common practice, no source); others stand as
    in the study.
    """
    enters = _Making.of(steps, ingredients).enters
    first: dict[str, int] = {}
    for item in ingredients:
        place = enters.get(item.name, len(steps))
        first[item.phase] = min(place, first.get(item.phase, place))
    by_letter = all(len(phase) == 1 and phase.isalpha() for phase in first)
    return tuple(sorted(first, key=lambda phase: (first[phase], phase if by_letter else "")))


@dataclass(frozen=True, slots=True)
class _Making:
    """The steps and where each ingredient goes in: the first step (from 0) that takes it or its phase.

    `materials` are the ingredients with each of several materials by itself, under the name that tells which.
    """

    steps: Sequence[Step]
    ingredients: Sequence[Ingredient]
    materials: Sequence[Ingredient]
    enters: Mapping[str, int]

    @classmethod
    def of(cls, steps: Sequence[Step], ingredients: Sequence[Ingredient]) -> _Making:
        enters: dict[str, int] = {}
        for place, step in enumerate(steps):
            for item in ingredients:
                if item.name in step.takes or (item.phase and item.phase in step.takes):
                    enters.setdefault(item.name, place)
        materials = []
        for item in ingredients:
            each = [replace(item.of(one.name), name=label(item.name, one.name), choice=()) for one in item.choice]
            materials += each or [item]
            enters |= {one.name: enters[item.name] for one in each if item.name in enters}
        return cls(steps, ingredients, materials, enters)

    def taken_in(self, place: int) -> list[Ingredient]:
        return [item for item in self.ingredients if self.enters.get(item.name) == place]

    def as_materials(self, item: Ingredient) -> list[Ingredient]:
        """An ingredient as each of its materials; itself where there is one."""
        return [item.of(one.name) for one in item.choice] or [item]

    def hottest(self, first: int) -> tuple[int, float] | None:
        """The step from `first` on with the highest upper temperature, and that temperature."""
        hot = [(n, step.temp_c[1]) for n, step in enumerate(self.steps) if n >= first and step.temp_c is not None]
        return max(hot, key=lambda one: one[1], default=None)


def check_process(read: Parts, notes: Notes) -> None:
    """Note what practice advises against in the order of making, and in how viscosity and separation are judged."""
    making = _Making.of(read.steps, read.ingredients)
    if any(is_water(item) for item in read.ingredients):
        _check_unit(read.steps, notes)
    if any(step.takes for step in read.steps):
        _check_taken(making, notes)
        _check_gum(making, read.factors, notes)
        _check_heat_limits(making, notes)
        _check_hot_stage(making, notes)
        _check_beads(making, notes)
        _check_ph(making, notes)
    if any(item.role == "fill" for item in read.ingredients):
        _check_loss(read.make, notes)
    if read.ingredients:
        _check_age(read.responses, notes)
        _check_force(read.responses, notes)


def _where(place: int, step: Step) -> str:
    words = step.does if len(step.does) <= 40 else step.does[:37] + "..."
    return f"step {place + 1} ({words})"


def _check_unit(steps: Sequence[Step], notes: Notes) -> None:
    """Temperatures that water does not reach in an open vessel: most likely degrees Fahrenheit."""
    for place, step in enumerate(steps):
        if step.temp_c is not None and step.temp_c[1] > BOILS_C:
            high = step.temp_c[1]
            got, do = (
                f"temp_c up to {high:g} C",
                f"if these are degrees Fahrenheit: {high:g} F are {(high - 32) / 1.8:.0f} C",
            )
            notes.add("temp-unit", "warn", _where(place, step), got, f"up to {BOILS_C:g} C (common practice)", do)


def _check_taken(making: _Making, notes: Notes) -> None:
    out = [i.name for i in making.ingredients if i.name not in making.enters and i.role != "adjuster"]
    if out:
        got = f"no step takes {', '.join(out)}"
        notes.add("not-taken", "warn", "[[step]], takes", got, "a step for every phase", "add it to takes of its step")


def _check_gum(making: _Making, factors: Sequence[Factor], notes: Notes) -> None:
    """K46: gum is wetted out in humectant before it meets water."""
    texts = [text for f in factors for text in (f.name, *f.levels)]
    if any("wet" in text.casefold() for text in texts):  # how it is wetted out is what the study tries
        return
    wet = [making.enters[i.name] for i in making.ingredients if is_humectant(i) and i.name in making.enters]
    water = [making.enters[i.name] for i in making.ingredients if is_water(i) and i.name in making.enters]
    for item in making.ingredients:
        place = making.enters.get(item.name)
        if not is_gum(item) or place is None or not wet or not water or min(water) > place:
            continue
        with_humectant, with_water = place in wet, place in water
        told = any(word in making.steps[place].does.casefold() for word in _WETTING)
        if with_humectant and (told or not with_water):
            continue
        got = f"{item.name} meets water before it is wetted out"
        if with_humectant:
            got = f"{item.name}, water and humectant go in together"
        do = "take gum and humectant in a step of their own, then into the water (common practice); dry gum lumps"
        notes.add("K46", "warn", _where(place, making.steps[place]), got, "gum in humectant first", do)


def _check_heat_limits(making: _Making, notes: Notes) -> None:
    """K20: what does not stand heat goes in below its limit, and stays below it."""
    for item in making.materials:
        place = making.enters.get(item.name)
        limit: Any = item.facts.get("max_c", COOL_C if is_fragrance(item) else None)
        hot = making.hottest(place) if place is not None and limit is not None else None
        if hot is None or hot[1] <= limit:
            continue
        stands = f"it stands {limit:g} C" if "max_c" in item.facts else f"below {limit:g} C (common practice)"
        do = "let it go in once the batch is cool enough" if hot[0] == place else "take it in after the hot steps"
        got = f"{item.name} is at up to {hot[1]:g} C"
        notes.add("K20", "warn", _where(hot[0], making.steps[hot[0]]), got, stands, do)


def _check_hot_stage(making: _Making, notes: Notes) -> None:
    """K20: the hottest stage after wax has gone in is above its melting point by a margin."""
    short = []
    for item in making.materials:
        melts, place = item.facts.get("melts_c"), making.enters.get(item.name)
        if melts is None or melts > DISSOLVES_C or place is None or is_bead(item):
            continue
        lows = [s.temp_c[0] for s in making.steps[place:] if s.temp_c is not None]
        if lows and max(lows) < melts + MELT_MARGIN_C:
            short.append((float(melts), item.name, place, max(lows)))
    if short:
        melts, name, place, reached = max(short)
        got = f"{name} melts at {melts:g} C, and the batch is held from {reached:g} C"
        allowed = f"at least {melts + MELT_MARGIN_C:g} C"
        usual = f"; about {ONE_POT_C:g} C is usual for a wax emulsion in one pot" if melts < ONE_POT_C - 5 else ""
        do = f"hold it {MELT_MARGIN_C:g} to 10 C above the melting point until it is clear{usual} (common practice)"
        notes.add("K20", "warn", _where(place, making.steps[place]), got, allowed, do)


def _check_beads(making: _Making, notes: Notes) -> None:
    """Beads go in last but for pH, under a gentle paddle; K20: well below their melting point, where they have one."""
    for item in making.materials:
        place = making.enters.get(item.name)
        if not (is_bead(item) or _is_fragile(item)) or place is None:
            continue
        limit, hot = float(item.facts.get("melts_c", math.inf)) - BEAD_MARGIN_C, making.hottest(place)
        if hot is not None and hot[1] > limit:
            got = f"{item.name} melts at {item.facts['melts_c']:g} C, and is at up to {hot[1]:g} C"
            do = f"{BEAD_MARGIN_C:g} C below the melting point (common practice): cool first, then take the beads in"
            notes.add("K20", "warn", _where(hot[0], making.steps[hot[0]]), got, f"up to {limit:g} C", do)
        after = [
            other.name
            for n in range(place + 1, len(making.steps))
            for other in making.taken_in(n)
            if other.role != "adjuster"
            and not any(_is_fragile(one) or is_bead(one) for one in making.as_materials(other))
        ]
        if after:
            got = f"{', '.join(after)} {'goes' if len(after) == 1 else 'go'} in after {item.name}"
            do = "take the beads in last, only pH after them (common practice): every stirring wears them"
            notes.add("beads-last", "inform", _where(place, making.steps[place]), got, "beads last but for pH", do)
        for n, step in enumerate(making.steps):
            if n >= place and step.rpm is not None and step.rpm > GENTLE_RPM:
                got = f"{step.rpm:g} rpm with {item.name} in the batch"
                allowed = f"up to {GENTLE_RPM:g} rpm, a paddle (common practice)"
                notes.add("beads-stirred", "warn", _where(n, step), got, allowed, "stir gently from the beads on")


def _is_fragile(item: Ingredient) -> bool:
    """Beads that do not melt: still to be seen whole."""
    return is_seen(item) and bool({"d50_um", "d90_um"} & set(item.facts))


def _check_ph(making: _Making, notes: Notes) -> None:
    """The pH is set when all else is in, near the temperature at which it is measured."""
    for item in making.ingredients:
        place = making.enters.get(item.name)
        if item.role != "adjuster" or place is None:
            continue
        step = making.steps[place]
        after = [
            other.name
            for n in range(place + 1, len(making.steps))
            for other in making.taken_in(n)
            if other.role != "adjuster"
        ]
        if after:
            got = f"{', '.join(after)} {'goes' if len(after) == 1 else 'go'} in after {item.name}"
            do = "adjust it last: what goes in later moves it again (common practice)"
            notes.add("ph-last", "warn", _where(place, step), got, "pH when all else is in", do)
        if step.temp_c is not None and step.temp_c[1] > PH_C:
            got = f"{item.adjusts} is set with {item.name} at up to {step.temp_c[1]:g} C"
            do = "cool to the temperature of the method first: a warm batch reads otherwise (common practice)"
            notes.add("ph-warm", "warn", _where(place, step), got, f"up to {PH_C:g} C", do)


def _check_age(responses: Sequence[Response], notes: Notes) -> None:
    """K27: viscosity is judged when it is all there."""
    for response in responses:
        if response.is_exact or unit_key(response.unit) not in _VISCOSITIES:
            continue
        where = f"response {response.name!r}, after_h"
        allowed = f"{FULL_H:g} h (common practice)"
        if response.after_h is None:
            do = f"add after_h = {FULL_H:g}, or the age you read at: viscosity builds up for a day"
            notes.add("K27", "inform", where, "does not say how old the batch is when read", allowed, do)
        elif response.after_h < FULL_H:
            got = f"read after {response.after_h:g} h"
            notes.add("K27", "inform", where, got, allowed, "viscosity may still be building up then")


def _check_force(responses: Sequence[Response], notes: Notes) -> None:
    """K42: a centrifuge pulls by its radius as well as by its speed; another one turns as fast and pulls otherwise."""
    for response in responses:
        radius, speed = centrifuge_of(response.method) or (None, None)
        if speed is None or radius is not None or force_of(response.method) is not None:
            continue
        do = f"give the force, as x g = {RCF_PER_CM_RPM2 * 1e5:g} x 10^-5 r n^2 (r in cm, n in rpm), or add r = ... cm"
        notes.add("K42", "warn", f"response {response.name!r}, method", f"a centrifuge at {speed:g} rpm, of no radius",
                  "its force in multiples of gravity, and the minutes", do)  # fmt: skip


def _check_loss(make: Make, notes: Notes) -> None:
    """K05: water that boils off and is not made up leaves more of all else, by 1 / (1 - loss)."""
    more = make.loss / (1.0 - make.loss)
    if make.make_up or more <= make.weigh_tolerance:
        return
    got = (
        f"{100 * make.loss:.3g} % of a batch boils off and is not made up: it holds {100 * more:.3g} % more of all else"
    )
    do = "make_up = true, and water to weight once it is cool; or weigh each batch after heating, and the fit uses that"
    notes.add("K05", "warn", "[make]", got, f"within {100 * make.weigh_tolerance:g} % of the recipe", do)
