"""What the sheets say of measuring: what is read, when, how, on how much, and whether a batch is enough for it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from doe.definition.curve_needs import needs_in_words
from doe.trade.settling import RCF_PER_CM_RPM2, centrifuge_of, force_of, relative_centrifugal_force

if TYPE_CHECKING:
    from doe.definition.parts import Response
    from doe.study import Study


@dataclass(frozen=True, slots=True)
class Measure:
    """One line of what is to be measured, as printed.

    `about` is what helps in doing it, `rates` what a curve is read at, in the unit of `against`.
    """

    name: str
    unit: str
    method: str
    when: str
    sample: str
    reads: str
    about: str
    rates: tuple[str, ...]
    against: str

    @classmethod
    def of(cls, response: Response, study: Study) -> Measure:
        """The line of a response of a study."""
        low, high = response.reads
        ends = ["" if end is None else f"{end:g}" for end in (low, high)]
        reads = " to ".join(ends) if any(ends) else ""
        if response.kind == "grade":
            reads = " / ".join(response.grades)
        elif response.kind == "pass":
            reads = "pass / fail"
        sample = "" if response.sample_g is None else f"{response.sample_g:g} g"
        rates = tuple(f"{rate:g}" for rate in response.rates)
        against = {"shear rate": "1/s"}.get(response.against or "", response.against or "")
        when = ", ".join(part for part in (age(response.after_h), response.store) if part)
        about = "; ".join(part for part in (centrifuge(response), needs_in_words(response, study.responses)) if part)
        return cls(response.name, response.unit, response.method, when, sample, reads, about, rates, against)


def age(hours: float | None) -> str:
    """An age in words: hours, from three days on in days."""
    return "" if hours is None else f"{hours / 24:g} days" if hours >= 72 else f"{hours:g} h"


def centrifuge(response: Response) -> str:
    """The relative centrifugal force of a test in a centrifuge, or how to work it out; "" for other tests."""
    found = centrifuge_of(response.method)
    if found is None:
        return ""
    radius, speed = found
    if force_of(response.method) is not None:
        return "note the minutes"
    if radius is not None and speed is not None:
        force = relative_centrifugal_force(radius, speed)
        return f"{speed:g} rpm at {radius:g} cm is {force:.0f} x g; note the minutes"
    n = "n" if speed is None else f"{speed:g}"
    r = "r" if radius is None else f"{radius:g}"
    gaps = [word for word, known in (("r = ____ cm", radius), ("n = ____ rpm", speed)) if known is None]
    rule = f"x g = {RCF_PER_CM_RPM2 * 1e5:g} × 10⁻⁵ × {r} × {n}²"
    return f"{', '.join(gaps)}; {rule} = ____; note the minutes"


def sample_budget(study: Study) -> str:
    """Whether the tests and the kept sample fit into a batch, in words; "" where no test says what it takes."""
    taken = [(response.name, response.sample_g) for response in study.responses if response.sample_g is not None]
    if not taken:
        return ""
    need = sum(grams for _, grams in taken) + study.make.retain_g
    parts = [f"{name} {grams:g} g" for name, grams in taken]
    if study.make.retain_g:
        parts.append(f"kept sample {study.make.retain_g:g} g")
    there = study.batch_g * (1.0 if study.make.make_up else 1.0 - study.make.loss)
    of = f"{there:g} g" if there == study.batch_g else f"{there:g} g, what {study.batch_g:g} g are after boiling off"
    left = there - need
    words = f"{' + '.join(parts)} = {need:g} g of {of}"
    if left < 0:
        return f"{words}: {-left:g} g short. Make a bigger batch, or share a sample between tests."
    return f"{words}; {left:g} g left for the walls."
