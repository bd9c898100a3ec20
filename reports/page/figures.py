"""The page's pictures as plotly figures, for a notebook: effects and contours that zoom. Loaded only when asked for."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import plotly.graph_objects as go
from plotly.subplots import make_subplots

from reports.gathering.effects import effect_rows
from reports.gathering.slices import slices
from reports.numbers import headed
from reports.page.rows import in_polygon
from reports.tokens import FIGURE_FONT, LIGHT

if TYPE_CHECKING:
    from doe import Study
    from optimise import Models, Optimum
    from reports.facts import Slice


def effects(study: Study, models: Models, best: Optimum, response: str) -> Any:
    """One response along every direction from the formula, a panel each, with 95 % confidence bands for the mean.

    Raises KeyError for a response that was not fitted.
    """
    row = {r.spec.name: r for r in effect_rows(study, models, best)}[response]
    titles = [e.direction for e in row.effects]
    figure = make_subplots(1, max(len(titles), 1), shared_yaxes=True, subplot_titles=titles)
    for i, one in enumerate(row.effects, 1):
        xs: list[Any] = list(one.levels) or [p[0] for p in one.points]
        if one.levels:
            error = {"symmetric": False, "array": [p[3] - p[1] for p in one.points],
                     "arrayminus": [p[1] - p[2] for p in one.points]}  # fmt: skip
            figure.add_scatter(x=xs, y=[p[1] for p in one.points], mode="markers", error_y=error,
                               marker_color=LIGHT.accent, row=1, col=i)  # fmt: skip
            continue
        band = [p[3] for p in one.points] + [p[2] for p in reversed(one.points)]
        figure.add_scatter(x=xs + xs[::-1], y=band, fill="toself", fillcolor=LIGHT.steps[2], opacity=0.6, line_width=0,
                           hoverinfo="skip", row=1, col=i)  # fmt: skip
        figure.add_scatter(x=xs, y=[p[1] for p in one.points], mode="lines", line_color=LIGHT.accent, row=1, col=i)
        figure.update_xaxes(title_text=one.unit, row=1, col=i)
    figure.update_yaxes(title_text=headed(response, row.spec.unit), col=1, type="log" if row.spec.log else "linear")
    return _dressed(figure)


def contours(study: Study, models: Models, best: Optimum, response: str | None = None) -> Any:
    """A slice through the formula over its two strongest levels: of one response, or of the chance (None).

    What the limits forbid is left blank. Raises KeyError where there is no such slice.
    """
    found = slices(study, models, best, effect_rows(study, models, best))
    named = {None if s.is_chance else s.title.partition(", predicted")[0]: s for s in found}
    return _dressed(_contour(named[response]))


def _contour(facts: Slice) -> Any:
    z = [
        [v if in_polygon(facts.polygon, x, y) else None for x, v in zip(facts.xs, row, strict=True)]
        for y, row in zip(facts.ys, facts.values, strict=True)
    ]
    scale = [[i / 5, colour] for i, colour in enumerate(LIGHT.steps)]
    figure = go.Figure(go.Contour(x=facts.xs, y=facts.ys, z=z, colorscale=scale, contours_showlabels=True))
    figure.add_scatter(
        x=[t[1] for t in facts.trials], y=[t[2] for t in facts.trials], text=[t[0] for t in facts.trials],
        mode="markers", marker={"symbol": "circle-open", "color": LIGHT.ink, "size": 9}, name="trials",
    )  # fmt: skip
    chosen = {"symbol": "square", "color": LIGHT.accent, "size": 12, "line": {"color": LIGHT.paper, "width": 2}}
    figure.add_scatter(x=[facts.chosen[0]], y=[facts.chosen[1]], mode="markers", marker=chosen, name="formula")
    figure.update_layout(
        title=facts.title,
        xaxis_title=headed(facts.x_name, facts.x_unit),
        yaxis_title=headed(facts.y_name, facts.y_unit),
    )
    return figure


def _dressed(figure: Any) -> Any:
    figure.update_layout(
        paper_bgcolor=LIGHT.paper, plot_bgcolor=LIGHT.paper, font={"family": FIGURE_FONT, "color": LIGHT.ink},
        showlegend=False, template="none",
    )  # fmt: skip
    figure.update_xaxes(linecolor=LIGHT.thread, gridcolor=LIGHT.rule)
    figure.update_yaxes(linecolor=LIGHT.thread, gridcolor=LIGHT.rule)
    return figure
