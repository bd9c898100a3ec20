"""Results that come again: what stays, what is added, and that nothing changes in silence. Data invented."""

import pandas as pd
import pytest

from doe import Study
from doe.problems import ResultsError
from doe.recipes.composition import fixed_range
from doe.results.carrying import carried
from doe.results.corrections import correct, restore, set_aside
from doe.results.results import batches_csv, joined, readings_csv, take_in
from doe.results.stored import parsed_results
from doe.tables.tables import tables_from_bytes

STUDY = Study.from_dict(
    {
        "study": {"name": "Invented gel"},
        "ingredient": [
            {"name": "Water", "qs": True},
            {"name": "Gum", "low": 0.3, "high": 0.8},
            {"name": "Acid solution", "level": 0.5, "adjusts": "pH", "made_of": {"Acid": 0.1, "Water": 0.9}},
        ],
        "factor": [{"name": "Stirring", "low": 2, "high": 8}],
        "response": [{"name": "Viscosity", "unit": "mPa.s", "method": "m"}, {"name": "pH", "method": "meter"}],
    }
)
COLUMNS = ["Water", "Gum", "Acid solution", "Stirring"]


class _Plan:
    round, digest, study_digests = 1, "d" * 64, STUDY.digests
    table = pd.DataFrame([[99.1, 0.4, 0.5, 5.0], [98.8, 0.7, 0.5, 2.0]], index=["T01", "T02"], columns=COLUMNS)
    runs = pd.DataFrame({"order": [1, 2]}, index=["T01", "T02"])


def added(stored, text):
    new = take_in(STUDY, tables_from_bytes(text.encode(), "t.csv"), design=_Plan, earlier=stored)
    return new if stored is None else joined(stored, new)


def codes(results):
    return [finding.code for finding in results.findings]


def test_readings_that_come_later_leave_the_levels_as_made():
    first = added(None, "trial,Gum,Stirring,Viscosity,pH\nT01,0.45,6,12000,\n")
    made = first.levels().loc["T01-1"]
    later = added(first, "trial,Viscosity,pH\nT01,,5.2\n")
    pd.testing.assert_series_equal(later.levels().loc["T01-1"], made)
    assert made["Gum"] == 0.45
    assert made["Stirring"] == 6
    assert len(later.batch_rows) == 1
    # A level that comes again replaces the old one, which is kept and named.
    other = added(later, "trial,Gum,Viscosity,pH\nT01,0.5,,\n")
    assert other.levels()["Gum"]["T01-1"] == 0.5
    assert other.levels()["Stirring"]["T01-1"] == 6
    assert "made-otherwise" in codes(other)
    assert list(other.batch_rows["Gum"]) == [0.45, 0.5]


def test_the_same_table_again_changes_nothing():
    text = "trial,Viscosity,pH,note\nT01,12000,<5,foamy\nT02,>200000,not measured,\n"
    first = added(None, text)
    assert added(first, text).digest == first.digest


def test_a_bound_is_another_reading_than_a_number():
    first = added(None, "trial,Viscosity,pH\nT01,12000,5\n")
    with pytest.raises(ResultsError, match="<5; 5, as recorded before"):
        added(first, "trial,Viscosity,pH\nT01,12000,<5\n")
    with pytest.raises(ResultsError, match="5 and <5"):
        added(None, "trial,batch,reading,Viscosity,pH\nT01,1,1,,5\nT01,1,1,,<5\n")


def test_a_workbook_may_come_again_after_a_correction():
    text = "trial,Viscosity,pH\nT01,12000,5\n"
    mended = correct(STUDY, added(None, text), "T01", "Viscosity", "21400", "read the wrong line")
    again = added(mended, text + "T02,30000,5.5\n")
    assert again.observed("Viscosity")["value"].to_dict() == {"T01-1": 21400, "T02-1": 30000}
    assert "corrected to 21400" in str(again.findings)
    with pytest.raises(ResultsError, match="as recorded before"):
        added(mended, "trial,Viscosity,pH\nT01,13000,5\n")


