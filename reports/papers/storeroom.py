"""What is wanted before the first batch: the store-room list, what is read when, and labels for the jars."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from doe.bench.stores import HANDLING, needs, premixed
from doe.results.timetable import Jar, Weekends, days, jars, untimed, weekends
from reports import tokens
from reports.numbers import listed, spans
from reports.papers.measuring import age
from reports.rendered import rendered

if TYPE_CHECKING:
    from doe.design.design import Design
    from doe.study import Study


@dataclass(frozen=True, slots=True)
class Label:
    """One label: the trial, where its jar stands, what is read from it."""

    trial: str
    order: int
    stands: str
    reads: str
    grams: str


def write_storeroom(path: str | Path, study: Study, design: Design) -> None:
    """Write the papers to have before the first batch to `path`, as one HTML file that prints."""
    Path(path).write_text(storeroom_html(study, design), encoding="utf-8", newline="\n")


def storeroom_html(study: Study, design: Design) -> str:
    """The store-room list, the calendar and the labels as HTML that needs nothing else and loads nothing."""
    values = {
        "study": study,
        "design": design,
        "needs": needs(study, design),
        "premixes": premix_line(premixed(study, design)),
        "handling": f"{100 * HANDLING:g} %",
        "makes_up": bool(study.ingredients) and study.make.make_up and study.make.loss > 0,
        "loss": f"{100 * study.make.loss:g} %",
        "days": days(study, design),
        "untimed": untimed(study),
        "weekends": [(one.start, _late(one)) for one in weekends(study, design)],
        "labels": labels(study, design),
        "text_font": tokens.TEXT_FONT,
        "figure_font": tokens.FIGURE_FONT,
    }
    return rendered("storeroom.html", values, {"g": grams, "about": _about, "age": age})


def premix_line(mixed: Sequence[tuple[str, str]]) -> str:
    """What is mixed beforehand with which carrier, for each batch as its sheet says; nothing where nothing is."""
    by_carrier: dict[str, list[str]] = {}
    for name, carrier in mixed:
        by_carrier.setdefault(carrier, []).append(name)
    said = "; ".join(f"{listed(names)} with {carrier}" for carrier, names in by_carrier.items())
    if not said:
        return ""
    how = "Premixes, one part in ten, mixed for each batch as its sheet says"
    return f"{how}: {said}. What is left of them is counted in."


def _late(one: Weekends) -> str:
    """What falls on a weekend, in words; "" if nothing does."""
    return "; ".join(f"{r.response} of {spans(r.trials)} at {age(r.after_h)}" for r in one.readings)


def grams(value: float) -> str:
    """Grams to four figures, from 10 kg on in kilograms."""
    if value >= 10000:
        return f"{value / 1000:.4g} kg"
    return f"{value:.0f} g" if value >= 1000 else f"{value:.4g} g"


def _about(value: float) -> str:
    """Grams of what is only estimated, to two figures."""
    return grams(float(f"{value:.2g}"))


def labels(study: Study, design: Design) -> tuple[Label, ...]:
    """A label for each jar of each batch, in the order of making."""
    kinds = jars(study)
    out = []
    for trial, run in design.runs.sort_values("order", kind="stable").iterrows():
        for jar in kinds:
            size = f"{jar.grams:g} g" if jar.grams else ""
            out.append(Label(str(trial), int(run["order"]), _stands(jar), _reads(jar), size))
    return tuple(out)


def _stands(jar: Jar) -> str:
    return "kept sample" if jar.kept else jar.store or "on the bench"


def _reads(jar: Jar) -> str:
    return "; ".join(" ".join(part for part in (r.name, age(r.after_h)) if part) for r in jar.responses)
