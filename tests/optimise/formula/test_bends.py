"""Slopes and second derivatives along free coordinates are those of the values, by central differences."""

import numpy as np
import pandas as pd
import pytest

from doe import Study
from optimise.formula.bends import Plane, by_differences, in_places, one_after_another
from optimise.formula.brief import Brief
from optimise.formula.centres import Centres, Means
from optimise.formula.climb import within_fence
from optimise.formula.space import Space
from optimise.models.models import fit

STEP = 1e-5
SOURCE = {
    "study": {"name": "bends"},
    "factor": [
        {"name": "A", "low": -1, "high": 1},
        {"name": "B", "low": 0, "high": 5},
        {"name": "Mill", "levels": ["one", "two", "three"]},
    ],
    "response": [
        {"name": "X", "unit": "u", "method": "m", "aim": "within", "low": -6, "high": 4},
        {"name": "Y", "unit": "u", "method": "m", "scale": "log", "aim": "above", "low": 1, "target": 3},
        {"name": "Z", "unit": "%", "method": "m", "scale": "logit", "aim": "below", "high": 60, "target": 30},
    ],
    "plan": {"model": "quadratic"},
}


@pytest.fixture(scope="module")
def brief():
    """Three responses on a linear, a log and a logit scale, with a category."""
    study = Study.from_dict(SOURCE)
    rng = np.random.default_rng(4)
    A, B, mill = rng.uniform(-1, 1, 30), rng.uniform(0, 5, 30), rng.choice(["one", "two", "three"], 30)
    frame = pd.DataFrame({"A": A, "B": B, "Mill": mill, "X": 3 * A - B + 0.4 * A * B + (mill == "two")})
    frame["Y"], frame["Z"] = np.exp(A + 0.1 * B), 100 / (1 + np.exp(A - 0.3 * B + 0.1 * rng.normal(size=30)))
    frame["X"] += 0.3 * rng.normal(size=30)
    frame["Y"] *= np.exp(0.1 * rng.normal(size=30))
    return Brief.of(study, fit(study, study.results(frame.set_axis([f"H{i}" for i in range(30)]))), "desirability")


@pytest.fixture(scope="module")
def plane(brief):
    space = Space.build(brief.study)
    return Plane(space.origin, space.basis, {"Mill": "two"})


def places(d=2):
    return np.random.default_rng(1).uniform(-0.9, 0.9, (8, d))


def hold(bent, values, near=1e-5):
    """Values are those given by themselves, slopes and bends those of the values."""
    U = places()
    value, slope, bend = bent(U)
    assert value == pytest.approx(values(U), rel=1e-9, abs=1e-9)
    for j, step in enumerate(STEP * np.eye(2)):
        up, down = bent(U + step), bent(U - step)
        assert slope[..., j] == pytest.approx((up[0] - down[0]) / (2 * STEP), rel=1e-6, abs=1e-6)
        assert bend[..., j] == pytest.approx((up[1] - down[1]) / (2 * STEP), rel=near, abs=near)


def test_desirability_values_on_every_scale(brief, plane):
    centres = brief.centres
    hold(centres.bent(plane), lambda U: centres.at(plane.levels(U), plane.chosen(len(U))))


def test_centres_of_averaged_posteriors_and_of_a_mixed_lot(brief, plane):
    posteriors = [one.predictor for one in brief.aimed]
    squares = [one.predictor for one in brief.properties]
    for predictors in (posteriors, [posteriors[0], squares[1], posteriors[2]]):
        means = Means.of(predictors)
        hold(means.bent(plane), lambda U, means=means: means.at(plane.levels(U), plane.chosen(len(U))))


def test_what_is_left_to_the_fence(brief, plane):
    fence = brief.fence

    def room(U):
        return (1 - 1e-7 - fence.leverage(plane.levels(U), plane.chosen(len(U))) / fence.limit)[:, None]

    hold(within_fence(fence, plane), room)


def test_parts_come_in_the_places_they_are_given():
    def one(U):
        return U[:, :1] ** 3, np.stack([3 * U[:, :1] ** 2, 0 * U[:, :1]], axis=2)

    def two(U):
        return U**2, 2 * U[:, :, None] * np.eye(2)

    parts = [by_differences(part) for part in (one, two)]
    hold(one_after_another(parts), lambda U: np.column_stack([U[:, 0] ** 3, U**2]), 1e-4)
    mixed = in_places([((1,), parts[0]), ((0, 2), parts[1])])
    hold(mixed, lambda U: np.column_stack([U[:, 0] ** 2, U[:, 0] ** 3, U[:, 1] ** 2]), 1e-4)


def test_nothing_fitted_leaves_what_is_exact(brief, plane):
    assert Centres((), (), Means.of([])).bent(plane) is not None
