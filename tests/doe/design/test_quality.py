"""Figures of a plan against closed forms."""

import json
import math

import numpy as np
import pytest
from scipy import stats

from doe import Study, Unavailable, plan
from doe.design.power import matters_of, seen_chance
from doe.design.quality import Quality


def factors(extra="", response="sd = 1\nmatters = 2", names="AB", model="linear", design="factorial"):
    text = '[study]\nname = "f"\nbatch_cost = 10\nbatches_per_day = 3\n'
    text += "".join(f'[[factor]]\nname = "{n}"\nlow = 0\nhigh = 10\n' for n in names)
    text += f'[[response]]\nname = "y"\naim = "watch"\n{response}\n'
    return Study.from_toml(text + f'[plan]\nmodel = "{model}"\ndesign = "{design}"\n{extra}\n')


def test_factorial_is_d_optimal_for_first_order():
    # A two-level factorial is D-, A- and I-optimal for the first-order model on the cube (Kiefer 1974; from memory).
    quality = plan(factors(names="ABC")).quality
    assert quality.d_efficiency == pytest.approx(1, abs=1e-6)
    assert quality.i_efficiency == pytest.approx(1, abs=1e-6)
    assert quality.condition == pytest.approx(1)
    assert quality.terms == quality.rank == 4


def test_prediction_sd_of_a_factorial():
    # Var = (1 + x1^2 + x2^2) / n: sqrt(3 / 4) at a corner; the mean sd by integration over the square.
    quality = plan(factors()).quality
    assert quality.prediction_sd["max"] == pytest.approx(math.sqrt(3 / 4))
    grid = np.linspace(-1, 1, 801)
    x, y = np.meshgrid(grid, grid)
    assert quality.prediction_sd["mean"] == pytest.approx(np.sqrt((1 + x * x + y * y) / 4).mean(), rel=0.01)
    shares, sds = zip(*quality.fds, strict=True)
    assert shares[0] == 0
    assert shares[-1] == 1
    assert list(sds) == sorted(sds)
    assert all(v == pytest.approx(3 / 4) for v in quality.leverage.values())


def test_degrees_of_freedom_add_up_to_the_trials():
    design = plan(factors("runs = 7"))
    df = design.quality.df
    assert df == {"model": 3, "lack_of_fit": 1, "pure_error": 3}
    assert sum(df.values()) == 7
    assert design.quality.days == 3
    assert design.quality.cost == 70


def test_what_can_be_seen_follows_the_noncentral_t():
    # In a 2^2 run twice, the change from low to high is 2 b: its standard error is 2 / sqrt(8) batch sds, 5 df.
    seen = plan(factors("runs = 8")).quality.can_see["y"]
    assert seen["df"] == 5
    error = 2 / math.sqrt(8)
    edge = stats.t.isf(0.025, 5)

    def power(shift):
        return stats.nct.sf(edge, 5, shift) + stats.nct.cdf(-edge, 5, shift)

    assert power(seen["difference"] / error) == pytest.approx(0.80, abs=1e-6)
    assert seen["chance"] == pytest.approx(power(2 / error), abs=1e-9)


def test_power_by_simulation():
    rng = np.random.default_rng(8)
    z, s = rng.normal(2.5, 1, 200_000), np.sqrt(rng.chisquare(6, 200_000) / 6)
    assert seen_chance(2.5, 6) == pytest.approx((np.abs(z / s) > stats.t.isf(0.025, 6)).mean(), abs=0.004)
    assert seen_chance(0.0, 6) == pytest.approx(0.05)


def test_figures_that_do_not_exist_say_why():
    quality = plan(factors(response="")).quality
    assert isinstance(quality.can_see["y"], Unavailable)
    text = json.dumps(quality.to_dict(), allow_nan=False)
    assert "unavailable" in text
    again = Quality.from_dict(json.loads(text))
    assert again.to_dict() == quality.to_dict()
    # No trial left over to measure the spread: a 2^2 with its product.
    short = plan(factors(extra='terms = ["A", "B", "A × B"]')).quality.can_see["y"]
    assert "left over" in short.reason


def test_a_relative_sd_gives_a_relative_difference():
    study = factors("runs = 8", response='scale = "log"\nsd = "10 %"\nmatters = "50 %"')
    seen = plan(study).quality.can_see["y"]
    plain = plan(factors("runs = 8")).quality.can_see["y"]["difference"]
    # On the log scale: exp(difference in log sds) - 1, the log sd of a 10 % spread being sqrt(log 1.01).
    assert seen["difference"] == pytest.approx(math.expm1(plain * math.sqrt(math.log(1.01))))
    assert seen["relative"]


def test_terms_that_cannot_be_told_apart_are_named():
    quality = plan(factors(model="quadratic")).quality
    assert quality.rank == 4 < quality.terms == 6
    assert {row["term"]: row["same_as"] for row in quality.aliases} == {"A²": {"1": 1.0}, "B²": {"1": 1.0}}
    assert isinstance(quality.d_efficiency, Unavailable)
    assert isinstance(quality.prediction_sd["mean"], Unavailable)


def test_bracket_holds_the_efficiency():
    for name in "DI":
        study = factors(f'runs = 11\ncriterion = "{name}"', model="quadratic", design="optimal")
        quality = plan(study).quality
        for key, value in (("d", quality.d_efficiency), ("i", quality.i_efficiency)):
            low, high = quality.best_possible[key]
            assert 0 < low <= value <= high <= 1
            assert low > 0.99 * high


def test_what_matters_is_put_in_the_terms_of_the_sd():
    def matters(lines):
        return matters_of(factors(response=lines).response("y"))

    assert matters("sd = 1\nmatters = 2") == 2
    assert matters('sd = "10 %"\nmatters = "50 %"') == 0.5
    # Taken at the target, else at the middle of the limits: 20 % of 30, and 6 of 20.
    assert matters('sd = 1\nmatters = "20 %"\nlow = 10\ntarget = 30\nhigh = 40') == pytest.approx(6)
    assert matters('sd = "10 %"\nmatters = 6\nlow = 10\nhigh = 30') == pytest.approx(0.3)
    assert "same terms" in matters('sd = "10 %"\nmatters = 6').reason
    assert "is given" in matters("sd = 1").reason
