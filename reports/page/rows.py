"""Rows of the page's tables, from facts to text."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from doe.problems import Unavailable
from reports import numbers
from reports.facts import EffectRow, Facts, FitFacts, Formula, FrontAim, PlanFacts, Slice
from reports.wording import fit as wording_fit
from reports.wording import fitrows, grades
from reports.wording import formula as wording_formula

Rows = list[list[str]]

_COARSE = 4
_PLAN_DIGITS = 4


def cell(value: Any, digits: int = 6) -> str:
    """A number of the analyst's part to so many digits, or why it is not there."""
    if value is None:
        return ""
    if isinstance(value, Unavailable):
        return f"not available: {value.reason}"
    if isinstance(value, Mapping):
        return f"not available: {value.get('unavailable', '')}"
    return numbers.precise(value, digits) if isinstance(value, int | float) else str(value)


def prediction_rows(formula: Formula) -> Rows:
    """What is asked and predicted of each response, with the three intervals."""
    return [
        [
            s.spec.name + (" (wish)" if wording_formula.is_wish(s.spec) else ""),
            wording_formula.asked(s.spec),
            wording_formula.predicted(s),
            *(
                grades.span(s.spec, *pair, error=s.sd) if isinstance(pair, tuple) else ""
                for pair in (s.confidence, s.prediction, s.tolerance)
            ),
            "exact" if s.spec.exact else numbers.likely(s.chance),
        ]
        for s in formula.strips
    ]


def comparison_rows(facts: Facts) -> Rows:
    """The chosen formula, its alternatives and the references, side by side."""
    shown = [facts.formula] if facts.formula is not None else []
    return [
        [f.name + ("" if f.inside is not False else " (outside what was tried)"), numbers.likely(f.chance),
         numbers.money(f.cost_per_kg, f.currency) if isinstance(f.cost_per_kg, float) else "", _levels(f)]
        for f in [*shown, *facts.alternatives, *facts.compared]
    ]  # fmt: skip


def _levels(formula: Formula) -> str:
    said = [
        f"{line.label} {numbers.level(line.level, line.step, formula.total)}"
        for line in formula.lines
        if line.role in ("varied", "fill")
    ]
    said += [f"{s.name} {s.said}" for s in formula.settings]
    return ", ".join(said)


def front_rows(facts: Facts) -> Rows:
    """The values of the two aims along the front, the second aim first."""
    up, across = facts.front_of

    def cell(value: float, aim: FrontAim) -> str:
        if aim.name == "cost":
            return numbers.money(value, facts.currency)
        return numbers.likely(value) if aim.share else numbers.figure(value)

    return [[cell(a, across), cell(b, up)] for a, b, _ in sorted(facts.front)]


def effect_rows(row: EffectRow) -> Rows:
    """Start and end of each direction."""
    return [
        [
            e.direction,
            e.levels[0] if e.levels else numbers.figure(e.points[0][0]),
            e.levels[-1] if e.levels else numbers.with_unit(numbers.figure(e.points[-1][0]), e.unit),
            *_at_end(row, e.points[0][1:4]),
            *_at_end(row, e.points[-1][1:4]),
        ]
        for e in row.effects
    ]


def _at_end(row: EffectRow, point: Sequence[float]) -> tuple[str, str]:
    """What is predicted at an end of a direction, and its interval; a chance is written as everywhere else."""
    value, low, high = point
    if not row.is_chance:
        error = grades.width(low, high)
        return grades.one(row.spec, value, error), grades.span(row.spec, low, high, error)
    least, most = numbers.likely(low / 100), numbers.likely(high / 100)
    return numbers.likely(value / 100), least if least == most else f"{least} to {most}"


def question_lines(fit: FitFacts) -> list[str]:
    """The questions put to the residuals with their answers; those with one answer are asked together."""
    groups: dict[str, list[str]] = {}
    for one in fit.questions:
        groups.setdefault(one.answer, []).append(one.asks)
    return [f"{asks[0] if len(asks) == 1 else 'Is each level read right?'} {answer}" for answer, asks in groups.items()]


def residual_head(fit: FitFacts) -> list[str]:
    """The head of the table of residuals: the deleted residual, then what it is set against."""
    return ["Batch", "Off its fit, in sds", *(one.axis for one in fit.questions)]


