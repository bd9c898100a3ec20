"""Formulas by name and batch sizes as people write them."""

import pytest

from doe import Study, StudyError
from studies.commands.new import example_toml
from studies.formulas import batch_grams, levels_of


@pytest.fixture(scope="module")
def study():
    return Study.from_toml(example_toml("potting-shed"))


@pytest.mark.parametrize(
    ("text", "grams"), [("20kg", 20000), ("400g", 400), ("1,5 kg", 1500), ("2.5 KG", 2500), (None, 500)]
)
def test_batch_sizes(text, grams, study):
    assert batch_grams(text, study) == grams


@pytest.mark.parametrize("text", ["20", "heavy", "-3kg", "0 g", "20 lb", "nan kg", "1e9kg", "9999999999kg"])
def test_batch_sizes_that_are_none(text, study):
    with pytest.raises(StudyError, match="a weight with its unit"):
        batch_grams(text, study)


def test_a_stored_formula_in_terms_of_the_present_study(study):
    row = {
        "blend": {"Water": 50, "Gum": 0.5, "Humectant": 4, "Wax": 2.5, "Stone": 3, "Gone": 0.0},
        "factors": {"Homogenise": 5},
    }
    frame = levels_of(row, study, "F1")
    assert frame.loc["F1", "Water"] == pytest.approx(84.9)
    row["blend"]["Gone"] = 1.0
    with pytest.raises(StudyError, match="Gone"):
        levels_of(row, study, "F1")


def test_a_name_means_one_recipe(recorded, call):
    first = call("optimise", recorded, "--keep", "F1", "--hold", "Wax=4")[1]
    other = call("optimise", recorded, "--hold", "Wax=3")[1]
    assert first["label"] == "F1"
    assert other["label"] == "F2"
    assert "F1" not in [row["label"] for row in other["alternatives"]]
    refused = call("optimise", recorded, "--hold", "Wax=3", "--keep", "F1")
    assert refused[0] == 2
    assert refused[1]["problems"][0]["code"] == "kept"
    assert call("optimise", recorded, "--hold", "Wax=4", "--keep", "F1")[1]["label"] == "F1"
    call("optimise", recorded, "--hold", "Wax=3")
    assert call("card", recorded)[1]["formula"] == "F2"
    assert call("card", recorded, "--formula", "F1")[1]["lines"] != call("card", recorded)[1]["lines"]


def test_a_formula_to_confirm_is_kept(recorded, call):
    call("optimise", recorded)
    assert call("next", recorded, "--confirm", "2")[0] == 0
    assert (recorded / "formulas/F1.json").is_file()


def test_a_kept_formula_that_breaks_a_later_limit_is_said(recorded, edit, call):
    kept = call("optimise", recorded, "--keep", "F1", "--hold", "Wax=5")[1]
    assert kept["blend"]["Wax"] == pytest.approx(5)
    edit(recorded, 'rule = "Wax + Gum <= 6.5"', 'rule = "Wax + Gum <= 4.5"')
    code, document = call("card", recorded, "--formula", "F1")
    assert code == 1, document["problems"]
    assert "breaks-a-limit" in [problem["code"] for problem in document["problems"]]
    assert "breaks a limit" in (recorded / "formulas/F1-card.html").read_text(encoding="utf-8")
