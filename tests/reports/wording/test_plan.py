"""The sentences of a plan, counted by hand."""

import pytest

from doe import Study, plan
from reports.gathering.plan import plan_facts
from reports.wording.plan import _what


def planned(wish):
    one = Study.from_dict(
        {
            "study": {"name": "invented"},
            "factor": [{"name": name, "low": 1, "high": 9} for name in "AB"],
            "response": [{"name": "y", "aim": "watch", "sd": 1, "matters": 3}],
            "plan": {"model": "linear", **wish},
        }
    )
    return plan_facts(one, plan(one))


@pytest.mark.parametrize(
    ("wish", "said"),
    [
        # Corners and three centre points: five recipes.
        ({"design": "factorial", "centre_points": 3}, "7 batches of 5 recipes; 1 of them made three times,"),
        ({"design": "factorial", "runs": 8}, "8 batches of 4 recipes; 4 of them made a second time,"),
        (
            {"design": "factorial", "runs": 10},
            "10 batches of 4 recipes; 2 of them made twice and 2 of them three times,",
        ),
        ({"design": "factorial", "runs": 4}, "4 batches of 4 recipes."),
    ],
)
def test_how_often_recipes_are_made(wish, said):
    assert _what(planned(wish)).startswith(said)