def residual_rows(fit: FitFacts) -> Rows:
    """Each batch's deleted residual with its place on the axis of every question."""
    places = [{batch: place for batch, place, _ in one.points} for one in fit.questions]
    return [
        [batch, numbers.figure(off), *(numbers.figure(place[batch]) for place in places)]
        for batch, _, off in fit.questions[0].points
    ]


def slice_head(facts: Slice) -> list[str]:
    """The head of a slice's table: its y name down, its x values across."""
    down, across = numbers.headed(facts.y_name, facts.y_unit), numbers.headed(facts.x_name, facts.x_unit)
    return [f"{down} down, {across} across", *numbers.alike(facts.xs[i] for i in _spread(facts.xs))]


def slice_rows(facts: Slice) -> Rows:
    """A slice's values at every fourth line of its grid and the last, all with the same decimals.

    What the limits do not allow has a dash.
    """
    across, down = _spread(facts.xs), _spread(facts.ys)[::-1]
    places = [(j, i) for j in down for i in across if in_polygon(facts.polygon, facts.xs[i], facts.ys[j])]
    values = [facts.values[j][i] for j, i in places]
    said = dict(zip(places, _written(facts, values), strict=True))
    heads = numbers.alike(facts.ys[j] for j in down)
    return [[head, *(said.get((j, i), "–") for i in across)] for head, j in zip(heads, down, strict=True)]


def _written(facts: Slice, values: Sequence[float]) -> list[str]:
    """Values of a slice as they are read: chances, grades and shares in their own words."""
    if facts.is_chance:
        return [numbers.likely(value) for value in values]
    own = facts.spec is not None and (facts.spec.kind == "pass" or bool(grades.named(facts.spec)))
    return [grades.one(facts.spec, v) for v in values] if facts.spec is not None and own else numbers.alike(values)


def _spread(values: Sequence[float]) -> list[int]:
    """Places of some values: every fourth, and the last."""
    last = len(values) - 1
    return [*range(0, last, _COARSE), last]


def in_polygon(polygon: Sequence[tuple[float, float]], x: float, y: float) -> bool:
    """Whether a point lies in a convex polygon."""
    turns = []
    size = max(abs(v) for p in polygon for v in p) or 1.0
    for (ax, ay), (bx, by) in zip(polygon, [*polygon[1:], polygon[0]], strict=True):
        turns.append((bx - ax) * (y - ay) - (by - ay) * (x - ax))
    return all(t >= -1e-9 * size for t in turns) or all(t <= 1e-9 * size for t in turns)


def batch_rows(facts: Facts) -> Rows:
    """Batches as made, with what was read and why one does not count."""
    responses, told = [s.name for s in facts.specs if not s.exact], states_differ(facts)
    places = {t.name: _places([b.levels[t.name] for b in facts.made], t.weighed) for t in facts.tried}
    return [
        [b.batch, *([b.state + (f": {b.why}" if b.why else "")] if told else []),
         *(b.readings.get(n, "") for n in responses)]
        + [_level(b.levels[t.name], places[t.name]) for t in facts.tried]
        + [str(b.levels[name]) for name in facts.categories]
        for b in facts.made
    ]  # fmt: skip


def states_differ(facts: Facts) -> bool:
    """Whether any batch was not simply made."""
    return any(b.state != "made" or b.why for b in facts.made)


def _places(values: Sequence[Any], weighed: float | None = None) -> int:
    """The decimals of a column of levels as made: four digits of its largest, less where all of them end in noughts.

    None beyond those that a step as `weighed` supports.
    """
    known = [abs(float(v)) for v in values if numbers.exists(v)]
    if not any(known):
        return 0
    most = max(0, 3 - math.floor(math.log10(max(known))))
    if weighed is not None:
        most = min(most, max(0, -math.floor(math.log10(weighed))))
    return next(k for k in range(most + 1) if all(abs(round(v, k) - round(v, most)) < 1e-9 * v for v in known if v))


def _level(value: Any, places: int) -> str:
    return numbers.plain(value, places) if numbers.exists(value) else str(value)


def left_out_rows(facts: Facts) -> Rows:
    """Batches left out of fits, a line for each batch and reason, with the responses that lack it."""
    lines: dict[tuple[str, str], list[str]] = {}
    for fit in facts.fits:
        for entry in fit.fit.get("excluded", ()):
            key = (str(entry.get("batch") or entry.get("trial", "")), str(entry.get("why", entry.get("reason", ""))))
            lines.setdefault(key, []).append(fit.spec.name)
    return [[", ".join(names), batch, why] for (batch, why), names in lines.items()]


