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
