"""A region that must hold recipes made before its limits moved: each answer worked out by hand."""

import numpy as np
import pytest

from doe import Study
from doe.region.widening import widened


def study(gum, oil=(2, 10), limits=()):
    ingredients = [
        {"name": "Water", "qs": True},
        {"name": "Gum", **gum},
        {"name": "Oil", "low": oil[0], "high": oil[1]},
    ]
    return Study.from_dict(
        {
            "study": {"name": "t", "total": 100},
            "ingredient": ingredients,
            "limit": [{"rule": rule} for rule in limits],
            "response": [{"name": "Y", "aim": "watch", "method": "m"}],
        }
    )


MADE = np.array([[97.8, 0.2, 2.0], [89.0, 1.0, 10.0], [93.4, 0.6, 6.0], [97.0, 1.0, 2.0]])


@pytest.mark.parametrize(
    ("gum", "reach"),
    [
        ({"low": 0.2, "high": 1.0}, (0.2, 1.0)),
        ({"withdrawn": True}, (0.0, 1.0)),
        ({"low": 0.2, "high": 0.4}, (0.2, 1.0)),
        ({"low": 0.9, "high": 1.6}, (0.2, 1.6)),
    ],
)
def test_a_bound_that_moved_since_gives_way_to_what_was_made(gum, reach):
    region = study(gum).region
    found = widened(region, MADE)
    assert found.reach["Gum"] == pytest.approx(reach)
    assert found.reach["Oil"] == pytest.approx((2, 10))
    assert found.contains(MADE).all()
    assert found.dimension == 2


def test_what_a_bench_is_off_by_moves_nothing():
    region = study({"low": 0.2, "high": 1.0}).region
    assert widened(region, MADE * [1, 1.004, 0.996]) is region
    assert widened(region, MADE[:0]) is region


def test_a_limit_written_since_goes_where_recipes_break_it_and_stays_where_none_does():
    region = study({"low": 0.2, "high": 1.0}, limits=["Oil >= 8 * Gum", "Oil <= 9 + Gum"]).region
    found = widened(region, MADE)
    assert found.labels[-1] == "Oil <= 9 + Gum"
    assert "Oil >= 8 * Gum" not in found.labels
    assert widened(region, MADE) is found
