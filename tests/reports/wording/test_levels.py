"""Levels as they are read: to their step, else to digits that tell levels within their reach apart."""

import pytest

from doe import Study
from reports.wording.levels import in_one_line, shown_level

TOML = """
[study]
name = "Invented"
[[ingredient]]
name = "Water"
qs = true
[[ingredient]]
name = "Gum"
low = 0.2
high = 1.2
[[factor]]
name = "Stirring"
unit = "1/min"
low = 10
high = 15
step = 0.25
[[factor]]
name = "Time"
unit = "min"
low = 2
high = 8
[[response]]
name = "pH"
method = "invented"
aim = "watch"
"""


@pytest.mark.parametrize(
    ("column", "value", "said"),
    [
        ("Stirring", 12.25, "12.25"),
        ("Stirring", 12.0, "12.00"),
        ("Time", 5.33850640722, "5.34"),
        ("Time", 5.0, "5"),
        ("Gum", 0.6423456, "0.64"),
    ],
)
def test_a_level_is_said_to_its_step_or_to_what_its_range_tells_apart(column, value, said):
    assert shown_level(Study.from_toml(TOML), column, value) == said


def test_a_recipe_in_one_line_names_all_that_varies():
    study = Study.from_toml(TOML)
    levels = {"Water": 99.36, "Gum": 0.64, "Stirring": 12.25, "Time": 5.33850640722}
    assert in_one_line(study, levels) == "Water 99.36, Gum 0.64, Stirring 12.25, Time 5.34"
