"""The page: facts rendered as one HTML file that needs nothing else, runs nothing and asks for nothing."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup, escape

from doe import Unavailable
from reports import numbers, svg_chart, svg_slice, svg_strip, tokens, wording
from reports.facts import Facts, PlanFacts

_TEMPLATES = Path(__file__).parent / "templates"

QUESTIONS = (
    ("make", "What to make"),
    ("sure", "How sure"),
    ("drives", "What drives it"),
    ("tried", "What was tried"),
    ("measured", "What was measured"),
    ("trust", "How far to trust it"),
    ("open", "What is still open"),
)


def render(facts: Facts, head: str = "") -> str:
    """The page as text. Same facts, same text."""
    style = stylesheet()
    formula = facts.formula
    plan = facts.plans[-1] if facts.plans else None
    quality = plan.quality if plan else {}
    curve = quality.get("fds", ())
    return environment().get_template("page.html").render(
        facts=facts,
        head=head,
        style=Markup(style),
        style_hash=_hash(style),
        questions=QUESTIONS,
        jars=_jars(facts),
        strips=[
            (s, svg_strip.strip(s), svg_strip.state_sign(s.state), wording.chance_words(s))
            for s in (formula.strips if formula else ())
        ],
        weakest=wording.weakest_line(formula) if formula else "",
        cost=wording.cost_line(formula, facts.cost_ceiling, facts.alternatives) if formula else "",
        stops=[p for p in facts.findings if p.level == "stop"],
        notes=[p for p in facts.findings if p.level != "stop"],
        bars=_bars(facts),
        front=_front(facts),
        plan=plan,
        plan_table=plan_table,
        plan_words=_plan_words(facts, plan),
        plan_numbers=_plan_numbers(quality),
        fds=svg_chart.fraction_of_space([tuple(p) for p in curve]) if isinstance(curve, list | tuple) and curve else "",
        effects=[
            (row, [svg_chart.effect(row, one, first=i == 0) for i, one in enumerate(row.effects)])
            for row in facts.effects
        ],
        slices=[(s, svg_slice.contours(s, f"slice{i}")) for i, s in enumerate(facts.slices)],
        tried=[(t, svg_strip.tried_dots(t)) for t in facts.tried],
        reading_names=[spec.name for spec in facts.specs if not spec.exact],
        level_names=[t.name for t in facts.tried],
        trust=wording.trust_lines(formula, facts.rests_on),
        fits=[(fit, svg_chart.observed_predicted(fit), svg_chart.residuals_by_order(fit)) for fit in facts.fits],
        time_line=svg_chart.time_line(facts.events) if facts.events else "",
    )  # fmt: skip


def environment() -> Environment:
    """Templates with every value escaped, and the filters that write numbers."""
    made = Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters |= {
        "percent": numbers.percent,
        "money": numbers.money,
        "grams": numbers.grams,
        "level": numbers.level,
        "plain": lambda value: f"{value:g}",
        "g3": lambda value: numbers.figure(value),
        "g5": lambda value: f"{value:.5g}" if isinstance(value, int | float) else str(value),
        "counted": lambda n: numbers.counted(n, "batch", "batches"),
        "days": lambda d: numbers.counted(max(1, -(-round(d * 100) // 100)), "day"),
        "cell": cell,
        "ends": ends,
        "asked": wording.asked,
        "predicted": wording.predicted,
        "barred": lambda items, bars: [(item, bars.get(item.name, "")) for item in items],
    }
    return made


def stylesheet() -> str:
    """The page's one style sheet: tokens for light and dark, the page, the pictures."""
    light, dark = tokens.css_variables(tokens.LIGHT), tokens.css_variables(tokens.DARK)
    files = "".join((_TEMPLATES / name).read_text(encoding="utf-8") for name in ("page.css", "pictures.css"))
    return (
        f":root {{ {light} }} @media (prefers-color-scheme: dark) {{ @media screen {{ :root {{ {dark} }} }} }}\n{files}"
    )


