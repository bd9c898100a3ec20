"""The chance by matched moments: one law a must has the mean and the spread of the mixture it stands for."""

import numpy as np
import pandas as pd
import pytest

from doe import Study
from optimise.formula.bends import Plane
from optimise.formula.brief import Brief
from optimise.models.models import fit

SOURCE = {
    "study": {"name": "moments"},
    "factor": [
        {"name": "A", "low": -1, "high": 1},
        {"name": "B", "low": 0, "high": 5},
        {"name": "Mill", "levels": ["one", "two", "three"]},
    ],
    "response": [
        {"name": "X", "unit": "u", "method": "m", "aim": "within", "low": -4, "high": 1},
        {"name": "Y", "unit": "u", "method": "m", "aim": "above", "low": 2},
    ],
}


@pytest.fixture(scope="module")
def brief():
    """Two musts on the same trials, with a category."""
    study = Study.from_dict(SOURCE)
    rng = np.random.default_rng(4)
    A, B, mill = rng.uniform(-1, 1, 24), rng.uniform(0, 5, 24), rng.choice(["one", "two", "three"], 24)
    frame = pd.DataFrame({"A": A, "B": B, "Mill": mill, "X": 3 * A - B + 0.4 * A * B + (mill == "two")})
    frame["Y"] = np.exp(A) + 0.5 * B
    frame[["X", "Y"]] += 0.3 * rng.normal(size=(24, 2))
    return Brief.of(study, fit(study, study.results(frame.set_axis([f"H{i}" for i in range(24)]))), "chance")


def places(m):
    rng = np.random.default_rng(1)
    X = np.column_stack([rng.uniform(-1, 1, m), rng.uniform(0, 5, m)])
    return X, {"Mill": rng.choice(np.array(["one", "two", "three"], dtype=object), m)}


def test_mean_and_spread_are_those_of_the_mixture(brief):
    X, chosen = places(9)
    (laws,) = brief.goal.matched.together
    for number, one in enumerate(brief.aimed):
        mixture = one.predictor.at(X, chosen)
        mean = mixture.mean()
        square = (mixture.batch_scale**2 + (mixture.location - mean[:, None]) ** 2) @ mixture.weights
        for mill in ("one", "two", "three"):
            here = chosen["Mill"] == mill
            ours, squared = laws.on(Plane(np.zeros(2), np.eye(2), {"Mill": mill})).law(X[here])
            assert ours[:, number] == pytest.approx(mean[here], rel=1e-9)
            assert squared[:, number] == pytest.approx(square[here], rel=1e-7)


def test_it_is_near_the_chance(brief):
    X, _ = places(40)
    for mill in ("one", "two", "three"):
        plane = Plane(np.zeros(2), np.eye(2), {"Mill": mill})
        true, near = brief.goal.score(X, plane.chosen(40)), brief.goal.matched.on(plane).score(X)
        likely = true > np.log(0.05)
        assert np.exp(near)[likely] == pytest.approx(np.exp(true)[likely], abs=0.03)


def test_slopes_and_bends_are_those_of_its_values(brief):
    matched, U = brief.goal.matched, np.random.default_rng(2).uniform(-1, 1, (12, 2))
    for mill in ("one", "two", "three"):
        plane = Plane(np.array([0.1, 2.5]), np.array([[0.9, 0.1], [0.0, 2.0]]), {"Mill": mill})
        bent = matched.on(plane).bent
        value, slope, bend = bent(U)
        assert value[:, 0] == pytest.approx(matched.on(plane).score(U), rel=1e-12)
        for j, step in enumerate(1e-5 * np.eye(2)):
            up, down = bent(U + step), bent(U - step)
            assert slope[:, 0, j] == pytest.approx((up[0] - down[0])[:, 0] / 2e-5, rel=1e-5, abs=1e-6)
            assert bend[:, 0, j] == pytest.approx((up[1] - down[1])[:, 0] / 2e-5, rel=1e-5, abs=1e-5)
