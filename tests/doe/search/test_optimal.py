"""Which trials to repeat is part of the search, not an afterthought."""

from itertools import combinations_with_replacement

import numpy as np
import pytest

from doe import PlanError, Study, plan
from doe.search import candidates, optimal
from doe.search.allocation import moved_repeats, repeats
from doe.search.exchange import Criterion, Runs
from doe.search.spaces import layout
from doe.search.staged import Pool, search


def factors(names, keys):
    text = '[study]\nname = "f"\n' + "".join(f'[[factor]]\nname = "{n}"\nlow = -1\nhigh = 1\n' for n in names)
    return Study.from_toml(text + f'[[response]]\nname = "y"\naim = "watch"\n[plan]\nmodel = "quadratic"\n{keys}\n')


@pytest.mark.parametrize("kind", ["D", "L"])
def test_repeats_moved_about_end_at_the_best_of_all_allocations(kind):
    rng = np.random.default_rng(6)
    for _ in range(10):
        G = rng.normal(size=(7, 4))
        criterion = Criterion(kind, np.cov(rng.normal(size=(4, 30))), np.zeros((4, 4)))
        best = max(
            float(criterion.value(np.vstack([G, G[list(extra)]])))
            for extra in combinations_with_replacement(range(7), 3)
        )
        first = np.ones(7)
        first[:3] += 1
        times = moved_repeats(criterion, G, first)
        assert times.sum() == 10
        assert times.min() >= 1
        got = float(criterion.value(G * np.sqrt(times)[:, None]))
        assert got >= float(criterion.value(G * np.sqrt(first)[:, None]))
        # One repeat moved at a time may end short of the best of all, but never far.
        assert got >= best - 0.02


def afterwards(study, runs, count):
    """Distinct trials searched first, then which to repeat, then all polished: the criterion of the plan."""
    layed = layout(study.region, study.terms())
    criterion = layed.criterion(study.plan.criterion)
    pool = Pool(*candidates.with_levels(candidates.short(layed.region), layed.combinations(), most=360))
    pools = [pool] * (runs - count)
    found = search(layed.space, criterion, pools, starts=100, seed=1)
    U, C = optimal._together(found.X[0], found.C[0], 0), found.C[0]
    times = np.ones(len(U))
    np.add.at(times, repeats(criterion, layed.space.model(U, C), count, range(len(U))), 1.0)
    made = search(layed.space, criterion, pools, first=Runs(U[None], C[None]), roots=np.sqrt(times))
    return float(criterion.value(layed.space.model(made.X[0], made.C[0]) * np.sqrt(times)[:, None]))


@pytest.mark.parametrize(
    "names,runs,count,name,more",
    [("AB", 12, 4, "I", 0.02), ("AB", 10, 3, "D", 0.0), ("ABC", 17, 4, "I", 0.01), ("ABC", 20, 6, "A", 0.0)],
)
def test_repeats_within_the_search_are_no_worse_than_afterwards(names, runs, count, name, more):
    study = factors(names, f'runs = {runs}\nreplicate_batches = {count}\ncriterion = "{name}"')
    design = plan(study)
    assert design.quality.df["pure_error"] >= count
    layed = layout(study.region, study.terms())
    U = layed.region.coded(design.table[list(layed.region.names)].to_numpy(dtype=float))
    G = layed.space.model(U, np.zeros((len(U), 0), dtype=np.intp))
    got = float(layed.criterion(name).value(G))
    # Rounding to decimals of the levels may cost a little.
    assert got >= afterwards(study, runs, count) + more - 1e-4


def test_a_few_more_trials_are_not_all_repeats():
    study = factors("AB", "runs = 18")
    made = plan(study).table
    more = plan(study, runs=4, existing=made, round=2, first_trial=19)
    assert more.runs["replicate_of"].notna().sum() <= 1
    given = [{"A": 0.1 * i, "B": -0.1 * i} for i in range(10)]
    assert len(plan(study, runs=10, must_make=given, existing=made).table) == 10
    with pytest.raises(PlanError, match="repeat another"):
        plan(study, runs=4, replicate_batches=4, existing=made)
