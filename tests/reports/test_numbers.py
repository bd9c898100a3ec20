"""Numbers as people read them: rounded as far as they are known, told apart from limits, never surer than they are."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe.problems import Unavailable
from reports.numbers import (
    NOTHING,
    alike,
    batches_in_words,
    beside,
    between,
    estimated,
    exactly,
    figure,
    grams,
    headed,
    in_ten,
    level,
    likely,
    limits,
    listed,
    money,
    p_value,
    percent,
    places_for,
    plain,
    precise,
    room,
    spans,
    statistic,
    with_unit,
)


@pytest.mark.parametrize(
    ("value", "error", "text"),
    # The Particle Data Group's examples: 0.827 +- 0.119 gives 0.83 +- 0.12; +- 0.367 gives 0.8 +- 0.4 (from memory).
    [(0.827, 0.119, "0.83"), (0.827, 0.367, "0.8"), (0.827, 0.967, "0.8"), (14.674, 0.964, "14.7")],
)
def test_rounding_by_uncertainty(value, error, text):
    assert figure(value, error) == text


@pytest.mark.parametrize(
    ("value", "error", "shown"),
    [(4.82646, 0.1695, ("4.83", "0.17")), (1.0, 0.0996, ("1.00", "0.10")), (12345.6, 789.0, ("12\u202f350", "790")),
     (3e-13, 2e-14, ("3e-13", "2e-14")), (2.5, None, ("2.5", NOTHING)), (0.0, 0.03, ("0.000", "0.030"))],
)  # fmt: skip
def test_estimates_have_two_digits_of_their_error(value, error, shown):
    assert estimated(value, error) == shown


def test_statistics_have_no_more_digits_than_they_carry():
    assert [statistic(v) for v in (0.057, 28.4723, 153.2, -3.009)] == ["0.06", "28.5", "153", "−3.01"]
    assert [p_value(v) for v in (1.8e-14, 0.0312, 0.00058)] == ["< 0.0001", "0.031", "0.00058"]
    assert statistic(Unavailable("a", "b")) == p_value(Unavailable("a", "b")) == NOTHING


@given(st.floats(1e-9, 1e9))
def test_rounding_loses_less_than_the_error_allows(error):
    # One or two digits of the error are kept, so the rounding step is between 1/35 (at best) and 1/3.5 of it.
    step = 10.0 ** -places_for(error)
    assert 1 / 36 <= step / error <= 1 / 0.95


def test_large_errors_do_not_wipe_a_number_out():
    assert figure(3.2, 400.0) == "3"
    assert figure(0.0, 400.0) == "0"


def test_thousands_and_minus():
    assert plain(21437.0, -2) == "21\u202f400"
    assert plain(1234567.891, 1) == "1\u202f234\u202f567.9"
    assert plain(9999.0, 0) == "9999"
    assert plain(-0.001, 1) == "0.0"
    assert plain(-3.25, 1) == "\u22123.2"


@pytest.mark.parametrize("gone", [None, math.nan, math.inf, Unavailable("no replicates", "make one twice")])
def test_what_does_not_exist_says_so(gone):
    assert {f(gone) for f in (figure, precise, exactly, level, grams, percent, money, batches_in_words)} == {NOTHING}
    assert between(gone, gone) == NOTHING


def test_ends_of_intervals_are_rounded_alike():
    assert between(18893.2, 25087.9, "mPa.s") == "18\u202f900 to 25\u202f100\u202fmPa.s"
    assert between(5.103, 5.417) == "5.10 to 5.42"
    assert between(None, 3.0, "g") == "up to 3\u202fg"


def test_specs_stand_as_written():
    assert limits(15000, 30000, "mPa.s") == "15\u202f000 to 30\u202f000\u202fmPa.s"
    assert limits(None, 3.2, "EUR/kg") == "at most 3.2\u202fEUR/kg"
    assert exactly(0.0500001) == "0.0500001"


@pytest.mark.parametrize(
    ("unit", "text"),
    [("mPa.s", "58\u202fmPa.s"), ("1000 candle", "58\u202f×\u202f1000 candle"), ("1", "58"), ("", "58")],
)
def test_a_number_carries_its_unit_but_never_the_unit_one(unit, text):
    # The unit one is not written: ISO 80000-1, 6.5.1, from memory.
    assert with_unit("58", unit) == text
    assert with_unit(NOTHING, unit) == NOTHING


def test_levels_follow_the_step():
    assert level(0.45, 0.05) == "0.45"
    assert level(83.4, 0.05) == "83.40"
    assert level(83.4) == "83.40"
    assert level(0.000012, 0.000001) == "0.000012"
    # Given off its step, and what takes up the rest with it: all that is there is shown.
    assert level(2.13, 0.5) == "2.13"
    assert level(95.87, 0.1) == "95.87"
    assert level(1 / 3, 0.1) == "0.33333"
    assert level(1 / 3, None, 1.0) == "0.3333"


@given(st.floats(0, 1, exclude_min=True, exclude_max=True))
def test_percent_never_claims_certainty(share):
    assert percent(share) not in {"100\u202f%", "0\u202f%"}


@pytest.mark.parametrize(("share", "said"), [(2.5, "250 %"), (1e40, "1e42 %"), (-3e300, "−3e302 %")])
def test_percent_has_words_for_any_size(share, said):
    assert percent(share).replace("\u202f", " ").replace("\u2009", " ") == said


# One rule for chances, here and in the page's script (the script is held to this table too).
CHANCES = {
    0.0: "under 1 %", 1e-300: "under 1 %", 0.0049: "under 1 %", 0.005: "under 1 %", 0.00501: "1 %", 0.0149: "1 %",
    0.015: "2 %", 0.085: "8 %", 0.5: "50 %", 0.9851: "99 %", 0.9949: "99 %", 0.995: "over 99 %", 0.9999: "over 99 %",
    1.0: "over 99 %",
}  # fmt: skip

# The same in batches; both this and the script's form are held to it.
BATCHES = {
    0.0: "fewer than 1 of 100", 0.005: "fewer than 1 of 100", 0.01: "about 1 of 100", 0.02: "about 2 of 100",
    0.05: "about 5 of 100", 0.095: "about 1 of 10", 0.0949: "about 9 of 100", 0.1: "about 1 of 10",
    0.27: "about 27 of 100", 0.45: "about 45 of 100", 0.495: "about 5 of 10", 0.5: "about 5 of 10",
    0.74: "about 74 of 100", 0.8: "about 8 of 10", 0.82: "about 82 of 100", 0.9: "about 9 of 10",
    0.945: "about 94 of 100", 0.9451: "about 95 of 100", 0.98: "about 98 of 100", 0.9949: "about 99 of 100",
    0.995: "more than 99 of 100", 0.999: "more than 99 of 100",
}  # fmt: skip


@pytest.mark.parametrize(("chance", "words"), CHANCES.items())
def test_a_chance_is_never_sure(chance, words):
    assert likely(chance) == words.replace(" %", "\u202f%")


@pytest.mark.parametrize(("chance", "words"), BATCHES.items())
def test_chance_as_batches(chance, words):
    assert batches_in_words(chance) == f"{words} new batches"


@given(st.integers(0, 1000))
def test_batches_say_the_figure_beside_them(thousandths):
    chance = thousandths / 1000
    got, total = (int(w) for w in batches_in_words(chance).split() if w.isdigit())
    printed = int(likely(chance).removeprefix("over ").removeprefix("under ").split("\u202f")[0])
    assert 100 * got == printed * total


@pytest.mark.parametrize("hundredths", range(1, 50))
def test_batches_that_pass_and_that_miss_add_up(hundredths):
    ends = [batches_in_words(share / 100) for share in (hundredths, 100 - hundredths)]
    (low, of), (high, total) = ([int(w) for w in end.split() if w.isdigit()] for end in ends)
    assert of == total == low + high


@given(st.floats(0.005, 0.99))
def test_batches_stay_near_the_chance(chance):
    got, total = (int(w) for w in batches_in_words(chance).split() if w.isdigit())
    assert abs(got / total - chance) <= 0.0051


def test_numbers_of_one_table_have_the_same_decimals():
    assert alike([5.4, 5.36, 5.2]) == ["5.40", "5.36", "5.20"]
    assert alike([13.0, 0.414]) == ["13.00", "0.41"]
    assert alike([2, 5, 8]) == ["2", "5", "8"]
    assert alike([0.0, 1234.5]) == ["0", "1230"]
    assert alike([]) == []
    assert room(3.334, 3.4) == "3.33 to 3.40"
    assert room(2, 2.012) == "2.00 to 2.01"
    assert room(18.0, 24.0) == "18 to 24"
    assert money(45.41, "EUR", whole=True) == "€45"


def test_small_things():
    assert in_ten(0.826) == 8.3
    assert money(3.041, "EUR") == "€3.04"
    # Never rounded onto a limit that is missed, or met with room.
    assert [money(v, "EUR", 1.1) for v in (1.102, 1.097, 1.1, 0.9593)] == ["€1.102", "€1.097", "€1.10", "€0.96"]
    assert [beside(v, (None, 1.1)) for v in (1.102, 1.10002, 1.1)] == ["1.102", "1.10002", "1.1"]
    assert money(1250.4, "CHF") == "1250\u202fCHF"
    assert listed(["Gum", "Wax", "Oil"]) == "Gum, Wax and Oil"
    assert precise(1.23456789e-7) == "1.23457e-7"


def test_a_unit_stands_in_brackets_only_where_it_says_something():
    heads = [headed("Force", "kN"), headed("Speed (rpm)", ""), headed("pH", "pH")]
    assert heads == ["Force [kN]", "Speed (rpm)", "pH"]


def test_ids_that_follow_each_other_are_one_span():
    assert spans(["T02", "T03", "T04", "T06", "T09", "T10"]) == "T02 to T04, T06, T09, T10"
    assert spans(["T01-1", "T02-1", "T03-1", "T99", "T100", "T101"]) == "T01-1 to T03-1, T99 to T101"
    assert spans(["row 3", "x"]) == "row 3, x"
    assert spans([]) == ""


@pytest.mark.parametrize(
    ("value", "error", "text"),
    [
        (6.4321e-12, None, "6.43e-12"), (7.6e-14, None, "7.6e-14"), (-6.4321e15, None, "−6.43e15"),
        (6.4321e-12, 2e-14, "6.432e-12"), (1e-9, 4.0, "1e-9"), (5e-7, None, "0.0000005"), (5e-324, None, "4.94e-324"),
    ],
)  # fmt: skip
def test_far_from_one_an_exponent_counts_the_zeros(value, error, text):
    assert figure(value, error) == text
