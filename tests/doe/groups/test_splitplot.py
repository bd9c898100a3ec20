"""Plans in whole plots against all plans there are, where these can be listed, and against proven formulas."""

from itertools import chain, combinations_with_replacement, product

import numpy as np
import pytest

from doe import Region, Terms
from doe.groups.plotmoves import Stage
from doe.groups.splitplot import drawn, search, sweep
from doe.search import candidates
from doe.search.exchange import RIDGE, Criterion
from doe.search.grouped import Plans, Task, gains, worth
from doe.search.spaces import layout
from doe.search.strata import Strata

GRID = np.array(list(product((-1.0, 0.0, 1.0), repeat=2)))


def square(model, k=2):
    region = Region.build(
        names=[f"x{i}" for i in range(k)], blend=[], blend_total=None, fill=None, low=-np.ones(k), high=np.ones(k)
    )
    terms = Terms.build(region, model) if isinstance(model, str) else Terms.build(region, terms=model)
    return layout(region, terms)


def task(plan, name, sizes, *, U=None, blocks=None, hard=(0,), ratio=1.0):
    n = sum(sizes)
    plots = np.repeat(np.arange(len(sizes)), sizes)
    block = np.zeros(n, dtype=int) if blocks is None else np.repeat(blocks, sizes)
    pool = candidates.short(plan.region) if U is None else U
    lists = np.array(list(product((-1.0, 0.0, 1.0), repeat=len(hard))))
    groups = tuple(np.flatnonzero(plots == p) for p in range(len(sizes)))
    return Task(
        space=plan.space, criterion=plan.criterion(name), strata=Strata.of(plots, block, ratio), recipe=np.arange(n),
        fixed=np.zeros(n, dtype=bool), groups=groups, hard=hard, hard_levels=(), settings=lists,
        setting_levels=np.zeros((len(lists), 0), dtype=np.intp), U=pool, C=np.zeros((len(pool), 0), dtype=np.intp),
        parties=groups if blocks is not None else (),
    )  # fmt: skip


def blank(job):
    n, k = job.recipe.size, job.U.shape[1]
    return Plans(np.zeros((1, n, k)), np.zeros((1, n, 0), dtype=np.intp), np.arange(n)[None])


def best_of_all(plan, job, sizes):
    """The best of every plan on the 3 x 3 grid, x0 staying within each whole plot."""
    each = [
        [[(w, s) for s in rows] for w in (-1, 0, 1) for rows in combinations_with_replacement((-1, 0, 1), m)]
        for m in sizes
    ]
    X = np.array([list(chain(*rows)) for rows in product(*each)], dtype=float)
    G = plan.space.model(X.reshape(-1, 2), np.zeros((X.shape[0] * X.shape[1], 0), dtype=np.intp))
    G = G.reshape(*X.shape[:2], -1)
    return worth(job.criterion, np.swapaxes(G, 1, 2) @ job.position_weights @ G + RIDGE * np.eye(G.shape[2])).max()


@pytest.mark.parametrize("name", ["D", "I", "A"])
@pytest.mark.parametrize(
    "sizes,model,blocks",
    [
        ((2, 2), "linear", None),
        ((2, 2), ["x0", "x1", "x0 × x1"], None),
        ((2, 2, 2), "quadratic", None),
        ((3, 2, 3), "quadratic", None),
        ((2, 2, 2, 2), ["x0", "x1", "x0 × x1"], (0, 0, 1, 1)),
    ],
)
def test_the_search_finds_the_best_of_all_plans_on_a_grid(name, sizes, model, blocks):
    plan = square(model)
    job = task(plan, name, sizes, U=GRID, blocks=blocks)
    made = drawn(job, blank(job), 60, np.random.default_rng(3))
    made = sweep(job, made, Stage(points=True, shares=3, passes=30, swaps=True))
    best = best_of_all(plan, job, sizes)
    assert job.value(made).max() == pytest.approx(best, abs=1e-9)
    # On the continuous square it may only be better; where no term is square the corners are best.
    whole = job.value(search(task(plan, name, sizes, blocks=blocks), blank(job), starts=20, seed=1))[0]
    assert whole >= best - 1e-9
    if model != "quadratic":
        assert whole == pytest.approx(best, abs=1e-9)


def test_settings_stay_within_a_whole_plot_and_every_recipe_within_its_limits():
    plan = square("quadratic", k=3)
    job = task(plan, "I", (4, 3, 4, 3, 4), hard=(0, 1))
    made = search(job, blank(job), starts=10, seed=2)
    for group in job.groups:
        assert np.ptp(made.X[0, group][:, :2], axis=0).max() == 0
    assert plan.space.inside(made.X[0], made.C[0]).all()


def test_two_level_split_plot_is_d_optimal():
    # A balanced 2^k in whole plots with every effect free of the others is D-optimal for any variance ratio (Goos &
    # Vandebroek 2001; from memory); its determinant is n^p / (1 + m ratio)^(whole-plot terms).
    plan = square("linear", k=3)
    job = task(plan, "D", (4, 4, 4, 4), ratio=2.5)
    made = search(job, blank(job), starts=20, seed=1)
    X = made.X[0]
    F = np.column_stack([np.ones(16), X])
    assert np.linalg.det(F.T @ job.position_weights @ F) == pytest.approx(16**4 / (1 + 4 * 2.5) ** 2, rel=1e-9)


@pytest.mark.parametrize("kind", ["D", "L"])
def test_gain_of_a_change_is_the_change_of_the_criterion(kind):
    rng = np.random.default_rng(5)
    strata = Strata.of([0, 0, 0, 1, 1, 2, 2, 2, 2], [0] * 5 + [1] * 4, 0.7)
    W, F = strata.weight(), rng.normal(size=(9, 4))
    criterion = Criterion(kind, np.cov(rng.normal(size=(4, 30))), np.diag([0.3, 0, 0, 0.3]))
    V = np.linalg.inv(F.T @ W @ F + criterion.prior)
    e = np.array([1.0, 0, 0, 0, -1.0, 0, 0, 2.0, 0])
    d = rng.normal(size=(1, 5, 4))
    u, w = (W @ e) @ F, e @ W @ e
    got = gains(criterion, V[None], d, u[None, None], np.array([[w]]))[0]
    for j in range(5):
        moved = F + np.outer(e, d[0, j])
        then, now = (worth(criterion, M.T @ W @ M + criterion.prior) for M in (moved, F))
        assert got[j] == pytest.approx(float(then - now), rel=1e-9)


def test_same_seed_same_plan_to_the_last_bit():
    plan = square("quadratic")
    job = task(plan, "I", (3, 3, 3))
    one, two = (search(job, blank(job), starts=8, seed=4) for _ in range(2))
    assert one.X.tobytes() == two.X.tobytes()
    assert one.X.tobytes() != search(job, blank(job), starts=8, seed=5).X.tobytes()
