"""Plotly figures for a notebook: the same numbers as the page's own pictures."""

import pytest

from reports.page import figures


def test_effects_carry_the_page_s_numbers(job, facts):
    figure = figures.effects(job.study, job.models, job.best, "Thickness")
    row = next(r for r in facts.effects if r.spec.name == "Thickness")
    lines = [trace for trace in figure.data if trace.mode == "lines" and trace.fill is None]
    assert [list(t.y) for t in lines] == [[p[1] for p in e.points] for e in row.effects]


def test_contours_leave_blank_what_the_limits_forbid(job, facts):
    figure = figures.contours(job.study, job.models, job.best)
    chance = next(s for s in facts.slices if s.is_chance)
    contour = figure.data[0]
    shown = [(i, j) for j, row in enumerate(contour.z) for i, v in enumerate(row) if v is not None]
    assert 0 < len(shown) <= len(chance.xs) * len(chance.ys)
    assert all(contour.z[j][i] == chance.values[j][i] for i, j in shown)


def test_a_response_that_was_not_fitted_is_refused(job):
    with pytest.raises(KeyError, match="Cost"):
        figures.effects(job.study, job.models, job.best, "Cost")