def _hash(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")


def cell(value: Any) -> str:
    """A number of the analyst's part, or why it is not there."""
    if value is None:
        return ""
    if isinstance(value, Unavailable):
        return f"not available: {value.reason}"
    if isinstance(value, Mapping):
        return f"not available: {value.get('unavailable', '')}"
    return numbers.precise(value) if isinstance(value, int | float) else str(value)


def ends(value: Any) -> str:
    """Two ends of an interval."""
    return numbers.between(*value) if isinstance(value, tuple) else ""


def _jars(facts: Facts) -> Markup:
    formula = facts.formula
    if formula is None or isinstance(formula.chance, Unavailable):
        return Markup("")
    interval = formula.chance_interval
    return svg_strip.jars(formula.chance, interval if isinstance(interval, tuple) else None)


def _bars(facts: Facts) -> dict[str, Markup]:
    formula = facts.formula
    if formula is None:
        return {}
    bars = {}
    for line in formula.lines:
        if line.allowed is not None:
            bars[line.name] = svg_strip.reach_bar(line.allowed, line.tried, line.level, line.tolerance, line.name)
    for setting in formula.settings:
        if setting.allowed is not None and isinstance(setting.value, float):
            bars[setting.name] = svg_strip.reach_bar(setting.allowed, setting.tried, setting.value, None, setting.name)
    return bars


def _front(facts: Facts) -> Markup:
    if len(facts.front) < 2:
        return Markup("")
    ceiling = facts.cost_ceiling.high if facts.cost_ceiling else None
    return svg_chart.chance_against_cost(facts.front, facts.currency, ceiling)


def plan_table(plan: PlanFacts) -> Markup:
    """The trials of a plan, in order of making."""
    rows = sorted(plan.trials, key=lambda t: (t["order"] is None, t["order"]))
    with_blocks = any(t["block"] is not None for t in rows)
    head = ["Order", "Trial", *(["Block"] if with_blocks else []), "Repeats", *plan.columns]
    body = [
        [t["order"], t["trial"], *([t["block"] or ""] if with_blocks else []), t["replicate_of"] or ""]
        + [t["levels"][c] for c in plan.columns]
        for t in rows
    ]
    return _table(head, body)


def _table(head: Sequence[str], body: Iterable[Sequence[Any]]) -> Markup:
    parts = ['<div class="scroll"><table><thead><tr>']
    parts += [f"<th>{escape(h)}</th>" for h in head]
    parts.append("</tr></thead><tbody>")
    for row in body:
        cells = (f"{v:g}" if isinstance(v, int | float) else str(v) for v in row)
        parts.append("<tr>" + "".join(f'<td class="n">{escape(c)}</td>' for c in cells) + "</tr>")
    parts.append("</tbody></table></div>")
    return Markup("".join(parts))


def _plan_words(facts: Facts, plan: PlanFacts | None) -> str:
    if plan is None:
        return ""
    seen = plan.quality.get("can_see", {})
    said = []
    for name, entry in seen.items():
        difference = entry.get("difference") if isinstance(entry, Mapping) else None
        if isinstance(difference, float):
            unit = next((s.unit for s in facts.specs if s.name == name), "")
            size = (
                numbers.percent(difference)
                if entry.get("relative")
                else numbers.with_unit(numbers.figure(difference), unit)
            )
            said.append(f"{name}: differences of {size}")
    days, cost = plan.quality.get("days"), plan.quality.get("cost")
    out = f"{numbers.counted(len(plan.trials), 'trial')} in round {plan.round}"
    if isinstance(days, int | float):
        out += f", {numbers.counted(int(days), 'day')} at the bench"
    if isinstance(cost, int | float):
        out += f", about {numbers.money(float(cost), facts.currency)}"
    return out + ". " + ("Across the region it will most likely show " + "; ".join(said) + "." if said else "")


def _plan_numbers(quality: Mapping[str, Any]) -> list[tuple[str, str]]:
    out = []
    for key in ("terms", "rank", "condition", "d_efficiency", "i_efficiency", "df", "prediction_sd", "days", "cost"):
        value = quality.get(key)
        if isinstance(value, Mapping) and "unavailable" not in value:
            out += [(f"{key.replace('_', ' ')}: {k.replace('_', ' ')}", cell(v)) for k, v in value.items()]
        elif value is not None:
            out.append((key.replace("_", " "), cell(value)))
    return out
