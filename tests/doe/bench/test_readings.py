"""What stands beside a reading: method, age, flag, torque, unit, note. Data invented."""

import pandas as pd
import pytest

from doe import Study
from doe.problems import ResultsError
from doe.results.results import take_in
from doe.tables.tables import tables_from_bytes

STUDY = Study.from_dict(
    {
        "study": {"name": "Invented gel"},
        "ingredient": [{"name": "Water", "qs": True}, {"name": "Gum", "low": 0.3, "high": 0.8}],
        "response": [
            {"name": "Viscosity", "unit": "mPa.s", "method": "spindle 5, 10 rpm", "after_h": 24, "scale": "log"},
            {"name": "pH", "method": "meter"},
        ],
    }
)


class _Plan:
    round, digest, study_digests = 1, "d" * 64, STUDY.digests
    table = pd.DataFrame([[99.6, 0.4], [99.3, 0.7]], index=["T01", "T02"], columns=["Water", "Gum"])
    runs = pd.DataFrame({"order": [1, 2]}, index=["T01", "T02"])


def taken(*texts):
    tables = [table for n, text in enumerate(texts) for table in tables_from_bytes(text.encode(), f"t{n}.csv")]
    return take_in(STUDY, tables, design=_Plan)


def refused(*texts):
    with pytest.raises(ResultsError) as caught:
        taken(*texts)
    return str(caught.value)


def codes(results):
    return {finding.code: str(finding) for finding in results.findings}


LONG = "trial,response,value,method,flag,note,unit,read_at\n"


def test_the_planned_method_is_the_same_in_any_spelling_of_case_and_space():
    results = taken(LONG + 'T01,Viscosity,12000,"Spindle 5,  10 RPM",,,,\n')
    assert list(results.readings["method"]) == ["spindle 5, 10 rpm"]


def test_another_method_is_refused_unless_the_reading_is_not_to_be_used():
    assert "read by 'spindle 4'" in refused(LONG + "T01,Viscosity,12000,spindle 4,,,,\n")
    results = taken(LONG + "T01,Viscosity,12000,spindle 4,do not use,wrong spindle,,\nT01,pH,5,,,,,\n")
    assert list(results.readings["method"]) == ["spindle 4", "meter"]
    assert results.observed("Viscosity").empty
    assert len(results.observed("pH")) == 1


@pytest.mark.parametrize("speed", ["20", "20 rpm", "0.5"])
def test_a_reading_at_another_speed_than_the_method_names_is_by_another_method(speed):
    # What thins by stirring reads otherwise at each speed (ASTM D2196, scope): never one number with the others.
    row = f"T01,Viscosity,12000,{speed}"
    assert "rpm; the study's method, 'spindle 5, 10 rpm'" in refused("trial,response,value,speed\n" + row + "\n")
    kept = taken("trial,response,value,speed,flag,note\n" + row + ",do not use,wrong speed\nT01,pH,5,,,\n")
    assert kept.observed("Viscosity").empty
    # In a wide table the column stands beside every response; one without a speed in its method does not mind.
    same = taken("trial,Viscosity,pH,speed\nT01,12000,5.1,10\n")
    assert len(same.observed("Viscosity")) == len(same.observed("pH")) == 1


def test_a_method_in_a_wide_table_is_that_of_one_response():
    assert "the method of one response" in refused("trial,Viscosity,pH,method\nT01,12000,5,meter\n")
    assert list(taken("trial,Viscosity,pH,method\nT01,,5,meter\n").readings["method"]) == ["meter"]


def test_flags():
    results = taken(LONG + "T01,Viscosity,12000,,Doubtful,foamy,,\nT02,Viscosity,,,not measured,,,\n")
    assert list(results.readings["flag"]) == ["doubtful", "not measured"]
    assert results.readings["value"].isna().tolist() == [False, True]
    assert "doubtful" in codes(results)["flagged"]
    assert list(results.observed("Viscosity").index) == ["T01-1"]
    assert "without a reason" in refused(LONG + "T01,Viscosity,12000,,do not use,,,\n")
    assert "a value or the flag" in refused(LONG + "T01,Viscosity,12000,,not measured,,,\n")


