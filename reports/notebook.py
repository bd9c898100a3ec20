"""Small tables that studies, plans, results, models and formulas show of themselves in a notebook.

The records of the other floors find `html_of` as an installed entry point (`doe/shown.py`), so they show themselves
whichever floor was imported. A table that cannot be made gives way to the plain text.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from html import escape
from typing import Any

from doe.problems import Unavailable
from reports.numbers import NOTHING, between, exactly, figure, level, likely, percent
from reports.wording import grades
from reports.wording.decision import confirm_line
from reports.wording.fit import threshold_rows
from reports.wording.stopping import when_to_stop
from reports.wording.verdict import said

_MOST_ROWS = 30


def html_of(thing: Any) -> str | None:
    """The table of `thing` as HTML; None for what has none or cannot be shown. Never raises."""
    maker = _MAKERS.get((type(thing).__module__, type(thing).__qualname__))
    if maker is None:
        return None
    try:
        return maker(thing)
    except Exception:  # display must never fail: the notebook then shows the plain text
        return None


def _table(title: str, head: Sequence[str], rows: Iterable[Sequence[object]], more: str = "") -> str:
    listed = [[str(cell) for cell in row] for row in rows]
    shown = listed[:_MOST_ROWS]
    cut = f"<p>and {len(listed) - len(shown)} more</p>" if len(listed) > len(shown) else ""
    heads = "".join(f"<th>{escape(h)}</th>" for h in head)
    body = "".join("<tr>" + "".join(f"<td>{escape(c)}</td>" for c in row) + "</tr>" for row in shown)
    note = f"<p>{escape(more)}</p>" if more else ""
    caption = f"<p><b>{escape(title)}</b></p>"
    return f"{caption}<table><thead><tr>{heads}</tr></thead><tbody>{body}</tbody></table>{cut}{note}"


def _study(study: Any) -> str:
    rows = []
    for item in study.ingredients:
        reach = study.region.reach.get(item.name)
        place = {"fill": "takes up the rest", "varied": "varied"}.get(item.role, f"fixed at {exactly(item.level)}")
        rows.append([item.name, place, between(*reach) if reach else "", study.unit])
    for factor in study.factors:
        reach = study.region.reach.get(factor.name)
        rows.append([factor.name, "factor", between(*reach) if reach else ", ".join(factor.levels), factor.unit])
    for response in study.responses:
        rows.append([response.name, "response", grades.asked_for(response), response.unit])
    return _table(study.name, ("", "is", "reach, or asked for", "unit"), rows)


def _design(design: Any) -> str:
    table = design.table
    columns = [c for c in table.columns if table[c].nunique() > 1] or list(table.columns)
    rows = [[trial, *(_cell(table.loc[trial, c]) for c in columns)] for trial in table.index]
    days = design.quality.to_dict().get("days")
    more = f"{figure(days)} days at the bench" if isinstance(days, int | float) else ""
    return _table(f"Plan of {len(table)} trials, round {design.round}", ("trial", *map(str, columns)), rows, more)


def _cell(value: object) -> str:
    return f"{value:g}" if isinstance(value, int | float) else str(value)


def _results(results: Any) -> str:
    batches = results.batches
    names = list(dict.fromkeys(results.counted["response"]))
    seen = {name: results.observed(name)["value"] for name in names}
    rows = [
        [batch, batches.loc[batch, "state"], *(_cell(float(seen[n][batch])) if batch in seen[n] else "" for n in names)]
        for batch in batches.index
    ]
    return _table(f"{len(batches)} batches, {len(results.readings)} readings", ("batch", "state", *names), rows)


def _models(models: Any) -> str:
    rows = []
    for name, model in models.items():
        r2 = model.r2_predicted
        foretold = percent(max(r2, 0.0)) if isinstance(r2, float) else NOTHING
        rows.append([name, model.n, len(model.terms), model.scale.name, figure(model.residual_sd), foretold])
    return _table(
        f"Models of {len(rows)} responses ({models.terms_choice})",
        ("response", "batches", "terms", "scale", "residual sd", "predicted R²"),
        rows,
    )


def _fitted(model: Any) -> str:
    rows = [
        [r["term"], figure(r["estimate"], r["se"]), figure(r["se"]), figure(r["p"])]
        for r in model.terms.to_dict("records")
    ]
    rows += [
        [name, figure(place, error), NOTHING if error is None else figure(error), NOTHING]
        for name, place, error in threshold_rows(model.to_dict())
    ]
    return _table(
        f"{model.response}: {model.n} batches, {model.scale.name} scale", ("term", "estimate", "se", "p"), rows
    )


def _optimum(best: Any) -> str:
    rows = [[name, level(value)] for name, value in best.blend.items()]
    rows += [[name, _cell(value)] for name, value in best.factors.items()]
    for name, entry in best.responses.items():
        told = entry.get("grade") or figure(entry.get("predicted"))
        rows.append([name, f"predicted {told}, chance {likely(entry.get('chance'))}"])
    chance = likely(best.chance) if isinstance(best.chance, float) else str(best.chance)
    return _table(f"Formula {best.label}: chance {chance}", ("", ""), rows, "Predicted, not confirmed.")


def _upcoming(upcoming: Any) -> str:
    verdict = upcoming.verdict
    told = [
        said(verdict) if isinstance(verdict, Mapping) else "",
        confirm_line(upcoming.advice),
        when_to_stop(upcoming),
    ]
    more = " ".join(part for part in told if part)
    if upcoming.design is None:
        return f"<p><b>Nothing more to make</b></p><p>{escape(more)}</p>"
    table = upcoming.table
    columns = [c for c in table.columns if table[c].nunique() > 1] or list(table.columns)
    rows = [[trial, *(_cell(table.loc[trial, c]) for c in columns)] for trial in table.index]
    title = "Batches to confirm" if upcoming.purpose == "confirm" else "Trials to learn from"
    return _table(title, ("trial", *map(str, columns)), rows, more)


def _quality(quality: Any) -> str:
    shares = {"D efficiency": quality.d_efficiency, "I efficiency": quality.i_efficiency}
    rows = [["terms", quality.terms], ["rank", quality.rank]]
    rows += [[name, percent(share)] for name, share in shares.items() if not isinstance(share, Unavailable)]
    rows += [[f"degrees of freedom: {name.replace('_', ' ')}", count] for name, count in quality.df.items()]
    rows += [[f"prediction sd, {name}, in batch sd", figure(sd)] for name, sd in quality.prediction_sd.items()]
    for name, seen in quality.can_see.items():
        if not isinstance(seen, Unavailable):
            size = percent(seen["difference"]) if seen["relative"] else figure(seen["difference"])
            rows.append([f"smallest difference seen in {name}", size])
    return _table("Quality of the plan", ("", ""), [*rows, ["days", quality.days], ["cost", figure(quality.cost)]])


_MAKERS: dict[tuple[str, str], Callable[[Any], str]] = {
    ("doe.study", "Study"): _study,
    ("doe.design.design", "Design"): _design,
    ("doe.design.quality", "Quality"): _quality,
    ("doe.results.resultset", "Results"): _results,
    ("optimise.models.models", "Models"): _models,
    ("optimise.models.fitted", "FittedModel"): _fitted,
    ("optimise.formula.optimum", "Optimum"): _optimum,
    ("optimise.upcoming.upcoming", "Upcoming"): _upcoming,
}
