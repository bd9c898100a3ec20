"""The assignment of trials to whole plots and blocks, for any numbers of them: what it promises, by properties."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.groups.assignment import in_plots


@settings(max_examples=60)
@given(
    n=st.integers(4, 30), blocks=st.integers(1, 3), count=st.integers(1, 8), repeats=st.integers(0, 5),
    held=st.lists(st.sampled_from([(0.0,), (1.0,), (2.0,)]), max_size=4),
)  # fmt: skip
def test_whole_plots_are_even_nested_in_blocks_and_hold_what_must_be_made(n, blocks, count, repeats, held):
    count = min(max(count, blocks), n)
    assigned, short = in_plots(n, blocks, count, held, min(repeats, n - len(held)))
    plots, block, recipe = (np.array(side) for side in (assigned.plots, assigned.blocks, assigned.recipe))
    assert len(plots) == len(block) == len(recipe) == n
    assert np.ptp(np.bincount(block, minlength=blocks)) <= 1
    for p in set(assigned.plots):
        assert len(set(block[plots == p])) == 1
        assert len({held[r] for r in recipe[plots == p] if r < len(held)}) <= 1
    assert len(set(assigned.recipe)) == n - min(repeats, n - len(held)) + short
    for r in set(assigned.recipe):
        assert len(set(plots[recipe == r])) == 1