def brief_figures(fit: FitFacts) -> Rows:
    """The few numbers that stand beside a fit's pictures."""
    entry = fit.fit
    r2 = entry.get("r2_predicted")
    out = [["Batches", str(entry["n"])], ["Terms", str(len(entry["terms"]))]]
    sd = entry.get("residual_sd")
    if isinstance(sd, float):
        says = f"{numbers.percent(sd)} of the value" if entry["scale"] == "log" else numbers.with_unit(
            numbers.figure(sd, digits=2), fit.spec.unit)  # fmt: skip
        small = "; likely too small after the choice of terms" if wording_fit.too_small(entry) else ""
        out.append(["A batch differs from its fit by", f"{says} (sd){small}"])
    if isinstance(r2, float):
        out.append(["Share of the differences between new batches that it foretells", numbers.percent(max(r2, 0.0))])
    return out


def figure_rows(fit: FitFacts) -> Rows:
    """The single figures of a fit under their standard names."""
    rows = [[name, cell(value, 4)] for name, value in _figures(fit) if not _nothing(value)]
    lack = fit.fit.get("lack_of_fit", {})
    if "f" in lack:
        a, b = lack["df"]
        rows.append(["lack of fit", f"F({a}, {b}) = {numbers.statistic(lack['f'])}, p {numbers.p_value(lack['p'])}"])
    return rows


def figures_missing(fit: FitFacts) -> list[str]:
    """The figures that a fit does not have, by the reason."""
    missing: dict[str, list[str]] = {}
    for name, value in [*_figures(fit), ("lack of fit", fit.fit.get("lack_of_fit"))]:
        if _nothing(value):
            missing.setdefault(cell(value), []).append(name)
    return [f"{numbers.listed(named)}: {reason}." for reason, named in missing.items()]


def _figures(fit: FitFacts) -> list[tuple[str, Any]]:
    names = ("residual_sd", "df_residual", "r2", "r2_adjusted", "r2_predicted", "press", "log_likelihood")
    found = [(name.replace("_", " ").replace("r2", "R²"), fit.fit.get(name)) for name in names]
    ahead = fit.fit.get("batch_sd")
    if wording_fit.known(ahead) and ahead is not None:
        found.insert(1, ("batch sd by what predicts", ahead["sd"]))
    return found + [(f"variance of {name.replace('_', ' ')}", v) for name, v in fit.fit.get("variance", {}).items()]


def coefficient_head(fit: FitFacts) -> list[str]:
    """The head of the coefficient table."""
    head = ["Term", "Estimate", "Standard error", "t", "df", "p"]
    head += ["Together, from", "to"] if wording_fit.known(fit.fit.get("together")) else []
    head += ["Planned, from", "to"] if wording_fit.planned(fit.fit) else []
    return head + (["Chosen"] if wording_fit.shares(fit.fit) else [])


def coefficient_rows(fit: FitFacts) -> Rows:
    """The coefficient table: limits that hold for all terms at once, those of the planned model, how often chosen."""
    found, share = fit.fit.get("together"), wording_fit.shares(fit.fit)
    limits = found["terms"] if wording_fit.known(found) and found is not None else None
    planned = wording_fit.planned(fit.fit)  # of terms left out as well
    out = []
    for row in fit.fit["terms"]:
        cells = [str(row["term"]), *_tested(row), fitrows.shown(fitrows.to_three, row["df"], "–"), _p(row)]
        for table in ([limits] if limits is not None else []) + ([planned] if planned else []):
            cells += _ends(table.get(row["term"]))
        out.append(cells + ([share.get(row["term"], "")] if share else []))
    width = len(coefficient_head(fit))
    for name, place, error in wording_fit.threshold_rows(fit.fit):
        shown = numbers.estimated(place, error)
        out.append([name, shown[0], "–" if error is None else shown[1], *["–"] * (width - 3)])
    return out


def _tested(row: Mapping[str, Any]) -> list[str]:
    """Estimate and standard error, both to two digits of the error, and t; a dash for what is not there."""
    told = numbers.estimated(row["estimate"], row["se"])
    return [text if text != numbers.NOTHING else "–" for text in (*told, numbers.statistic(row.get("t")))]


def _p(row: Mapping[str, Any]) -> str:
    return fitrows.shown(numbers.p_value, row["p"], "–")


