"""Days and times as people write them. Expected readings follow from the calendar."""

import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe.bench.moments import Moment, age_hours, age_slack, read_moment
from doe.definition.cells import Refusal, Uncalculated


@pytest.mark.parametrize(
    "raw, shown",
    [
        ("2031-05-14 10:30", "2031-05-14T10:30"),
        ("2031-05-14T10:30:59", "2031-05-14T10:30"),
        ("2031-5-4", "2031-05-04"),
        ("14.05.2031 9:05", "2031-05-14T09:05"),
        ("5.6.2031", "2031-06-05"),  # points: day first, said
        ("14/5/2031 4:07 pm", "2031-05-14T16:07"),
        ("5/14/2031 12:00 am", "2031-05-14T00:00"),
        ("6/6/2031", "2031-06-06"),
        ("2031-05-14 10.30", "2031-05-14T10:30"),
        ("2031-05-14 10h30", "2031-05-14T10:30"),
        (datetime.datetime(2031, 5, 14, 10, 30, 12), "2031-05-14T10:30"),
        (datetime.datetime(2031, 5, 14), "2031-05-14"),
        (datetime.date(2031, 5, 14), "2031-05-14"),
    ],
)
def test_moments(raw, shown):
    assert str(read_moment(raw)) == shown


def test_what_took_understanding_is_said():
    assert read_moment("2031-05-14").said == ""
    assert "day first" in read_moment("5.6.2031").said
    assert "month first" in read_moment("5/14/2031").said


@pytest.mark.parametrize(
    "raw",
    ["5/6/2031", "31.2.2031", "yesterday", "10:30", 45000, 45000.5, datetime.time(10, 30), "2031-05-14 25:00",
     "2031-05-14 13:00 pm", "14.5.31", "2031-13-01", "2031-05-14 at ten", Uncalculated("=NOW()"), True],
)  # fmt: skip
def test_what_could_be_two_days_or_none_is_refused(raw):
    assert isinstance(read_moment(raw), Refusal)


@pytest.mark.parametrize("raw", [None, "", "  ", float("nan")])
def test_blank(raw):
    assert read_moment(raw) is None


@given(st.datetimes(min_value=datetime.datetime(1990, 1, 1), max_value=datetime.datetime(2100, 1, 1)))
def test_a_moment_written_comes_back(moment):
    whole = moment.replace(second=0, microsecond=0)
    for text in (f"{whole:%Y-%m-%d %H:%M}", f"{whole:%d.%m.%Y %H:%M}"):
        assert read_moment(text).at == whole


@given(st.text(max_size=20))
def test_no_text_breaks_it(text):
    assert isinstance(read_moment(text), Moment | Refusal | None)


def test_ages():
    made, read = read_moment("2031-05-14 10:30"), read_moment("2031-05-15 12:30")
    assert age_hours(made, read) == (26.0, 0.0)
    assert age_hours(read_moment("2031-05-14"), read) == (36.5, 24.0)
    assert age_slack(24) == 2  # 24 +- 2 h: common practice, no source
    assert age_slack(168) == 14
