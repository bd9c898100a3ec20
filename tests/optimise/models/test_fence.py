"""The fence of what was tried: by hand for potential terms, and unmoved by what is only weighed differently."""

import numpy as np
import pytest

from doe import Study
from doe.terms.terms import Terms
from optimise.models.fence import Fence


def factors(names):
    return Study.from_dict(
        {
            "study": {"name": "t"},
            "factor": [{"name": name, "low": -1, "high": 1} for name in names],
            "response": [{"name": "Read", "aim": "watch", "method": "m"}],
        }
    ).region


def test_a_potential_term_counts_with_its_prior():
    # DuMouchel & Jones 1994, Technometrics 36, 37-47 (from memory): the square less its regression on the sure terms
    # over -1..+1 is x^2 - 1/3, which at both ends and the middle ranges over 1; its prior precision is then 1.
    region = factors("x")
    terms = Terms.build(region, model="linear", maybe="quadratic")
    made = np.array([[-1.0], [1.0], [0.5], [0.5]])
    fence = Fence.build(terms, region, made, {})
    F = np.column_stack([np.ones(4), made, made**2 - 1 / 3])
    inverse = np.linalg.inv(F.T @ F + np.diag([0, 0, 1.0]))
    x = np.linspace(-1, 1, 9)[:, None]
    rows = np.column_stack([np.ones(9), x, x**2 - 1 / 3])
    assert fence.leverage(x, {}) == pytest.approx(((rows @ inverse) * rows).sum(axis=1))
    assert fence.limit == pytest.approx(((F @ inverse) * F).sum(axis=1).max())


def test_batches_of_one_recipe_weighed_a_little_differently_do_not_close_it():
    # Seven recipes and three of them again, for ten terms: without the weighing the terms cannot be told apart.
    region = factors("xyz")
    terms = Terms.build(region, model="quadratic")
    rng = np.random.default_rng(5)
    recipes = rng.uniform(-1, 1, (7, 3)).round(1)
    planned = np.vstack([recipes, recipes[:3]])
    names = [f"R{i}" for i in (*range(7), *range(3))]
    everywhere = region.sample(500, 1)
    exact = Fence.build(terms, region, planned, {}, names)
    made = Fence.build(terms, region, planned + rng.normal(0, 0.002, planned.shape), {}, names)
    assert not made.reduced
    assert made.leverage(everywhere, {}) == pytest.approx(exact.leverage(everywhere, {}), rel=0.05)
    assert made.inside(everywhere, {}).mean() == pytest.approx(exact.inside(everywhere, {}).mean(), abs=0.03)
    assert made.inside(everywhere, {}).mean() > 0.05


@pytest.mark.parametrize("model", [{"model": "quadratic"}, {"model": "linear", "maybe": "quadratic"}])
def test_the_fence_foreseen_is_the_fence_that_stands_once_the_trials_are_made(model):
    # Fewer recipes than terms (six for ten), where only the prior holds some: read off the definition both ways.
    region = factors("xyz")
    terms = Terms.build(region, **model)
    recipes = np.random.default_rng(3).uniform(-1, 1, (6, 3))
    more = np.array([[1.0, 1.0, -1.0]])
    everywhere = region.sample(300, 1)
    fence = Fence.build(terms, region, recipes, {})
    rows, tried, next_ones = (terms.rows(X, {}, fence.coding) for X in (everywhere, recipes, more))
    then = Fence.build(terms, region, np.vstack([recipes, more]), {})
    assert not fence.reduced
    assert not then.reduced
    assert np.array_equal(fence.inside_once(tried, rows), fence.inside(everywhere, {}))
    foreseen = fence.inside_once(np.vstack([tried, next_ones]), rows)
    assert np.array_equal(foreseen, then.inside(everywhere, {}))
    assert fence.inside(everywhere, {}).sum() < foreseen.sum() < len(everywhere)


def test_a_withdrawn_ingredient_leaves_the_fence_that_its_trials_and_none_of_it_give():
    # What was tried does not change by what may be made from now on, nor does the prior of what it might do.
    def mixture(oil):
        ingredients = [{"name": "Water", "qs": True}, {"name": "Gum", "low": 0.2, "high": 1.0}, {"name": "Oil", **oil}]
        response = {"name": "Read", "aim": "watch", "method": "m"}
        plan = {"model": "linear", "maybe": "quadratic"}
        return Study.from_dict(
            {"study": {"name": "t"}, "ingredient": ingredients, "response": [response], "plan": plan}
        )

    before, after = mixture({"low": 0, "high": 10}), mixture({"withdrawn": True})
    gum, oil = np.array([0.2, 1.0, 0.2, 1.0, 0.6]), np.array([2.0, 2.0, 10.0, 10.0, 6.0])
    made = np.column_stack([100 - gum - oil, gum, oil])
    old, new = (Fence.build(one.terms(), one.region, made, {}) for one in (before, after))
    gum, oil = np.array([0.3, 0.6, 0.9]), np.array([0.0, 4.0, 8.0])
    asked = np.column_stack([100 - gum - oil, gum, oil])
    assert new.limit == pytest.approx(old.limit)
    assert new.leverage(asked, {}) == pytest.approx(old.leverage(asked, {}))