def coefficients_missing(fit: FitFacts) -> list[str]:
    """Why numbers of the coefficient table are not there, each reason once with its terms."""
    reasons: dict[str, list[str]] = {}
    for row in fit.fit["terms"]:
        why = [row[key]["unavailable"] for key in ("estimate", "se", "p") if _nothing(row[key])]
        if why:
            reasons.setdefault(str(why[0]), []).append(str(row["term"]))
    every = len(fit.fit["terms"])
    return [f"{'All terms' if len(who) == every else numbers.listed(who)}: {why}." for why, who in reasons.items()]


def _ends(pair: tuple[float, float] | None) -> list[str]:
    """Two ends of an interval, rounded alike by its width."""
    return ["", ""] if pair is None else [numbers.figure(end, (pair[1] - pair[0]) / 4 or None) for end in pair]


def other_form_rows(fit: FitFacts) -> Rows:
    """The coefficients of a blend's other form; none where there is none, or where it says the same."""
    found = fit.fit.get("other_form")
    if not wording_fit.known(found) or found is None:
        return []
    return [[str(row["term"]), *_tested(row)[:2], _p(row)] for row in found["terms"]]


def simultaneous_rows(formula: Formula | None) -> Rows:
    """Confidence and prediction limits of a formula by which all responses can be read at once."""
    if formula is None:
        return []
    rows = [
        [s.spec.name, wording_formula.predicted(s), *(grades.span(s.spec, *pair, error=s.sd) for pair in s.together)]
        for s in formula.strips
        if s.together is not None
    ]
    return rows if len(rows) > 1 else []


def _nothing(value: Any) -> bool:
    """Whether a line of the table simply has no such figure (a residual has no F); the reason stands in the JSON."""
    return isinstance(value, Mapping) and "unavailable" in value


def missing_batch_numbers(fit: FitFacts) -> list[str]:
    """Why numbers of the table of batches are not there, each reason once with its batches."""
    reasons: dict[str, list[str]] = {}
    for row in fit.fit["trials"]:
        for key in ("leverage", "studentised", "deleted", "cook"):
            value = row.get(key)
            if _nothing(value):
                named = reasons.setdefault(str(value["unavailable"]), [])
                if row["batch"] not in named:
                    named.append(str(row["batch"]))
    every = len(fit.fit["trials"])
    return [f"{'all' if len(who) == every else numbers.spans(who)}: {why}" for why, who in reasons.items()]


def quality_rows(plan: PlanFacts) -> Rows:
    """The quality of a plan under its standard names."""
    quality = plan.quality
    out: Rows = []
    for key in ("terms", "rank", "condition", "d_efficiency", "i_efficiency", "best_possible", "df", "prediction_sd",
                "filling", "steps", "days", "cost"):  # fmt: skip
        value = quality.get(key)
        if key == "condition":
            out.append([f"condition number, {quality.get('coding', '')} coding", cell(value, _PLAN_DIGITS)])
        elif isinstance(value, Mapping) and "unavailable" not in value:
            out += [[_named(f"{key}: {k}"), _pair(v)] for k, v in value.items()]
        elif value is not None:
            out.append([_named(key), cell(value, _PLAN_DIGITS)])
    return out


def _named(key: str) -> str:
    known = {
        "d_efficiency": "D efficiency",
        "i_efficiency": "I efficiency",
        "best_possible: d": "D efficiency, proven from, to",
        "best_possible: i": "I efficiency, proven from, to",
        "filling: nearest": "nearest two recipes, rms share of the reach",
        "filling: farthest": "farthest from any trial, rms share of the reach",
        "filling: nearest_by_lot": "nearest two, of as many drawn by lot",
        "filling: farthest_by_lot": "farthest, of as many drawn by lot",
    }
    return known.get(key, key.replace("_", " "))


def leverage_rows(plan: PlanFacts) -> Rows:
    """The leverage of each trial, the highest first."""
    found = plan.quality.get("leverage") or {}
    known = [(name, value) for name, value in found.items() if isinstance(value, float)]
    return [[name, numbers.figure(value)] for name, value in sorted(known, key=lambda row: (-round(row[1], 9), row[0]))]


def _pair(value: Any) -> str:
    if isinstance(value, list | tuple):
        return " to ".join(cell(v, _PLAN_DIGITS) for v in value)
    return cell(value, _PLAN_DIGITS)


def event_rows(facts: Facts) -> Rows:
    """The journal as a list."""
    return [
        [e.when[:16].replace("T", " "), e.who, e.command, e.says if e.says != e.command else ""] for e in facts.events
    ]
