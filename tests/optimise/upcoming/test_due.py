"""The one next step: what is due and why, and how many batches confirm a formula."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from doe import Study
from optimise import due, find, fit
from optimise.upcoming.confirming import FEWEST, weighed_by_passing

PLACES = (np.arange(20_000) + 0.5) / 20_000


@pytest.mark.parametrize(("a", "b"), [(18, 2), (9, 1), (40, 3)])
def test_passing_weighs_by_the_rule_of_bayes(a, b):
    """Beta prior and passes: the posterior is Beta(a + n, b) (conjugate; any text on Bayes, from memory)."""
    chances = stats.beta(a, b).ppf(PLACES)
    for n in (1, 3, 8):
        told = weighed_by_passing(chances, 0.9, batches=n)
        assert told.poor == pytest.approx(0.8)
        assert told.fear == pytest.approx(stats.beta(a, b).cdf(0.8), abs=1e-3)
        assert told.fear_left == pytest.approx(stats.beta(a + n, b).cdf(0.8), abs=1e-3)


def test_three_batches_at_least_and_more_where_more_is_feared():
    sure = weighed_by_passing(np.full(100, 0.97), 0.9)
    assert (sure.batches, sure.fear, sure.fear_left) == (FEWEST, 0, 0)
    assert sure.passes == pytest.approx(0.97**3)
    vague = weighed_by_passing(stats.beta(9, 1).ppf(PLACES), 0.9)
    assert vague.batches > FEWEST
    assert vague.fear_left < vague.fear
    assert weighed_by_passing(stats.beta(9, 1).ppf(PLACES), 0.9, room=2).batches == 2


def study(responses, **done):
    return Study.from_dict(
        {
            "study": {"name": "two factors", "batch_cost": 50.0, "batches_per_day": 4},
            "factor": [{"name": n, "low": -1, "high": 1} for n in "AB"],
            "response": [{"name": n, "unit": "u", "method": "m", **row} for n, row in responses.items()],
            "plan": {"model": "linear"},
            "done": done,
        }
    )


def step(responses, verdict=None, **done):
    """What is due after nine trials of two planes, Y = 5 + A and Z = 5 - A, each off by 0.1 at most."""
    asked = study(responses, **done)
    A, B = (x.ravel() for x in np.meshgrid([-1.0, 0.0, 1.0], [-1.0, 0.0, 1.0]))
    noise = 0.1 * np.array([1, -1, 1, -1, 1, -1, 1, -1, 0])
    frame = pd.DataFrame({"A": A, "B": B, "Y": 5 + A + noise, "Z": 5 - A - noise}, index=[f"H{i}" for i in range(9)])
    models = fit(asked, asked.results(frame[["A", "B", *responses]]))
    best = find(asked, models)
    return due(asked, models, best.levels, clash=best.clash, verdict=verdict)


MUST, OUT, WISH = {"aim": "above", "low": 5.0}, {"aim": "above", "low": 5.7}, {"aim": "above", "low": 4, "target": 6}
HELD = {"confirmed": True}
CASES = [
    (({"Y": MUST},), {}, ("confirm", "reached")),
    (({"Y": MUST}, HELD), {}, ("stop", "confirmed")),
    (({"Y": {"aim": "within", "low": 4.99, "high": 5.01}},), {}, ("learn", "short")),
    (({"Y": MUST},), {"max_batches": 9}, ("stop", "spent")),
    (({"Y": OUT, "Z": OUT},), {}, ("stop", "clash")),
    (({"Y": {**WISH, "must": False}},), {}, ("confirm", "wishes")),
    (({"Y": {**WISH, "must": False}}, HELD), {}, ("stop", "confirmed")),
    (({"Y": {"aim": "watch"}},), {}, ("stop", "no aims")),
]


@pytest.mark.parametrize(("given", "done", "expected"), CASES)
def test_what_is_due(given, done, expected):
    found = step(*given, **done)
    assert (found.purpose, found.why) == expected
    assert (found.batches > 0) == (found.purpose != "stop")
    assert found.to_dict()["formula"] == "F1"


def test_a_day_of_learning_and_no_more_than_is_left():
    short = {"Y": {"aim": "within", "low": 4.99, "high": 5.01}}
    assert step(short).batches == 4
    assert step(short, max_batches=11).batches == 2
    assert step({"Y": MUST}, max_batches=10).batches == 1
