"""Plans side by side as one page."""

from __future__ import annotations

from doe.design.compare import Comparison, Option
from doe.design.quality import Quality
from doe.problems import Unavailable
from doe.study import Study
from reports.gathering.compare import chart_of
from reports.numbers import figure, likely, money, percent
from reports.page import rows as page_rows
from reports.page.shell import FILTERS, styled
from reports.pictures.compare import runs_beyond, side_by_side
from reports.pictures.svg import signs
from reports.rendered import rendered
from reports.wording import compare as wording_compare


def compare_page(study: Study, weighed: Comparison) -> str:
    """The page as text. Same plans, same text."""
    chart = chart_of(study, weighed)
    measured = dict(wording_compare.matters(study))
    values = {
        **styled(),
        "study": study,
        "headline": wording_compare.headline(weighed),
        "because": wording_compare.because(study, weighed),
        "in_part": wording_compare.in_part(weighed),
        "wide": side_by_side(chart),
        "narrow": side_by_side(chart, narrow=True),
        "key": [(signs(i), name, measured.get(name, "")) for i, name in enumerate(chart.responses)]
        if chart.limit
        else [],
        "not_drawn": [(n, why.reason) for n, why in _first(weighed) if isinstance(why, Unavailable)]
        if chart.limit
        else [],
        "reading": wording_compare.HOW_TO_READ if chart.limit else "",
        "beyond": runs_beyond(chart),
        "stops": wording_compare.stops(weighed),
        "rule": wording_compare.RULE,
        "kinds": wording_compare.kinds(study, weighed),
        "told": wording_compare.told(weighed),
        "refused": wording_compare.refused(weighed),
        "heads": [f"{spec.name}: seen" for spec in study.fitted_responses],
        "rows": [_figures(study, option) for option in weighed.options if isinstance(option.quality, Quality)],
    }
    return rendered("compare.html", values, FILTERS)


def _first(weighed: Comparison) -> list[tuple[str, object]]:
    made = [o for o in weighed.options if isinstance(o.quality, Quality)]
    return list(made[-1].of_matters.items()) if made else []


def _figures(study: Study, option: Option) -> list[str]:
    """One plan's row of the analyst's table."""
    quality = option.quality
    if not isinstance(quality, Quality):
        return []
    cells = [option.plan, str(option.runs), str(option.repeats), str(quality.days), money(quality.cost, study.currency)]
    cells += [
        page_rows.cell(v) if isinstance(v, Unavailable) else percent(v)
        for v in (quality.d_efficiency, quality.i_efficiency)
    ]
    cells += [figure(quality.prediction_sd[key]) for key in ("mean", "max")]
    cells += [str(quality.df[key]) for key in ("lack_of_fit", "pure_error")]
    for response in study.fitted_responses:
        seen = quality.can_see[response.name]
        if isinstance(seen, Unavailable):
            cells.append("")
            continue
        size = percent(seen["difference"]) if seen["relative"] else figure(seen["difference"])
        chance = seen["chance"]
        cells.append(f"{size} ({likely(chance)})" if isinstance(chance, float) else size)
    return cells
