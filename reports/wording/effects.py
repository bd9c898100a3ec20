"""Sentences under pictures of effects: what moves a response most, and how far each line may go."""

from __future__ import annotations

from collections.abc import Sequence

from reports.facts import Effect, Spec
from reports.numbers import (
    figure,
    listed,
    percent,
    with_unit,
)
from reports.wording import grades
from reports.wording.formula import first_upper


def effect_reading(spec: Spec, effects: Sequence[Effect]) -> str:
    """Under a row of effects: which direction moves it most and by how much, and which hardly do."""
    name = spec.name
    if not effects:
        return f"Nothing was found to move {name}."
    strong = effects[0]
    first, last = strong.points[0][1], strong.points[-1][1]
    errors = [grades.width(p[2], p[3]) for p in strong.points]
    if strong.levels:
        ends = [max(range(len(strong.levels)), key=lambda i: way * strong.points[i][1]) for way in (-1, 1)]
        least, most = (grades.one(spec, strong.points[i][1], errors[i], spec.unit) for i in ends)
        says = (
            f"{name} moves most with {_moved(strong)}: {least} at {strong.levels[ends[0]]},"
            f" {most} at {strong.levels[ends[1]]}."
        )
    else:
        over = grades.from_to(spec, first, last, (errors[0], errors[-1]))
        says = f"{name} moves most with {strong.direction}: from {over} over what is allowed here."
    slight = _apart([one for one in effects if one.slight])
    if slight:
        moves = "moves" if len(slight) == 1 else "move"
        measured = spec.kind in ("number", "curve")
        less = f"{moves} it less than one batch differs from the next" if measured else f"hardly {moves} it"
        says += f" {first_upper(listed(slight))} {less}."
    return says


def _moved(one: Effect) -> str:
    """What is moved along a direction; a material is no level of its ingredient."""
    return f"the choice of {one.direction}" if one.levels else one.direction.partition(" up")[0]


def _apart(effects: Sequence[Effect]) -> list[str]:
    """What is moved along directions, a level told from the choice of a material of the same name."""
    chosen = {one.direction for one in effects if one.levels}
    names = [_moved(one) for one in effects]
    return [f"the level of {name}" if name in chosen else name for name in names]


def chance_reading(effects: Sequence[Effect], wanted: float) -> str:
    """Under the chance along each direction: how far each may go before less than is wanted is left."""
    kept, stay = [], []
    for one in effects:
        inside = _kept(one, 100 * wanted)
        if inside is None:
            continue
        whole = one.points[-1][0] - one.points[0][0]
        low, high = (figure(end, 0.02 * whole) for end in inside)
        if inside[1] - inside[0] >= whole:
            continue
        if inside[1] - inside[0] < 0.02 * whole:
            stay.append(with_unit(f"{_moved(one)}, at {figure(one.now)}", one.unit))
        else:
            kept.append(with_unit(f"{_moved(one)} {low} to {high}", one.unit))
    if not any(p[1] >= 100 * wanted for one in effects for p in one.points):
        return f"Along no line from the formula does the chance reach the {percent(wanted)} asked for."
    if not kept and not stay:
        return f"Along every line the chance stays above the {percent(wanted)} asked for."
    says = f"The chance is {percent(wanted)} or more for {listed(kept)}, one moved at a time." if kept else ""
    return f"{says} It leaves hardly any room for {listed(stay)}.".strip() if stay else says


def _kept(one: Effect, wanted: float) -> tuple[float, float] | None:
    """From where to where along a line at least `wanted` is left, straight between its points; None for nowhere."""
    inside = [i for i, p in enumerate(one.points) if p[1] >= wanted]
    if not inside:
        return None
    ends = []
    for here, beyond in ((inside[0], inside[0] - 1), (inside[-1], inside[-1] + 1)):
        x, y = one.points[here][:2]
        if 0 <= beyond < len(one.points):
            x1, y1 = one.points[beyond][:2]
            x += (x1 - x) * (y - wanted) / (y - y1)
        ends.append(x)
    return ends[0], ends[1]
