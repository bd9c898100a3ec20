"""Rows of the page's tables: how a chance along a line is written."""

from types import SimpleNamespace

from reports.page.rows import effect_rows


def test_a_chance_along_a_line_is_written_as_everywhere_else():
    points = ((0.3, 1.3e-5, 0.0, 4.8e-65), (0.8, 21.2, 0.4, 95.0))
    line = SimpleNamespace(direction="Gum up", levels=(), unit="% w/w", points=points)
    row = SimpleNamespace(is_chance=True, spec=None, effects=(line,))
    cells = [cell.replace("\u202f", " ") for cell in effect_rows(row)[0]]
    assert cells == ["Gum up", "0.3", "0.8 % w/w", "under 1 %", "under 1 %", "21 %", "under 1 % to 95 %"]
