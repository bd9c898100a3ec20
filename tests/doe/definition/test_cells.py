"""Cells as people write them. Expected readings follow from the words and marks; units from SI definitions."""

import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe.definition.cells import Entry, Refusal, Uncalculated, decimal_mark, read_number
from doe.definition.parts import Response
from doe.definition.readingcells import grade_values, read_reading
from doe.definition.units import same_unit, unit_factor

VISCOSITY = Response("Viscosity", unit="mPa.s", reads=(2000.0, 200000.0), scale="log")


@pytest.mark.parametrize(
    "raw, mark, value",
    [
        (5, "unknown", 5.0),
        ("5.5", "unknown", 5.5),
        ("5,5", "unknown", 5.5),
        ("0,125", "unknown", 0.125),
        ("1,234", "comma", 1.234),
        ("1.234", "point", 1.234),
        ("1.234", "unknown", 1.234),
        ("1,234.5", "unknown", 1234.5),
        ("1.234,5", "unknown", 1234.5),
        ("1,234,567", "unknown", 1234567.0),
        ("21\u202f400", "unknown", 21400.0),
        ("21 400,5", "unknown", 21400.5),
        ("1'234'567", "unknown", 1234567.0),
        ("\u22121.5", "unknown", -1.5),
        ("1.2e5", "unknown", 120000.0),
        ("1,2E+05", "unknown", 120000.0),
        (".5", "unknown", 0.5),
        ("  7 ", "unknown", 7.0),
    ],
)
def test_numbers(raw, mark, value):
    read = read_number(raw, mark=mark)
    assert isinstance(read, Entry)
    assert (read.value, read.bound) == (value, "none")


@pytest.mark.parametrize(
    "raw, mark, words",
    [
        ("1,234", "unknown", "1234 or 1.234"),
        ("1,234", "point", "1234 or 1.234"),
        ("1.234", "comma", "1234 or 1.234"),
        ("5,5", "point", "most decimals in this table are written with a point"),
        ("5,5", "both", "write every decimal with a point"),
        ("5.5", "both", "write every decimal with a point"),
        ("5.5", "comma", "written with a point, where most decimals in this table are written with a comma"),
        ("12 3", "unknown", "one number"),
        ("about 5", "unknown", "number"),
        ("5 ± 0.2", "unknown", "one number"),
        ("5/2", "unknown", "one number"),
        ("5..5", "unknown", "number"),
        ("1e999", "unknown", "number"),
        ("5 5", "unknown", "one number"),
        ("#DIV/0!", "unknown", "error of the spreadsheet"),
        (float("inf"), "unknown", "ordinary size"),
        (True, "unknown", "TRUE"),
        (datetime.datetime(2031, 5, 5), "unknown", "date"),
        (datetime.time(5, 5), "unknown", "date or time"),
        (Uncalculated("=1+1"), "unknown", "formula without a stored result"),
        ("5.5.2031", "unknown", "number"),
        ("٥", "unknown", "number"),
    ],
)
def test_what_cannot_be_read_in_one_way_is_refused_in_words(raw, mark, words):
    read = read_number(raw, mark=mark)
    assert isinstance(read, Refusal), read
    assert words in f"{read.got}; {read.allowed}; {read.do}"
    assert read.do


@pytest.mark.parametrize(
    "raw, got, do",
    [
        ("5.3.1", "looks like a date", "with one decimal mark"),
        ("5-Mar", "looks like a date", "format the cell as a number"),
        ("Mär 05", "looks like a date", "format the cell as a number"),
        ("2031-03-05", "looks like a date", "format the cell as a number"),
        (datetime.datetime(2031, 3, 5), "spreadsheets make one of 5.3", "type the value again"),
        ("10:30", "a time of day", "format the cell as a number"),
        ("5,3,1", "more than one decimal mark", "with one point"),
        ("٣٫٥", "digits of another script", "write 3.5"),
        ("５", "digits of another script", "write 5"),
        ("½", "a fraction", "write 0.5"),
        ("5 ½", "a fraction", "write 5.5"),
        ("5/2", "a fraction, two numbers, or a date", "as a fraction this is 2.5"),
        ("~5", "only about right", "column note"),
        ("≈5", "only about right", "column note"),
        ("ca. 5", "only about right", "column note"),
        ("5±0.2", "with its spread", "the mean alone"),
        ("5 +/- 0.2", "with its spread", "the mean alone"),
        ("5×10³", "a power of ten", "write 5e3"),
        ("1.2x10^-3", "a power of ten", "write 1.2e-3"),
        ("5.3*", "'*' is no unit known here", "write the number alone"),
        ("5.3 approx", "'approx' is no unit known here", "write the number alone"),
    ],
)
def test_what_is_no_number_is_called_by_its_name_with_what_to_type(raw, got, do):
    read = read_number(raw)
    assert isinstance(read, Refusal), read
    assert got in read.got
    assert do in read.do


