"""The page: facts rendered as one HTML file that needs nothing else and asks for nothing."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import partial
from typing import Any

from markupsafe import Markup, escape

from doe import Unavailable
from reports import numbers
from reports.facts import EffectRow, Facts, PlanFacts
from reports.page import card, rows
from reports.page.script import embedded, script
from reports.page.shell import FILTERS, styled
from reports.pictures import chart as svg_chart
from reports.pictures import effect as svg_effect
from reports.pictures import residuals as svg_residuals
from reports.pictures import slice as svg_slice
from reports.pictures import strip as svg_strip
from reports.pictures import svg
from reports.pictures import terms as svg_terms
from reports.pictures import triangle as svg_triangle
from reports.rendered import rendered
from reports.wording import fit as wording_fit
from reports.wording import fitrows
from reports.wording import formula as wording_formula
from reports.wording import plan as wording_plan
from reports.wording import reading as wording_reading
from reports.wording.cautions import CAUTIONS
from reports.wording.formula import chance_words
from reports.wording.further import HEADS

QUESTIONS = (
    ("make", "What to make"),
    ("sure", "How sure"),
    ("drives", "What drives it"),
    ("tried", "What was tried"),
    ("measured", "What was measured"),
    ("trust", "How far to trust it"),
    ("open", "What is still open"),
)

_ONE_PAGE = 32  # rows of a table that one printed page holds

# A slice's picture in pixels; the chance has a wider one.
_SLICE_SIZE = {False: (302.0, 306.0), True: (440.0, 380.0)}


def render(facts: Facts, head: str = "") -> str:
    """The page as text. Same facts, same text."""
    values = {
        **styled(script() if facts.live else "", facts.study),
        "live_data": Markup(embedded(facts.live)) if facts.live else "",
        "facts": facts,
        "head": head,
        "questions": _questions(facts),
        "cautions": CAUTIONS,
        **_first(facts),
        **_pictures(facts),
        **_tables(facts),
    }
    return rendered("page.html", values, FILTERS)


def _questions(facts: Facts) -> tuple[tuple[str, str], ...]:
    """The parts of the page by id and title; before anything is made, nothing was tried yet."""
    titles = {} if facts.made else {"tried": "What will be tried"}
    return tuple((id_, titles.get(id_, title)) for id_, title in QUESTIONS)


def _first(facts: Facts) -> dict[str, Any]:
    formula = facts.formula
    plan = facts.plan
    strips = formula.strips if formula else ()
    listed = [p for p in facts.findings if p.level == "warn"]
    return {
        "jars": _jars(facts),
        "strips": [(s, svg_strip.strip(s), svg_strip.state_sign(s.state), chance_words(s)) for s in strips],
        "with_marks": any(s.marks for s in strips),
        "marks_beyond": any(not s.axis[0] <= value <= s.axis[1] for s in strips for _, value in s.marks),
        "without_chance": wording_formula.without_chance(formula, facts.decision.because) if formula else "",
        "outside": wording_formula.outside_line(formula) if formula else "",
        "weakest": wording_formula.weakest_line(formula) if formula else "",
        "cost": wording_formula.cost_line(formula, facts.cost_ceiling, facts.compared) if formula else "",
        "stops": [p for p in facts.findings if p.level == "stop"],
        "notes": listed,
        "composition": card.composition_rows(formula) if formula else [],
        "current_text": card.CURRENT_TEXT,
        "order": card.ORDER,
        "small_notes": [p for p in facts.findings if p.level == "inform"],
        "plan": plan,
        "plan_said": wording_plan.plan_said(facts, plan) if plan else {},
        "trust": wording_formula.trust_lines(formula, facts.rests_on),
    }


def _pictures(facts: Facts) -> dict[str, Any]:
    """The pictures that the templates ask for by name, each with the sentence or rows that say the same."""
    plan = facts.plan
    curve = plan.quality.get("fds") if plan else None
    points = [(float(a), float(b)) for a, b in curve] if isinstance(curve, list | tuple) else []
    return {
        "bars": _bars(facts),
        "front": _front(facts),
        "front_words": wording_formula.front_words(facts),
        "fds": svg_chart.fraction_of_space(points) if points else "",
        "together_pairs": svg_terms.pairs(plan.reading.terms, plan.reading.correlations) if plan else [],
        "together": svg_terms.together(plan.reading.terms, plan.reading.correlations) if plan else "",
        "fds_words": wording_plan.fds_words(points) if points else "",
        "fds_rows": [[f"{share:.0%}", numbers.figure(sd)] for share, sd in points],
        "effects": [_effect_pictures(row) for row in facts.effects],
        "chance_effects": [_effect_pictures(facts.chance_effects)] if facts.chance_effects is not None else [],
        "slices": [
            (s, svg_slice.contours(s, f"slice{i}", *_SLICE_SIZE[s.is_chance])) for i, s in enumerate(facts.slices)
        ],
        "blends": svg_triangle.tried(facts.blends) if facts.blends else "",
        "tried": [(t, svg_strip.tried_dots(t)) for t in facts.tried],
        "fits": [
            (
                fit,
                svg_chart.observed_predicted(fit) if fit.points else "",
                svg_chart.residuals_by_order(fit),
                rows.brief_figures(fit),
                svg_residuals.panels(fit.spec.name, fit.questions) if fit.questions else [],
            )
            for fit in facts.fits
        ],
        "time_line": svg_chart.time_line(facts.events) if facts.events else "",
    }


def _effect_pictures(row: EffectRow) -> tuple[EffectRow, list[Markup]]:
    shown = [one for one in row.effects if not one.slight]
    return row, [svg_effect.effect(row, one, first=i == 0) for i, one in enumerate(shown)]


def _tables(facts: Facts) -> dict[str, Any]:
    """The tables that the templates ask for by name: rows, or a function that makes them of one part."""
    plan = facts.plan
    responses = [spec for spec in facts.specs if not spec.exact]
    return {
        "plan_table": partial(plan_table, columns=_planned_columns(facts)),
        "rounds": [(one, wording_plan.round_line(one)) for one in facts.plans],
        "signs": _round_signs(facts),
        "plan_numbers": rows.quality_rows(plan) if plan else [],
        "shown_head": wording_reading.SHOWN_HEAD,
        "shown_note": wording_reading.SHOWN_NOTE,
        "shown_rows": wording_reading.shown_rows(plan.reading, wording_reading.units_in(facts)) if plan else [],
        "unknown_lines": wording_reading.unknown_lines(plan.reading) if plan else [],
        "filling_line": wording_reading.filling_line(plan.quality) if plan else "",
        "spread_rows": wording_reading.spread_rows(plan.reading) if plan else [],
        "alias_lines": wording_reading.alias_lines(plan) if plan else [],
        "leverage_rows": rows.leverage_rows(plan) if plan else [],
        "beside": rows.comparison_rows(facts),
        "front_rows": rows.front_rows(facts),
        "front_heads": [aim.label for aim in reversed(facts.front_of)],
        "further_heads": [head[:1].upper() + head[1:] for head in _further_heads(facts)],
        "sure_rows": rows.prediction_rows(facts.formula) if facts.formula else [],
        "methods": [f"{spec.name}: {spec.method}" for spec in facts.specs if spec.method],
        "effect_rows": rows.effect_rows,
        "asked": rows.question_lines,
        "left_head": rows.residual_head,
        "left_rows": rows.residual_rows,
        "grid_head": rows.slice_head,
        "grid_rows": rows.slice_rows,
        "reading_heads": [numbers.headed(spec.name, spec.unit) for spec in responses],
        "level_heads": [numbers.headed(t.name, t.unit if t.unit != facts.unit else "") for t in facts.tried]
        + list(facts.categories),
        "made_rows": rows.batch_rows(facts),
        "states_differ": rows.states_differ(facts),
        "left_out": rows.left_out_rows(facts),
        "reach_rows": [
            [name, *(numbers.figure(v, digits=5) for v in ends)] for name, ends in facts.region["reach"].items()
        ],
        "say": wording_fit,
        "coefficient_head": rows.coefficient_head,
        "coefficient_rows": rows.coefficient_rows,
        "coefficients_missing": rows.coefficients_missing,
        "other_rows": rows.other_form_rows,
        "together_rows": rows.simultaneous_rows(facts.formula),
        "not_there": rows.missing_batch_numbers,
        "fitrows": fitrows,
        "figure_rows": rows.figure_rows,
        "figures_missing": rows.figures_missing,
        "event_rows": rows.event_rows(facts),
    }


def _round_signs(facts: Facts) -> list[tuple[Markup, str]]:
    """The sign of each round that stands in the strips of what was tried."""
    shown = sorted({number for one in facts.tried for number in one.rounds})
    words = {0: "from before"}
    return [(svg.signs(number - 1 if number else 5), words.get(number, f"round {number}")) for number in shown]


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
            bars[setting.name] = svg_strip.reach_bar(
                setting.allowed, setting.tried, setting.value, setting.tolerance, setting.name
            )
    return bars


def _front(facts: Facts) -> Markup:
    if len(facts.front) < 2:
        return Markup("")
    up, across = facts.front_of
    ceiling = facts.cost_ceiling.high if facts.cost_ceiling and across.name == "cost" else None
    return svg_chart.front(facts.front, up, across, ceiling, facts.front_beside)


def _further_heads(facts: Facts) -> Sequence[str]:
    rows = facts.further.rows if facts.further is not None else ()
    return HEADS[: len(rows[0])] if rows else HEADS


def _planned_columns(facts: Facts) -> list[str]:
    """What differs between trials of any round: one that confirms has a single recipe, which is shown all the same."""
    own = {one.name for one in facts.tried} | set(facts.categories)
    names = [c for c in dict.fromkeys(c for plan in facts.plans for c in plan.columns) if c in own]
    trials = [t["levels"] for plan in facts.plans for t in plan.trials]
    return [c for c in names if len({levels.get(c) for levels in trials}) > 1] or names


def plan_table(plan: PlanFacts, columns: Sequence[str]) -> Markup:
    """The trials of a plan, in order of making, with the levels of these columns that it has."""
    rows = sorted(plan.trials, key=lambda t: (t["order"] is None, t["order"]))
    columns = [c for c in columns if c in plan.columns]
    first = {trial for trial, _ in plan.extremes}
    grouped = {"block": "Block", "whole_plot": "Set-up"}
    grouped = {key: word for key, word in grouped.items() if any(t.get(key) is not None for t in rows)}
    head = ["Order", "Trial", *grouped.values(), "", *columns]
    body = [
        [t["order"], t["trial"], *(t[key] or "" for key in grouped)]
        + [f"repeats {t['replicate_of']}" if t["replicate_of"] else ("extreme" if t["trial"] in first else "")]
        + [t["levels"][c] for c in columns]
        for t in rows
    ]
    # One that no page could hold breaks where it must.
    return _table(head, body, "scroll plan-table" if len(rows) <= _ONE_PAGE else "scroll")


def _table(head: Sequence[str], body: Iterable[Sequence[Any]], classes: str) -> Markup:
    parts = [f'<div class="{classes}" tabindex="0"><table><thead><tr>']
    parts += [f'<th scope="col">{escape(h)}</th>' if h else "<td></td>" for h in head]
    parts.append("</tr></thead><tbody>")
    for row in body:
        cells = (f"{v:g}" if isinstance(v, int | float) else str(v) for v in row)
        parts.append("<tr>" + "".join(f'<td class="n">{escape(c)}</td>' for c in cells) + "</tr>")
    parts.append("</tbody></table></div>")
    return Markup("".join(parts))
