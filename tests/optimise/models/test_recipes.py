"""Recipes given for prediction: what is wrong with a table is said at once, in the study's words. Data invented."""

import pandas as pd
import pytest

from doe import ModelError, Study
from optimise.models.recipes import recipes

STUDY = Study.from_dict(
    {
        "study": {"name": "Recipes"},
        "ingredient": [
            {"name": "Water", "qs": True},
            {"name": "Buffer", "level": 0.5},
            {"name": "Wax", "low": 1, "high": 5},
        ],
        "factor": [{"name": "Speed", "low": 1, "high": 9}],
        "response": [{"name": "Wear", "method": "m", "aim": "above", "low": 1}],
    }
)


def refused(frame):
    with pytest.raises(ModelError) as caught:
        recipes(STUDY, frame)
    return [(problem.where, problem.do) for problem in caught.value.problems]


def test_a_misspelt_column_is_named_beside_one_that_is_absent():
    told = refused(pd.DataFrame({"Wax": [2.0], "Bufer": 0.4}))
    assert ("Bufer", "did you mean Buffer?") in told
    assert ("Speed", "add the column") in told


def test_columns_of_other_things_are_left_alone():
    # Wear is a response, and Wex is like Wax, which is there.
    whole = recipes(STUDY, pd.DataFrame({"Wax": [2.0], "Speed": 3, "Wear": 7, "Wex": 1, "who": "me"}))
    assert whole.loc[0, ["Water", "Buffer", "Wax", "Speed"]].tolist() == [97.5, 0.5, 2.0, 3.0]


def test_levels_by_name_are_told_how_to_become_a_table():
    (told,) = refused({"Wax": 2.0, "Speed": 3})
    assert told == ("recipes", "of one recipe as levels by name: pd.DataFrame([levels])")


@pytest.mark.parametrize("find", [STUDY.response, STUDY.ingredient, STUDY.factor])
def test_a_name_that_is_not_there_is_told_with_those_that_are(find):
    with pytest.raises(KeyError, match=r"'Gum' is no .* of this study: (Wear|Water, Buffer, Wax|Speed)"):
        find("Gum")
