"""The bound on plans in whole plots: sound, and met where a plan is known to be best."""

from itertools import product

import numpy as np
import pytest

from doe import Region, Terms
from doe.groups.wholeplots import Hard, blocks_kept, ceiling, hard_functions, reading_of
from doe.ideal.bestpossible import BestPossible
from doe.search.spaces import layout
from doe.search.strata import Strata


def cube(k, model="quadratic", maybe=None, categories=None):
    region = Region.build(
        names=[f"x{i}" for i in range(k)], blend=[], blend_total=None, fill=None, low=-np.ones(k), high=np.ones(k),
        **({"categories": categories} if categories else {}),
    )  # fmt: skip
    return layout(region, Terms.build(region, model, maybe=maybe))


def none(n):
    return np.zeros((n, 0), dtype=np.intp)


@pytest.mark.parametrize(
    "hard,model,maybe,count",
    [
        ((0,), "linear", None, 2),
        ((0,), "quadratic", None, 3),
        ((0, 1), "quadratic", None, 6),
        ((0,), "linear", "quadratic", 2),
    ],
)  # fmt: skip
def test_functions_of_hard_factors_alone(hard, model, maybe, count):
    # 1, w; 1, w, w^2; and with two 1, w, v, wv, w^2, v^2; potential terms are not owed anything.
    plan = cube(3, model, maybe)
    N = hard_functions(plan, Hard(hard, ()))
    assert N.shape[1] == count
    rng = np.random.default_rng(1)
    U, other = rng.uniform(-1, 1, (2, 20, 3))
    other[:, hard] = U[:, hard]
    assert np.allclose(plan.space.model(U, none(20)) @ N, plan.space.model(other, none(20)) @ N)


def test_a_blend_without_an_intercept_still_has_one_between_whole_plots():
    # The shares of a blend add up to 1, so a model in Scheffé's form crossed with a factor holds 1 and the factor.
    names = ["A", "B", "C", "Heat"]
    region = Region.build(
        names=names, blend=names[:3], blend_total=1.0, fill=None, low=np.array([0.0, 0, 0, -1]), high=np.ones(4)
    )
    terms = Terms.build(region, {"blend": "quadratic", "process": "linear", "cross": "linear"})
    plan = layout(region, terms)
    assert hard_functions(plan, Hard((plan.region.free.index("Heat"),), ())).shape[1] == 2


@pytest.mark.parametrize("ratio", [0.3, 1.0, 4.0])
def test_a_balanced_two_level_split_plot_meets_the_bound(ratio):
    plan = cube(3, "linear")
    X = np.array(list(product((-1.0, 1.0), repeat=3)))
    strata = Strata.of((X[:, 0] > 0).astype(int) * 2 + (X.prod(axis=1) > 0), [0] * 8, ratio)
    G = plan.space.model(X, none(8))
    A = G.T @ strata.weight() @ G
    top = ceiling(BestPossible(plan), Hard((0,), ()), strata)
    assert np.linalg.slogdet(A / 8)[1] / 4 == pytest.approx(top.d, abs=1e-6)
    assert 8 * np.trace(np.linalg.inv(A) @ plan.moment) == pytest.approx(top.i, rel=1e-6)


@pytest.mark.parametrize("maybe", [None, "quadratic"])
def test_no_plan_exceeds_the_bound(maybe):
    plan = cube(2, "linear" if maybe else "quadratic", maybe)
    hard = Hard((0,), ())
    rng = np.random.default_rng(4)
    sizes = [3, 2, 4]
    strata = Strata.of(np.repeat(range(3), sizes), [0] * 9, 1.0)
    top = ceiling(BestPossible(plan), hard, strata)
    for _ in range(300):
        X = rng.choice([-1.0, 0.0, 1.0], size=(9, 2))
        X[:, 0] = np.repeat(rng.permutation([-1.0, 0.0, 1.0]), sizes)
        G = plan.space.model(X, none(9))
        A = G.T @ strata.weight() @ G + plan.prior
        if np.linalg.cond(A) > 1e8:
            continue
        assert np.linalg.slogdet(A / 9)[1] / len(A) <= top.d + 1e-9
        assert 9 * np.trace(np.linalg.inv(A) @ plan.moment) >= top.i * (1 - 1e-9)


def test_a_split_plot_against_the_same_trials_set_up_one_by_one():
    # One by one every coefficient has variance (1 + ratio) / n; in whole plots of m, (1 + m ratio) / n for the two of
    # whole plots and 1 / n for the rest: the ratio of determinants is known in closed form.
    plan = cube(3, "linear")
    X = np.array(list(product((-1.0, 1.0), repeat=3)))
    strata = Strata.of((X[:, 0] > 0).astype(int) * 2 + (X.prod(axis=1) > 0), [0] * 8, 1.0)
    told = reading_of(plan, strata, plan.space.model(X, none(8)), Hard((0,), ()), 8, {"whole_plot_error": 2})
    assert told["against_randomised"]["d"] == pytest.approx((2**4 / 3**2) ** (1 / 4))
    assert (told["count"], told["resets"], told["sizes"], told["terms"]) == (4, 4, [2, 2, 2, 2], 2)


def test_what_blocks_take_from_the_model():
    plan = cube(2, "linear")
    X = np.array(list(product((-1.0, 1.0), repeat=2)))
    G = plan.space.model(X, none(4))
    even = blocks_kept(plan, Strata.of(range(4), (X.prod(axis=1) > 0).astype(int), 0.0), G)
    assert even == {"count": 2, "kept": pytest.approx(1), "worst": {"term": "x0", "kept": pytest.approx(1)}}
    # Four corners and a centre point, one corner alone with the centre point: the loss in closed form is that of a
    # regression with one more column.
    X = np.vstack([X, [[0.0, 0.0]]])
    G = plan.space.model(X, none(5))
    block = np.array([0, 0, 0, 1, 1])
    told = blocks_kept(plan, Strata.of(range(5), block, 0.0), G)
    with_block = np.column_stack([np.ones(5), X, block])
    without = with_block[:, :3]
    lost = [np.diag(np.linalg.inv(M.T @ M))[1] for M in (without, with_block)]
    assert told["worst"]["kept"] == pytest.approx(lost[0] / lost[1])
    assert blocks_kept(plan, Strata.none(5), G) == {}
