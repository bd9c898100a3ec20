"""What moved on: the formula since it was last looked for, and the chances of formulas that are kept."""

import pytest

from doe import Study
from reports.wording.changes import changed_line, kept_lines
from studies.commands.new import example_toml


def test_a_changed_brief_says_what_changed_and_how_the_kept_formula_fares(recorded, call, edit, capsys):
    first = call("optimise", recorded, "--keep", "F1")[1]
    assert "changed" not in first
    assert call("predict", recorded, "--at", "F1")[1]["points"][0]["chance_all"] == pytest.approx(first["chance_all"])
    again = call("optimise", recorded)[1]
    assert "changed" not in again
    assert again["kept"] == [{"formula": "F1", "then": first["chance_all"], "now": pytest.approx(first["chance_all"])}]
    edit(recorded, "high = 30000", "high = 21000")
    moved = call("optimise", recorded)[1]
    assert moved["changed"]["because"] == ["new aims or limits"]
    assert moved["changed"]["chance"] == [first["chance_all"], moved["chance_all"]]
    for name, (then, now) in moved["changed"]["levels"].items():
        assert then == {**first["blend"], **first["factors"]}[name]
        assert now == {**moved["blend"], **moved["factors"]}[name]
    fares = call("predict", recorded, "--at", "F1")[1]
    assert fares["kept"][0]["then"] == first["chance_all"]
    assert fares["kept"][0]["now"] == pytest.approx(fares["points"][0]["chance_all"])
    assert call("next", recorded)[1]["kept"][0]["now"] == pytest.approx(fares["kept"][0]["now"])


def test_in_words(small_toml):
    study = Study.from_toml(example_toml("potting-shed"))
    changed = {
        "because": ["new results"], "label": ["F1", "F1"], "chance": [0.77, 0.83],
        "levels": {"Water": [87.25, 87.2], "Gum": [0.75, 0.8]},
    }  # fmt: skip
    said = changed_line(study, changed).replace("\u2009", " ").replace("\u202f", " ")
    assert said == "Since the last search (new results): the chance went from 77 % to 83 %; Gum 0.75 to 0.80."
    assert changed_line(study, {**changed, "levels": {}}).endswith("the formula is the same.")
    assert changed_line(study, None) == ""
    # Levels are rounded as everywhere: to their step or the usual digits, what is gone to three digits.
    levels = {"Humectant": [4.0, 4.1 + 1e-12], "Homogenise": [2.0, 5.0], "Old oil": [1.23456789, 0.0]}
    said = changed_line(study, {**changed, "levels": levels})
    assert said.endswith("Humectant 4.0 to 4.1; Homogenise 2 to 5; Old oil 1.23 to 0.")
    stepless = Study.from_toml(small_toml.replace("[plan]", '[[factor]]\nname = "Stir"\nlow = 2\nhigh = 8\n\n[plan]'))
    said = changed_line(stepless, {**changed, "levels": {"Gum": [0.5512345, 0.8], "Stir": [2.3333333, 5]}})
    assert said.endswith("Gum 0.55 to 0.80; Stir 2.33 to 5.")
    gone = {"unavailable": "is made with Wax", "do": "run optimise again"}
    kept = [{"formula": "F1", "then": 0.77, "now": 0.83}, {"formula": "F2", "then": 0.5, "now": 0.501},
            {"formula": "F3", "then": 0.5, "now": gone},
            {"formula": "F4", "then": 0.9, "now": 0.95, "breaks": ["Wax is left out"]}]  # fmt: skip
    said = [line.replace("\u2009", " ").replace("\u202f", " ") for line in kept_lines(kept)]
    assert said == [
        "F1 was kept with a chance of 77 %; by all that is known now 83 %.",
        "F3 was kept with a chance of 50 %; none can be given any more: is made with Wax.",
        "F4, kept with a chance of 90 %, is not allowed any more: Wax is left out.",
    ]