def test_a_note_without_a_value_is_kept():
    results = taken(LONG + "T01,Viscosity,,,,jar broke,,\n")
    assert results.readings[["flag", "note"]].to_numpy().tolist() == [["no value", "jar broke"]]


def test_ages_from_the_times_of_two_tables():
    made = "trial,made_at,Gum,Viscosity,pH\nT01,2031-05-14 10:00,0.41,,\nT02,2031-05-14 11:00,,,\n"
    read = "T01,Viscosity,12000,,,,,2031-05-15 11:30\nT02,Viscosity,30000,,,,,2031-05-15 14:00\nT01,pH,5,,,,,\n"
    results = taken(made, LONG + read)
    assert list(results.readings["age_h"]) == ["25.5", "27", ""]
    assert list(results.readings["flag"]) == ["", "out of age", ""]
    assert "T02-1 at 27 h" in codes(results)["age"]
    assert len(results.observed("Viscosity")) == 2  # kept and used
    assert results.batches["made_at"].to_dict() == {"T01-1": "2031-05-14T10:00", "T02-1": "2031-05-14T11:00"}


def test_a_reading_from_before_the_batch_was_made_is_refused():
    text = "trial,made_at,read_at,Viscosity,pH\nT01,2031-05-14 10:00,2031-05-13 10:00,12000,5\n"
    assert "before it was made" in refused(text)
    # Without a time of day the same day is no contradiction.
    assert len(taken(text.replace("2031-05-13 10:00", "2031-05-14")).readings) == 2


def test_an_age_may_be_typed():
    assert "age" in codes(taken("trial,age_h,Viscosity,pH\nT01,30,12000,\n"))
    assert "age" not in codes(taken("trial,age_h,Viscosity,pH\nT01,25,12000,\n"))
    assert "a number" in refused("trial,age_h,Viscosity,pH\nT01,a day,12000,\n")


def test_torque_that_cannot_be_read_is_refused():
    assert "a number" in refused("trial,torque_pct,Viscosity,pH\nT01,low,12000,\n")
    assert "torque" in codes(taken("trial,torque %,Viscosity,pH\nT01,6 %,12000,\n"))


@pytest.mark.parametrize(
    "value, unit, read",
    [("12000", "mPa.s", 12000), ("12", "Pa.s", 12000), ("12000", "cP", 12000), ("21.4 Pa.s", "mPa.s", 21400),
     ("12000", "", 12000), ("none seen", "", None)],
)  # fmt: skip
def test_a_unit_beside_the_value_counts_once(value, unit, read):
    text = f"trial,response,value,unit\nT01,Viscosity,{value},{unit}\n"
    if read is None:
        assert "log scale" in refused(text)
    else:
        assert list(taken(text).readings["value"]) == [read]
    assert "give it in mPa.s" in refused("trial,response,value,unit\nT01,Viscosity,12,mm\n")


def test_many_decimal_commas_are_said_once():
    rows = "".join(f"T01;1;{n};12000;5,{n}\n" for n in range(1, 9))
    results = taken("trial;batch;reading;Viscosity;pH\n" + rows)
    said = [finding for finding in results.findings if finding.code == "read-with-help"]
    assert len(said) == 1
    assert "8 cells read with help" in said[0].got


def test_a_point_that_may_group_thousands_is_not_guessed():
    # Between semicolons commas may be decimals, so 12.345 is two numbers; between commas it is one.
    assert "12345 or 12.345" in refused("trial;Viscosity;pH\nT01;12.345;\n")
    assert taken("trial,Viscosity,pH\nT01,12.345,\n").readings["value"].tolist() == [12.345]
    assert taken("trial;Viscosity;pH\nT01;12.345;5.25\n").readings["value"].tolist() == [12.345, 5.25]
