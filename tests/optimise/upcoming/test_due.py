"""The one next step: what is due and why, and how many batches confirm a formula."""

import numpy as np
import pandas as pd
import pytest
from scipy import special, stats

from doe import Study
from optimise import due, find, fit
from optimise.models.chance import passing_chances, true_chances
from optimise.statistics.predictive import TMixture
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
        # The moment E[q^n] of a beta law (Johnson, Kotz & Balakrishnan, from memory).
        assert told.all_pass == pytest.approx(special.beta(a + n, b) / special.beta(a, b), abs=1e-3)


def test_three_batches_at_least_and_more_where_more_is_feared():
    sure = weighed_by_passing(np.full(100, 0.97), 0.9)
    assert (sure.batches, sure.fear, sure.fear_left) == (FEWEST, 0, 0)
    assert sure.passes == pytest.approx(0.97**3)
    vague = weighed_by_passing(stats.beta(9, 1).ppf(PLACES), 0.9)
    assert vague.batches > FEWEST
    assert vague.fear_left < vague.fear
    assert weighed_by_passing(stats.beta(9, 1).ppf(PLACES), 0.9, room=2).batches == 2


@pytest.mark.parametrize(("b", "batches"), [(199, 1), (9, 3)])
def test_one_batch_where_even_that_would_surprise_by_passing(b, batches):
    """A beta law of mean 1/200, and one of 1/10, where the number goes by what is feared."""
    told = weighed_by_passing(stats.beta(1, b).ppf(PLACES), 0.9)
    assert told.hopeless
    assert told.batches == batches
    # The chance of one batch that is told is that of one batch here, too.
    assert weighed_by_passing(stats.beta(1, b).ppf(PLACES), 0.9, batches=1, one=0.3).all_pass == pytest.approx(0.3)


def plain_passing(law, window, sizes, seed, draws=200_000):
    """Batches made day by day, by brute force: how often all of them pass, and how often a formula is poor and does."""
    rng = np.random.default_rng(seed)
    spread = np.sqrt(law.df[0] / rng.chisquare(law.df[0], draws))
    mean = law.location[0, 0] + law.mean_scale[0, 0] * spread * rng.standard_normal(draws)
    own = np.sqrt(law.residual[0] ** 2 - law.shared[0] ** 2)
    good = np.ones(draws, dtype=bool)
    for size in sizes:
        day = mean + law.shared[0] * spread * rng.standard_normal(draws)
        for _ in range(size):
            value = day + own * spread * rng.standard_normal(draws)
            good &= (value >= window[0]) & (value <= window[1])
    return good.mean()


@pytest.mark.parametrize("shared", [0.0, 0.5, 0.95])
def test_batches_of_one_day_pass_and_fail_together(shared):
    law = TMixture.single([10.0], [0.3], 1.0, 8.0, shared)
    window = (8.0, 11.5)
    each = {size: passing_chances([law], [window], size)[0] for size in (1, 3, 4)}
    assert each[1] == pytest.approx(true_chances([law], [window])[0], abs=1e-6)
    for sizes in ((3,), (4, 1), (1, 1, 1)):
        told = np.prod([each[size] for size in sizes], axis=0).mean()
        assert told == pytest.approx(plain_passing(law, window, sizes, seed=7), abs=5e-3)
    if shared:
        # All on one day pass more often than on three days, and so tell less.
        assert each[3].mean() > (each[1] ** 3).mean() + 0.01
    else:
        assert each[3] == pytest.approx(each[1] ** 3, abs=1e-12)


def test_where_days_differ_the_same_batches_tell_less_and_the_next_day_more_again():
    chances = stats.beta(9, 1).ppf(PLACES)
    apart = weighed_by_passing(chances, 0.9)

    def by_day(n):
        return chances ** np.ceil(n / 4)

    # One day of four batches that differ by their day alone tells as much as one batch does.
    one, four, five = (weighed_by_passing(chances, 0.9, batches=n, passing=by_day) for n in (1, 4, 5))
    assert one.fear_left == four.fear_left > five.fear_left
    assert four.fear_left > weighed_by_passing(chances, 0.9, batches=4).fear_left
    # The fourth batch tells nothing, and yet it goes on beyond it where the next day does.
    alike = weighed_by_passing(chances, 0.9, passing=by_day)
    assert alike.batches > 4
    assert alike.fear_left > apart.fear_left


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


def test_no_more_to_learn_from_than_is_left():
    short = {"Y": {"aim": "within", "low": 4.99, "high": 5.01}}
    assert step(short).batches == 12
    assert step(short, max_batches=11).batches == 2
    assert step({"Y": MUST}, max_batches=10).batches == 1
