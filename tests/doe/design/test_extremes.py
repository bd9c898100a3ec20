"""Range-finding: extreme recipes in different directions, first where the order may begin with them."""

from itertools import pairwise

import numpy as np
import pytest

from doe import Design, Study, plan
from doe.design.extremes import extremes
from doe.search.allocation import in_order

SQUARE = Study.from_toml(
    """
[study]
name = "s"
[[factor]]
name = "A"
low = -1
high = 1
[[factor]]
name = "B"
low = -1
high = 1
[plan]
model = "quadratic"
design = "central-composite"
axial = "face"
seed = 3
"""
)
WASH = """
[study]
name = "w"
[[ingredient]]
name = "Water"
qs = true
[[ingredient]]
name = "Gum"
low = 0
high = 4
[[ingredient]]
name = "Wax"
low = 0
high = 40
[[factor]]
name = "Speed"
low = 0
high = 9
hard_to_change = HARD
[plan]
model = "linear"
runs = 12
seed = 2
EXTRA
"""


def wash(hard="false", extra=""):
    return Study.from_toml(WASH.replace("HARD", hard).replace("EXTRA", extra))


def test_corners_of_a_square_on_different_sides():
    grid = np.array([[x, y] for x in (-1.0, 0.0, 1.0) for y in (-1.0, 0.0, 1.0)])
    chosen = grid[list(extremes(SQUARE.region, grid))]
    # By hand: corners are farthest from the centre, the second is the opposite one, the third one of the other two.
    assert (np.abs(chosen) == 1).all()
    assert chosen[0] @ chosen[1] == -2
    assert abs(chosen[2] @ chosen[0]) == 0


def test_never_two_of_one_side():
    # Four close together in one corner, the centre, and one opposite: only two directions are there to choose.
    X = np.array([[1, 1], [1, 0.9], [0.9, 1], [0.95, 0.95], [0, 0], [-1, -1], [0.1, 0], [0, 0.1]], dtype=float)
    assert extremes(SQUARE.region, X) == (0, 5)


def test_repeats_are_one_recipe_and_few_recipes_need_no_range_finding():
    X = np.array([[1, 1], [1, 1], [-1, -1], [-1, -1], [0, 0]], dtype=float)
    assert extremes(SQUARE.region, X) == ()
    more = np.concatenate([X, [[-1, 1]]])
    assert extremes(SQUARE.region, more) == (0, 2)


def test_the_first_is_the_one_with_least_of_what_takes_up_the_rest():
    design = plan(wash(extra='design = "space-filling"'))
    driest = design.table["Water"].min()
    assert driest in set(design.table.loc[list(design.make_first), "Water"])
    assert len(design.make_first) == 3
    assert not design.runs.loc[list(design.make_first), "replicate_of"].notna().any()


def test_they_lead_the_order_and_all_others_keep_their_lot():
    design = plan(wash(extra='design = "space-filling"'))
    assert sorted(design.runs.loc[list(design.make_first), "order"]) == [1, 2, 3]
    for seed in range(5):
        drawn = in_order([0] * 9, [0] * 9, [], seed)
        led = in_order([0] * 9, [0] * 9, [], seed, [2, 7])
        assert set(led[:2]) == {2, 7}
        assert led[2:] == [i for i in drawn if i not in (2, 7)]
    # A standard stays at the start of its block; of two extremes in two blocks only that of the first block moves.
    block = [0] * 5 + [1] * 5
    led = in_order(block, [0] * 10, [0], 4, [3, 8])
    assert led[:2] == [0, 3]
    assert led[5:] == in_order(block, [0] * 10, [0], 4)[5:]


def test_whole_plots_are_not_torn_apart():
    design = plan(wash("true"))
    assert len(design.make_first) >= 2
    assert design.runs.loc[list(design.make_first), "replicate_of"].isna().all()
    order = design.runs.sort_values("order")["whole_plot"].tolist()
    assert len([1 for a, b in pairwise(order) if a != b]) + 1 == len(set(order))


def test_no_range_finding_after_trials_were_made():
    study = wash()
    first = plan(study)
    again = plan(study, runs=4, existing=first.table, round=2, first_trial=13, replicate_batches=0)
    assert again.make_first == ()


def test_kept_in_plan_json_and_older_plans_have_none():
    design = plan(wash())
    source = design.to_dict()
    assert Design.from_dict(source).make_first == design.make_first
    older = {key: value for key, value in source.items() if key not in ("make_first", "digest")}
    assert Design.from_dict(older).make_first == ()


@pytest.mark.parametrize("seed", range(3))
def test_same_seed_same_first(seed):
    assert plan(wash(), seed=seed).make_first == plan(wash(), seed=seed).make_first