@pytest.mark.parametrize("raw", ["5-6", "1.234.567", "1e-3", "1 234", "10 to 20", "5 min"])
def test_a_number_is_taken_for_no_slip(raw):
    assert isinstance(read_number(raw, "min"), Entry)


@pytest.mark.parametrize(
    "raw, bound, value, upper",
    [
        ("<5", "below", 5, None),
        ("≤ 5", "below", 5, None),
        (">100000", "above", 100000, None),
        (">= 100 000", "above", 100000, None),
        ("more than 2", "above", 2, None),
        ("10 to 20", "between", 10, 20),
        ("10–20", "between", 10, 20),
    ],
)
def test_bounds_stay_bounds(raw, bound, value, upper):
    read = read_number(raw)
    assert isinstance(read, Entry)
    assert (read.bound, read.value, read.value_to) == (bound, value, upper)


@pytest.mark.parametrize("raw", [None, "", "  ", "-", "—", float("nan")])
def test_blanks(raw):
    assert read_number(raw) == Entry(missing="blank")


@pytest.mark.parametrize("raw", ["not measured", "n/a", "N.M.", "lost"])
def test_not_measured(raw):
    assert read_number(raw) == Entry(missing="not measured")


# 1 Pa.s = 1000 mPa.s; 1 P = 0.1 Pa.s, so 1 cP = 1 mPa.s: definition of the poise (SI brochure, from memory).
@pytest.mark.parametrize(
    "raw, value",
    [("18500 cP", 18500), ("18500 mPa·s", 18500), ("4.2 Pa.s", 4200), ("18,5 Pa.s", 18500), ("185 P", 18500)],
)
def test_units_are_checked_and_converted(raw, value):
    read = read_reading(raw, VISCOSITY)
    assert isinstance(read, Entry)
    assert (read.value, read.bound) == (value, "none")


@pytest.mark.parametrize("raw", ["5 g", "18500 MPa.s", "12 %", "18500 mPa"])
def test_other_units_are_refused(raw):
    read = read_reading(raw, VISCOSITY)
    assert isinstance(read, Refusal)
    assert "mPa.s" in read.do


def test_percent_and_units_of_nothing():
    assert read_number("5 %", "% w/w") == Entry(5.0)
    assert read_number("5%", "fraction").value == pytest.approx(0.05, abs=1e-15)
    assert read_number("5.4 pH") == Entry(5.4)
    assert isinstance(read_number("5 %"), Refusal)
    assert same_unit("mPa s", "mPa·s")
    assert not same_unit("mPa.s", "Pa.s")
    assert unit_factor("g", "mm") is None


def test_beyond_what_is_read_is_censored_not_missing():
    assert read_reading("1500", VISCOSITY).bound == "below"
    over = read_reading(250000, VISCOSITY)
    assert (over.bound, over.value) == ("above", 200000)
    assert "250000" in over.said
    assert read_reading("over range", VISCOSITY) == Entry(200000.0, "above")
    assert isinstance(read_reading("over range", Response("Height", unit="mm")), Refusal)


def test_none_seen():
    assert read_reading("none seen", VISCOSITY) == Entry(2000.0, "below")
    assert read_reading("none seen", Response("Settled", unit="mm")).value == 0.0
    assert isinstance(read_reading("none seen", Response("Settled", unit="mm", scale="log")), Refusal)


def test_grades_and_passes():
    words = Response("Look", kind="grade", grades=("poor", "fair", "good"))
    assert read_reading("Fair", words) == Entry(2.0)
    assert "poor, fair, good" in read_reading("bad", words).allowed
    assert isinstance(read_reading(3, words), Refusal)
    assert read_reading(3.0, Response("Look", kind="grade", grades=("1", "3", "5"))) == Entry(3.0)
    assert grade_values(("0", "1")) == {"0": 0.0, "1": 1.0}
    passes = Response("Lids", kind="pass")
    assert read_reading("Pass", passes) == Entry(1.0)
    assert read_reading(False, passes) == Entry(0.0)
    assert isinstance(read_reading("perhaps", passes), Refusal)
    assert read_reading("", passes) == Entry(missing="blank")


