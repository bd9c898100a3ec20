"""A plan in the study's own units, against closed forms of small plans."""

import math
from dataclasses import replace

import numpy as np
import pytest

from doe import Study, Unavailable, plan
from doe.design.reading import PlanReading, known_to


def study(response='sd = 0.5\nmatters = 2\nunit = "score"', terms="", extra="", design="factorial"):
    return Study.from_toml(
        f"""
[study]
name = "r"
[[factor]]
name = "A"
low = 0
high = 10
[[factor]]
name = "B"
low = 0
high = 10
[[response]]
name = "y"
aim = "watch"
{response}
[plan]
design = "{design}"
{terms or 'model = "linear"'}
{extra}
"""
    )


def read(*args, **kwargs):
    one = study(*args, **kwargs)
    return PlanReading.of(one, plan(one))


def test_means_are_known_in_the_units_of_the_response():
    # A 2^2 factorial: the variance of a mean is (1 + x^2 + y^2) / 4 batch variances, at most 3/4, at a corner.
    known = read().known["y"]
    assert known["max"] == pytest.approx(0.5 * math.sqrt(3 / 4))
    # By integration over the square: half of it lies below the median of the same function.
    grid = np.linspace(-1, 1, 1201)
    sd = 0.5 * np.sqrt((1 + grid[:, None] ** 2 + grid[None, :] ** 2) / 4)
    assert known["half"] == pytest.approx(np.median(sd), rel=0.01)
    assert known["nine_tenths"] == pytest.approx(np.quantile(sd, 0.9), rel=0.01)
    assert known["mean"] == pytest.approx(sd.mean(), rel=0.01)
    assert not known["relative"]


def test_on_a_log_scale_it_is_a_factor():
    known = read('sd = "10 %"\nscale = "log"').known["y"]
    assert known["relative"]
    # sd of the logarithm of a lognormal with 10 % coefficient of variation: sqrt(log 1.01).
    assert known["max"] == pytest.approx(math.expm1(math.sqrt(3 / 4) * math.sqrt(math.log(1.01))))


@pytest.mark.parametrize("scale", ["log", "linear"])
def test_where_trials_hardly_tell_terms_apart_no_number_is_given(scale):
    # 5836 batch sd of 20 % on a log scale: exp(0.198 * 5836) is beyond any number.
    one = study(f'sd = "20 %"\nscale = "{scale}"')
    hair = replace(plan(one).quality, prediction_sd={"mean": 550.0, "max": 5836.0})
    known = known_to(one.responses[0], hair)
    assert isinstance(known, Unavailable)
    assert "hardly tell some terms apart" in known.reason


def test_what_is_not_given_says_so():
    bare = read("")
    assert isinstance(bare.known["y"], Unavailable)
    assert isinstance(bare.shows["y"], Unavailable)
    assert isinstance(read("sd = 1", extra="runs = 8").shows["y"]["matters"], Unavailable)


def test_what_is_tried_of_the_reach():
    reading = read(terms='model = "linear"', extra="runs = 3\nmaybe = []", design="space-filling")
    for name in "AB":
        entry = reading.spread[name]
        assert entry["reach"] == (0, 10)
        low, high = entry["tried"]
        assert entry["share"] == pytest.approx((high - low) / 10)
        assert entry["levels"] == 3
    full = read().spread["A"]
    assert (full["tried"], full["share"], full["levels"]) == ((0, 10), 1, 2)


def test_categories_count_batches():
    source = study().to_dict()
    source["factor"][1] = {"name": "B", "levels": ["x", "y"]}
    one = Study.from_dict(source)
    assert PlanReading.of(one, plan(one)).spread["B"]["batches"] == {"x": 2, "y": 2}


def test_a_factorial_parts_all_effects_and_a_saturated_one_stands_on_every_trial():
    reading = read(terms='terms = ["A", "B", "A × B"]')
    assert reading.terms == ("A", "B", "A × B")
    # Orthogonal columns (Yates 1937; from memory): no correlation off the diagonal.
    assert np.allclose(reading.correlations, np.eye(3), atol=1e-12)
    assert reading.alike == ()
    # As many terms as trials: each is fitted exactly, leverage 1.
    assert [trial for trial, _ in reading.alone] == ["T01", "T02", "T03", "T04"]
    assert read(extra="runs = 8").alone == ()


def test_terms_that_move_together_are_named():
    # Trials on a diagonal band: A and B rise together; with A = 0, 5, 10, 10 and B = 0, 5, 10, 9 r is 0.995 by hand:
    # deviations (-6.25, -1.25, 3.75, 3.75) and (-6, -1, 4, 3): 65 / sqrt(68.75 * 62).
    rows = "[{A = 0, B = 0}, {A = 5, B = 5}, {A = 10, B = 10}, {A = 10, B = 9}]"
    reading = read(extra=f"runs = 4\nmust_make = {rows}\nreplicate_batches = 0", design="optimal")
    ((a, b, r),) = reading.alike
    assert {a, b} == {"A", "B"}
    assert r == pytest.approx(65 / math.sqrt(68.75 * 62))


def test_an_older_definition_reads_its_own_plan():
    before = study(extra="runs = 8")
    design = plan(before)
    source = before.to_dict()
    source["factor"][0]["high"] = 20
    reading = PlanReading.of(Study.from_dict(source), design)
    assert reading.spread["A"]["reach"] == (0, 10)
    assert reading.to_dict()["spread"]["A"]["share"] == 1


def test_what_may_be_absent_is_counted_with_and_without():
    one = Study.from_dict(
        {
            "study": {"name": "invented"},
            "ingredient": [
                {"name": "Water", "qs": True},
                {"name": "Gum", "low": 0.3, "high": 0.8},
                {"name": "Wax", "low": 1, "high": 2, "or_none": True},
            ],
            "response": [{"name": "y", "aim": "watch"}],
            "plan": {"model": "linear", "runs": 8},
        }
    )
    design = plan(one)
    absent = int((design.table["Wax"] == 0).sum())
    assert 0 < absent < 8
    assert PlanReading.of(one, design).spread["material: Wax"] == {"batches": {"present": 8 - absent, "none": absent}}