def test_a_workbook_may_come_again_after_a_batch_was_restored():
    text = "trial,Viscosity,pH,set_aside\nT01,12000,5,spilt\n"
    first = added(None, text)
    back = restore(first, ["T01"], "only a drop")
    assert list(added(back, text).usable) == ["T01-1"]
    assert list(added(back, text.replace("spilt", "wrong wax")).usable) == []
    aside = set_aside(added(None, "trial,Viscosity,pH\nT01,12000,5\n"), ["T01"], "lumps")
    assert list(added(aside, "trial,Viscosity,pH\nT01,12000,5\n").usable) == []


def test_a_flag_that_comes_later_counts():
    first = added(None, "trial,response,value,flag,note\nT01,pH,5,,\n")
    later = added(first, "trial,response,value,flag,note\nT01,pH,5,do not use,probe was dry\n")
    assert later.observed("pH").empty
    assert len(later.readings) == 2


def test_a_changed_lot_is_said():
    first = added(None, "trial,Viscosity,pH,lot: Gum\nT01,12000,5,L1\n")
    later = added(first, "trial,Viscosity,pH,lot: Gum\nT01,12000,5,L2\n")
    assert "lot: Gum L1 to L2" in str(later.findings)


def test_what_the_bench_wrote_of_a_batch_is_kept():
    heads = "trial,Viscosity,pH,made_at,after_heat_g,made_up_to_g,ph_before,ph_after\n"
    text = heads + "T01,12000,5,2031-05-14,376,398.5,6.1,5.2\n"
    back = parsed_results(readings_csv(added(None, text)), batches_csv(added(None, text)))
    kept = back.batches.loc["T01-1", ["made_at", "after_heat_g", "made_up_to_g", "ph_before", "ph_after"]]
    assert kept.tolist() == ["2031-05-14", 376, 398.5, 6.1, 5.2]


def test_a_folder_from_before_these_columns_is_read():
    results = added(None, "trial,Viscosity,pH\nT01,12000,5\n")
    readings = results.readings.drop(columns="read_at").to_csv(index=False, lineterminator="\r\n")
    batches = results.batch_rows.reset_index().drop(columns=["ph_before", "note"]).to_csv(index=False)
    back = parsed_results(readings, batches)
    assert back.observed("pH")["value"].tolist() == [5]


def test_a_fixed_premix_taken_apart_is_still_what_was_fixed():
    # 10 % of a solution of a fifth acid in water: 2 % stand under its name, and 8 % are water.
    study = Study.from_dict(
        {
            "study": {"name": "premix"},
            "ingredient": [
                {"name": "Water", "qs": True},
                {"name": "Gum", "low": 0.3, "high": 0.8},
                {"name": "Premix", "level": 10, "made_of": {"Citric acid": 0.2, "Water": 0.8}},
            ],
            "response": [{"name": "Thick", "unit": "Pa s", "method": "m"}],
        }
    )
    table = pd.DataFrame({"Gum": [0.3, 0.8, 0.5], "Premix": 10.0, "Thick": [1.0, 4, 2]})
    results = study.results(table)
    assert results.levels()["Premix"].to_numpy() == pytest.approx(2.0)
    assert list(carried(study, results).batches["state"]) == ["made"] * 3


def test_a_fixed_ingredient_that_others_bring_may_hold_as_much_more():
    study = Study.from_dict(
        {
            "study": {"name": "brought"},
            "ingredient": [
                {"name": "Water", "qs": True},
                {"name": "Solution", "low": 1, "high": 4, "made_of": {"Acid": 0.25, "Water": 0.75}},
                {"name": "Acid", "level": 2},
            ],
            "response": [{"name": "Thick", "unit": "Pa s", "method": "m"}],
        }
    )
    assert fixed_range(study, study.ingredient("Acid")) == pytest.approx((2.0, 2.0 + 0.25 * 4))