def test_the_mark_of_a_table():
    assert decimal_mark(["5,5", "1,234"]) == "comma"
    assert decimal_mark(["5.5", 3.2]) == "point"
    assert decimal_mark(["5.5", "5,5"]) == "both"
    assert decimal_mark([5.5, "1,234", "T07"]) == "unknown"


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=-1e12, max_value=1e12))
def test_every_number_written_out_comes_back_exactly(number):
    assert read_number(repr(number), mark="point") == Entry(number)
    comma = read_number(repr(number).replace(".", ","), mark="comma")
    assert comma.value == number


@given(st.text(max_size=12))
def test_no_text_ever_breaks_the_reader(text):
    for response in (VISCOSITY, Response("Look", kind="grade", grades=("a", "b")), Response("Lids", kind="pass")):
        assert isinstance(read_reading(text, response), Entry | Refusal)


@pytest.mark.parametrize("raw", [56, "-5", "62", ">20", "5 to 55"])
def test_no_ph_lies_far_off_its_scale(raw):
    # 0 to 14 is the scale of dilute solutions; concentrated ones read a little beyond (common practice, no source).
    for response in (Response("pH", unit="pH"), Response("pH"), Response("Acidity", unit="pH")):
        refused = read_reading(raw, response)
        assert isinstance(refused, Refusal)
        assert "no pH" in refused.got
        assert "0 to 14" in refused.allowed
        assert read_reading(-0.4, response) == Entry(-0.4)
        assert read_reading("5.6", response) == Entry(5.6)
    # What a pH moved by in a month is none, nor is a score that is called so.
    assert read_reading(-2, Response("Drift", unit="pH", low=-3.0, high=3.0)) == Entry(-2.0)
    assert read_reading(56, Response("pH", unit="score")) == Entry(56.0)


def test_nothing_is_no_small_reading_of_what_is_never_nothing():
    refused = read_reading(0, VISCOSITY)
    assert isinstance(refused, Refusal)
    assert "<2000" in refused.do
    assert isinstance(read_reading("0", Response("Settled", unit="mm", scale="log")), Refusal)
    assert isinstance(read_reading("0 to 5", Response("Settled", unit="mm", scale="log")), Refusal)
    assert read_reading("<2000", VISCOSITY) == Entry(2000.0, "below")
    assert read_reading(1500, VISCOSITY).measured == (2000.0, "below", None)
    assert read_reading(0, Response("Settled", unit="mm", reads=(0.0, 50.0))) == Entry(0.0)


def test_shares_lie_within_their_whole():
    for raw, unit in ((120, "%"), (-3, "%"), (1.2, "fraction")):
        assert isinstance(read_reading(raw, Response("Pass rate", unit=unit, scale="logit")), Refusal)
    assert read_reading(99, Response("Pass rate", unit="%", scale="logit")) == Entry(99.0)


def test_a_number_far_above_what_the_method_reads_may_be_a_slip():
    assert "a slip?" in read_reading(410000, VISCOSITY).said
    assert read_reading(281000, VISCOSITY).said.endswith("kept as >200000")


def test_a_number_a_thousand_times_off_is_asked_about_as_another_unit():
    # 1 Pa.s = 1000 mPa.s.
    below, above = read_reading(9.5, VISCOSITY), read_reading(9.5e6, VISCOSITY)
    assert (below.value, below.bound) == (2000.0, "below")
    assert below.said.endswith("1000 times as much would be within: another unit, or a slip?")
    assert above.said.endswith("a thousandth of it would be within: another unit, or a slip?")
    assert read_reading(1500, VISCOSITY).said.endswith("kept as <2000")


@pytest.mark.parametrize("raw", [-18000, "-18000", "-18 Pa.s"])
def test_a_number_below_nothing_is_a_slip_and_no_small_reading(raw):
    refused = read_reading(raw, VISCOSITY)
    assert isinstance(refused, Refusal)
    assert "below 0" in refused.got
    assert isinstance(read_reading(raw, Response("Viscosity", unit="mPa.s", scale="log")), Refusal)
    # A colour difference or a temperature may be negative.
    assert read_reading(-3, Response("b*", unit="")) == Entry(-3.0)
