"""Where all is as wanted at many recipes, the likeliest of them to pass is taken; checked against a dense grid."""

import numpy as np
import pandas as pd
import pytest

from doe import Study
from optimise import find, fit
from optimise.formula.brief import Brief
from optimise.formula.peaks import Multistart
from optimise.formula.plateau import likeliest
from optimise.formula.space import Space

ASKED = [
    {"name": "Y", "unit": "u", "method": "m", "aim": "within", "low": 4, "high": 8, "must": True},
    {"name": "Z", "unit": "u", "method": "m", "aim": "above", "low": 4.5, "target": 5.5, "must": False},
]


def studied(step, target=5.5, **asked):
    """Two factors; Y falls and Z rises along A, and a band of recipes is as wanted throughout."""
    factor = [{"name": name, "low": -1, "high": 1, **({"step": step} if step else {})} for name in "AB"]
    made = Study.from_dict(
        {
            "study": {"name": "s"},
            "factor": factor,
            "response": [ASKED[0], {**ASKED[1], "target": target, **asked}],
            "plan": {"model": "quadratic"},
        }
    )
    a, b = (np.tile(m.ravel(), 2) for m in np.meshgrid([-1, 0, 1], [-1, 0, 1]))
    rng = np.random.default_rng(3)
    frame = made.complete(pd.DataFrame({"A": a, "B": b}))
    frame["Y"] = 6 - 2 * a + 1.5 * b**2 + 0.4 * rng.normal(size=len(a))
    frame["Z"] = 6 + a + 0.2 * rng.normal(size=len(a))
    return made, fit(made, made.results(frame)), (a, b, frame["Y"].to_numpy(), frame["Z"].to_numpy())


def quadratic(a, b):
    """The full quadratic in two factors, (n, 6)."""
    return np.column_stack([np.ones(len(a)), a, b, a * b, a**2, b**2])


@pytest.mark.parametrize("step", [None, 0.1])
def test_no_recipe_of_a_dense_grid_is_as_desirable_and_likelier(step):
    made, models, (a, b, y, z) = studied(step)
    best = find(made, models, objective="desirability")
    assert best.desirability == pytest.approx(1, abs=1e-9)
    levels = np.linspace(-1, 1, 21)
    grid = pd.DataFrame(dict(zip("AB", (m.ravel() for m in np.meshgrid(levels, levels)), strict=True))).round(12)
    beta = np.linalg.lstsq(quadratic(a, b), np.column_stack([y, z]), rcond=None)[0]
    means = quadratic(grid["A"].to_numpy(), grid["B"].to_numpy()) @ beta
    wanted = (means[:, 0] >= 4) & (means[:, 0] <= 8) & (means[:, 1] >= 5.5) & models.inside(grid).to_numpy()
    chances = models.joint_chance(grid[wanted])
    assert wanted.sum() > 50
    assert chances.max() - chances.min() > 0.3
    # With steps the grid is all that there is; without, the best lies between its recipes.
    assert best.chance >= chances.max() - 1e-9
    assert best.chance <= chances.max() + (1e-9 if step else 0.01)


def test_at_a_target_the_likeliest_of_the_recipes_that_hit_it_is_taken():
    made, models, (a, b, y, z) = studied(None, aim="target", high=6.5)
    best = find(made, models, objective="desirability")
    assert best.desirability == pytest.approx(1, abs=1e-8)
    beta = np.linalg.lstsq(quadratic(a, b), np.column_stack([y, z]), rcond=None)[0]
    # Where the mean of Z is 5.5: for each B the A that solves the quadratic, within -1..+1.
    B = np.linspace(-1, 1, 401)
    c, slope, bend = beta[0, 1] + beta[2, 1] * B + beta[5, 1] * B**2 - 5.5, beta[1, 1] + beta[3, 1] * B, beta[4, 1]
    A = 2 * c / (-slope - np.sign(slope) * np.sqrt(slope**2 - 4 * bend * c))
    hit = pd.DataFrame({"A": A, "B": B})[np.abs(A) <= 1]
    means = quadratic(hit["A"].to_numpy(), hit["B"].to_numpy()) @ beta
    assert means[:, 1] == pytest.approx(np.full(len(hit), 5.5))
    hit = hit[(means[:, 0] >= 4) & (means[:, 0] <= 8) & models.inside(hit).to_numpy()]
    chances = models.joint_chance(hit)
    assert chances.max() - chances.min() > 0.1
    assert best.chance == pytest.approx(chances.max(), abs=1e-3)


def test_nothing_is_added_where_no_recipe_is_all_that_is_wanted():
    made, models, _ = studied(None, target=9)
    multistart = Multistart(Brief.of(made, models, "desirability"), Space.build(made), "desirability", models.fence)
    peaks = multistart.peaks(4)
    assert peaks[0].score < -0.1
    assert likeliest(multistart, peaks) == []
