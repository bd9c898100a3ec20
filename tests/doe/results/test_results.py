"""Taking results in: planned and historical, wide and long; refusals; what a changed study means. Data invented."""

import copy
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe import Study
from doe.problems import ResultsError
from doe.results.carrying import carried
from doe.results.corrections import correct, restore, set_aside
from doe.results.results import batches_csv, joined, readings_csv, take_in
from doe.results.stored import parsed_results
from doe.tables.tables import tables_from_bytes

SOURCE = {
    "study": {"name": "Invented balm", "batch_g": 400},
    "ingredient": [
        {"name": "Water", "qs": True},
        {"name": "Gum", "low": 0.3, "high": 0.8},
        {"name": "Wax", "low": 2, "high": 6},
        {"name": "Chelator", "level": 0.1},
    ],
    "factor": [{"name": "Paddle", "levels": ["wide", "narrow"]}],
    "response": [
        {"name": "Viscosity", "unit": "mPa.s", "method": "spindle 5", "reads": [2000, 200000], "scale": "log",
         "aim": "above", "low": 10000},
        {"name": "pH", "method": "meter", "aim": "within", "low": 5, "high": 6},
    ],
}  # fmt: skip


def changed(edit):
    source = copy.deepcopy(SOURCE)
    edit(source)
    return Study.from_dict(source)


STUDY = Study.from_dict(SOURCE)
PLAN = SimpleNamespace(
    round=1,
    digest="d" * 64,
    study_digests=dict(STUDY.digests),
    table=pd.DataFrame(
        [[95.5, 0.4, 4.0, 0.1, "wide"], [93.2, 0.7, 6.0, 0.1, "narrow"], [95.5, 0.4, 4.0, 0.1, "wide"]],
        index=["T01", "T02", "T03"],
        columns=["Water", "Gum", "Wax", "Chelator", "Paddle"],
    ),
    runs=pd.DataFrame(
        {
            "order": [2, 1, 3],
            "block": [None, None, None],
            "whole_plot": [None] * 3,
            "replicate_of": [None, None, "T01"],
        },
        index=["T01", "T02", "T03"],
    ),
)


def csv(text):
    return tables_from_bytes(text.encode(), "back.csv")


def planned(text, study=STUDY):
    return take_in(study, csv(text), design=PLAN)


def refused(text, *, design=PLAN, study=STUDY):
    with pytest.raises(ResultsError) as caught:
        take_in(study, csv(text), design=design)
    assert all(p.level == "stop" and p.where and p.do for p in caught.value.problems)
    return caught.value.problems


def test_joins_by_trial_never_by_order():
    results = planned("trial,pH,Viscosity\nT02,5.5,30000\nT01,5.1,12000\n")
    seen = results.observed("Viscosity")
    assert dict(seen["value"]) == {"T02-1": 30000, "T01-1": 12000}
    assert results.levels().loc["T02-1", "Gum"] == 0.7
    assert results.batches.loc["T02-1", "order"] == 1
    # The same rows in another order say the same of each batch.
    other = planned("trial,pH,Viscosity\nT01,5.1,12000\nT02,5.5,30000\n")
    pd.testing.assert_frame_equal(seen.sort_index(), other.observed("Viscosity").sort_index())


def test_wide_and_long_say_the_same():
    wide = planned("trial,Viscosity,pH\nT01,12000,5.1\nT02,>200000,\n")
    long = planned("trial,response,value\nT01,Viscosity,12000\nT01,pH,5.1\nT02,Viscosity,>200000\n")
    assert readings_csv(wide) == readings_csv(long)
    assert list(wide.observed("Viscosity")["bound"]) == ["none", "above"]


def test_partial_returns_and_words():
    results = planned("trial,Viscosity,pH\nT01,12000,\nT02,,not measured\nT03,,\n")
    assert list(results.batches.index) == ["T01-1", "T02-1"]
    assert results.observed("pH").empty
    assert list(results.readings["flag"]) == ["", "not measured"]


def test_replicate_trials_share_a_group():
    results = planned("trial,Viscosity,pH\nT01,12000,5\nT02,20000,5\nT03,13000,5\n")
    assert list(results.observed("pH")["replicate_group"]) == ["T01", "T02", "T01"]


def test_readings_of_one_jar_are_averaged_and_batches_kept_apart():
    results = planned("trial,batch,reading,Viscosity,pH\nT01,1,1,12000,5.1\nT01,1,2,14000,5.3\nT01,2,1,16000,5.2\n")
    seen = results.observed("Viscosity")
    assert list(seen.index) == ["T01-1", "T01-2"]
    assert list(seen["value"]) == [13000, 16000]
    assert list(seen["n_readings"]) == [2, 1]
    assert seen["reading_sd"].iloc[0] == pytest.approx(2000 / np.sqrt(2))  # two readings 2000 apart


def test_means_of_bounds_are_bounds():
    results = planned("trial,batch,reading,Viscosity,pH\nT01,1,1,>200000,5\nT01,1,2,180000,5.2\nT02,1,1,<2000,5 to 6\n")
    seen = results.observed("Viscosity")
    assert tuple(seen.loc["T01-1", ["value", "bound"]]) == (190000, "above")
    assert tuple(seen.loc["T02-1", ["value", "bound"]]) == (2000, "below")
    assert tuple(results.observed("pH").loc["T02-1", ["value", "bound", "value_to"]]) == (5, "between", 6)


def test_beyond_what_is_read_becomes_a_bound_with_a_finding():
    results = planned("trial,Viscosity,pH\nT01,1500,5\n")
    assert tuple(results.observed("Viscosity").loc["T01-1", ["value", "bound"]]) == (2000, "below")
    assert any("1500 is below what the method reads" in f.got for f in results.findings)


def test_levels_as_made_replace_the_plan():
    results = planned("trial,Gum,Viscosity,pH\nT01,0.45,12000,5\n")
    assert results.levels().loc["T01-1", ["Water", "Gum", "Wax"]].tolist() == pytest.approx([95.45, 0.45, 4.0])


def test_a_historical_table_makes_its_own_trials():
    text = "code,Gum,Wax,Chelator,Paddle,Viscosity,pH\n"
    rows = "a,0.4,4,0.1,wide,12000,5\nb,0.9,4,0.1,wide,60000,5\nc,0.4,4,0.1,wide,13000,5\n"
    results = take_in(STUDY, csv(text.replace("code", "trial") + rows))
    assert list(results.batches["source_id"]) == ["a", "b", "c"]
    assert list(results.batches.index) == ["T01-1", "T02-1", "T03-1"]
    assert list(results.batches["replicate_group"]) == ["T01", "T02", "T01"]
    assert results.levels()["Water"].tolist() == pytest.approx([95.5, 95.0, 95.5])
    assert any(f.where == "Gum" and "T02-1" in f.got and f.level == "warn" for f in results.findings)
    after = take_in(STUDY, csv(text.replace("code", "trial") + rows), design=PLAN)
    assert list(after.batches["trial"]) == ["T04", "T05", "T06"]


def test_frames_come_in_unchanged_and_by_index():
    frame = pd.DataFrame({"Viscosity": [12000.0, np.nan], "pH": [5.0, 5.5]}, index=["T02", "T01"])
    before = frame.copy()
    results = take_in(STUDY, frame, design=PLAN)
    pd.testing.assert_frame_equal(frame, before)
    assert list(results.observed("Viscosity").index) == ["T02-1"]


def test_decimal_commas_where_the_table_is_clear():
    results = planned("trial;Viscosity;pH\nT01;12000,5;5,25\nT02;21 400;5,125\n")
    assert dict(results.observed("pH")["value"]) == {"T01-1": 5.25, "T02-1": 5.125}


# What the refusal of each file in bad_tables must say.
BAD = {
    "batch-of-another.csv": "batch T02-1",
    "blank-trial.csv": "row without a trial",
    "bounded-level.csv": "one number",
    "contradiction.csv": "one value a reading",
    "date-in-a-number.csv": "'5.5.2031'",
    "decimal-comma-in-a-comma-file.csv": "decimal commas need ;",
    "parted-by-commas.csv": "row 2, column pH: 5 and 3 in the cell after it",
    "failed-without-reason.csv": "without a reason",
    "formula-as-text.csv": "'=12000+1'",
    "levels-leave-no-water.csv": "for Water",
    "levels-too-much.csv": "add up to 110",
    "long-unknown-response.csv": "is 'Viscosity' meant?",
    "lot-of-an-unknown-ingredient.csv": "is 'Wax' meant?",
    "misspelt-response.csv": "is 'Viscosity' meant?",
    "negative-level.csv": "0 or more",
    "no-response-at-all.csv": "no column Viscosity, pH",
    "no-trial.csv": "neither a trial nor levels",
    "order-in-words.csv": "whole number",
    "plus-or-minus.csv": "one number in a cell",
    "reading-number.csv": "1, 2, 3",
    "rows-and-columns-turned.csv": "'T01' is no name of this study",
    "same-column-in-two-spellings.csv": "are one name",
    "same-column-twice.csv": "Viscosity stands twice",
    "shifted-by-one-column.csv": "4 cells",
    "spreadsheet-error.csv": "error of the spreadsheet",
    "state-unknown.csv": "failed",
    "text-in-a-number.csv": "'thick'; a number",
    "trial-twice.csv": "T01 stands on 2 rows",
    "two-marks.csv": "one decimal mark throughout",
    "two-numbers-in-a-cell.csv": "one number in a cell",
    "two-orders-for-a-batch.csv": "one for a batch",
    "two-recipes.csv": "one recipe a batch",
    "two-ways.csv": "12345 or 12.345",
    "unfilled.csv": "no row with anything filled in",
    "unit-in-the-heading.csv": "Viscosity in mPa.s",
    "unit-of-another-kind-on-a-level.csv": "% w/w",
    "unit-of-something-else.csv": "give it in mPa.s",
    "unknown-level.csv": "one of wide, narrow",
    "unknown-trial.csv": "T09 was not planned",
}
FILES = Path(__file__).parents[1] / "bad_tables"


def test_every_bad_table_has_its_words():
    assert {path.name for path in FILES.iterdir()} == set(BAD)


@pytest.mark.parametrize("name", BAD)
def test_named_bad_tables(name):
    content = (FILES / name).read_bytes()
    with pytest.raises(ResultsError) as caught:
        take_in(STUDY, tables_from_bytes(content, name), design=PLAN)
    assert BAD[name] in "\n".join(map(str, caught.value.problems))
    assert all(p.level == "stop" and p.where and p.do for p in caught.value.problems)
    assert (FILES / name).read_bytes() == content


def test_every_problem_is_listed_at_once():
    problems = refused("trial,Viscosity,pH\nT01,thick,sour\nT09,12000,5\nT02,12 g,5\n")
    assert [p.where for p in problems] == [
        "back.csv, row 2, column Viscosity", "back.csv, row 2, column pH", "back.csv, row 3, column trial",
        "back.csv, row 4, column Viscosity",
    ]  # fmt: skip


def test_an_instrument_tells_of_its_own_response_and_the_others_stay_blank():
    results = planned("trial,pH\nT01,5\nT02,5.1\n")
    assert [f.code for f in results.findings] == ["responses-to-come"]
    assert "back.csv: no column Viscosity" in str(results.findings[0])
    assert set(results.readings["response"]) == {"pH"}
    # What is wrong in its cells is told all the same, and with the file's name; a name that is not known is refused.
    wheres = [p.where for p in refused("trial,pH,Colour\nT01,sour,3\nT02,56,3\nT03,5,3\nT03,5.1,3\n")]
    assert wheres == ["back.csv, column Colour", "back.csv, row 2, column pH", "back.csv, row 3, column pH",
                      "back.csv, row 5, column pH"]  # fmt: skip
    # Trials of their own come once: a response that was left out would never be asked for again.
    told = refused("Gum,Wax,Chelator,Paddle,pH\n0.4,4,0.1,wide,5\n", design=None)
    assert [(p.where, p.code) for p in told] == [("back.csv", "missing-response")]


def test_historical_rows_need_all_levels_but_that_of_the_fill():
    problems = refused("Gum,Paddle,Viscosity,pH\n0.4,wide,12000,5\n", design=None)
    assert "no level of Wax, Chelator" in str(problems[0])
    problems = refused("trial,Viscosity,pH\nT01,12000,5\n", design=None)
    assert "there is no plan" in str(problems[0])
    rows = "".join(f"0.4,4,wide,{12000 + i},5\n" for i in range(20)) + "0.4,,wide,9000,5\n"
    problems = refused("Gum,Wax,Paddle,Viscosity,pH\n" + rows, design=None)
    assert [p.got for p in problems] == ["no level of Chelator", "no level of Wax, Chelator"]
    assert problems[0].where.startswith("back.csv, row 2, row 3, row 4")
    assert problems[0].where.endswith("and 12 more")


def test_sums_within_the_rounding_of_what_is_printed():
    results = take_in(STUDY, csv("Water,Gum,Wax,Chelator,Paddle,Viscosity,pH\n95.4,0.4,4.0,0.1,wide,12000,5\n"))
    assert results.levels().iloc[0, :4].sum() == pytest.approx(100, abs=1e-12)
    assert results.levels()["Water"].iloc[0] == pytest.approx(95.5)
    assert any(f.code == "rounded-levels" for f in results.findings)


def test_set_aside_in_a_table_and_by_command_keeps_the_old_row():
    results = planned("trial,Viscosity,pH,set_aside\nT01,12000,5,\nT02,20000,5,spilt half of it\n")
    assert list(results.usable) == ["T01-1"]
    aside = set_aside(results, ["T01"], "wrong wax")
    assert list(aside.usable) == []
    assert len(aside.batch_rows) == 3
    back = restore(aside, ["T01-1"], "it was the right wax")
    assert list(back.usable) == ["T01-1"]
    assert list(back.batch_rows["why"]) == [None, "spilt half of it", "wrong wax", "it was the right wax"]
    for call in (lambda: set_aside(results, ["T01"], " "), lambda: set_aside(results, ["T07"], "x"),
                 lambda: restore(results, ["T01"], "x")):  # fmt: skip
        with pytest.raises(ResultsError):
            call()


def test_a_correction_adds_a_row():
    results = planned("trial,Viscosity,pH\nT01,12000,5\nT02,20000,5\n")
    mended = correct(STUDY, results, "T01", "Viscosity", "21 400", "read the wrong line")
    assert mended.observed("Viscosity")["value"]["T01-1"] == 21400
    assert results.observed("Viscosity")["value"]["T01-1"] == 12000
    assert list(mended.readings["value"]) == [*results.readings["value"], 21400]
    assert mended.digest != results.digest
    for which, response, value in (("T09", "pH", 5), ("T01", "Ph", 5), ("T01", "pH", "sour")):
        with pytest.raises(ResultsError):
            correct(STUDY, results, which, response, value, "x")
    for which, meant in (("T2", "T02"), ("t-01", "T01"), ("T1-1", "T01-1")):
        for change in (lambda w=which: correct(STUDY, results, w, "pH", 5.1, "x"),
                       lambda w=which: set_aside(results, [w], "x")):  # fmt: skip
            with pytest.raises(ResultsError) as caught:
                change()
            assert [p.do for p in caught.value.problems] == [f"is {meant!r} meant?"]


def test_joining_further_returns():
    first = planned("trial,Viscosity,pH\nT01,12000,\nT02,20000,5\n")
    aside = set_aside(first, ["T02"], "lumps")
    both = joined(aside, planned("trial,Viscosity,pH\nT01,12000,5.1\nT02,20000,5\nT03,15000,5\n"))
    assert list(both.usable) == ["T01-1", "T03-1"]  # set aside stays so
    assert len(both.readings) == 6
    assert joined(both, planned("trial,Viscosity,pH\nT03,15000,5\n")).digest == both.digest
    with pytest.raises(ResultsError, match="12000, as recorded before"):
        joined(both, planned("trial,Viscosity,pH\nT01,12500,5.1\n"))
    text = "Gum,Wax,Chelator,Paddle,Viscosity,pH\n0.4,4,0.1,wide,12000,5\n"
    past = joined(both, take_in(STUDY, csv(text), first_trial=4))
    assert "T04-1" in past.batches.index
    with pytest.raises(ResultsError, match="recorded before"):
        joined(past, take_in(STUDY, csv(text), first_trial=5))


@settings(max_examples=40)
@given(
    st.lists(st.floats(min_value=2000, max_value=200000), min_size=3, max_size=3),
    st.text(alphabet=st.characters(codec="utf-8", exclude_categories=["Cc", "Cs", "Z"]), max_size=20),
)
def test_results_written_come_back_exactly(values, note):
    frame = pd.DataFrame({"trial": ["T01", "T02", "T03"], "Viscosity": values, "pH": [5.1, None, 5.3], "note": note})
    results = take_in(STUDY, frame, design=PLAN)
    back = parsed_results(readings_csv(results), batches_csv(results))
    assert back.digest == results.digest
    pd.testing.assert_frame_equal(back.levels(), results.levels())
    pd.testing.assert_frame_equal(back.observed("Viscosity"), results.observed("Viscosity"))


def test_damaged_files_are_refused():
    for texts in (("", ""), ("trial\r\nx\r\n", "trial\r\nx\r\n"), ('"', "x")):
        with pytest.raises(ResultsError, match="not as it was written"):
            parsed_results(*texts)


PAST = planned("trial,Viscosity,pH\nT01,12000,5\nT02,20000,5.5\nT03,13000,5.2\n")


def test_a_changed_target_keeps_everything():
    study = changed(lambda s: s["response"][0].update(low=50000))
    assert carried(study, PAST).digest == PAST.digest


def test_a_moved_limit_keeps_the_trials_and_says_so():
    study = changed(lambda s: s["ingredient"][2].update(high=5))
    now = carried(study, PAST)
    assert list(now.usable) == ["T01-1", "T02-1", "T03-1"]
    assert any(f.where == "Wax" and "T02-1" in f.got for f in now.findings)


def test_a_dropped_ingredient_puts_its_trials_out():
    def drop(source):
        del source["ingredient"][2]

    now = carried(changed(drop), PAST)
    assert list(now.usable) == []
    assert "Wax, which is no longer in the study" in now.batches["why"].iloc[0]
    kept = carried(changed(lambda s: s["ingredient"][2].update(low=0, high=0, withdrawn=True)), PAST)
    assert len(kept.usable) == 3


def test_a_new_ingredient_was_zero_and_a_new_factor_was_not_set():
    more = carried(changed(lambda s: s["ingredient"].append({"name": "Oil", "low": 0, "high": 2})), PAST)
    assert more.levels()["Oil"].tolist() == [0, 0, 0]
    factor = carried(changed(lambda s: s["factor"].append({"name": "Time", "low": 1, "high": 2})), PAST)
    assert list(factor.usable) == []
    assert any("Time was not a factor then" in f.got for f in factor.findings)


def test_a_renamed_ingredient_follows_was():
    now = carried(changed(lambda s: s["ingredient"][1].update(name="Xanthan", was=["Gum"])), PAST)
    assert now.levels()["Xanthan"].tolist() == PAST.levels()["Gum"].tolist()
    assert len(now.usable) == 3


def test_readings_by_another_method_or_in_another_unit_are_out():
    now = carried(changed(lambda s: s["response"][0].update(method="spindle 4")), PAST)
    assert now.observed("Viscosity").empty
    assert len(now.observed("pH")) == 3
    assert any("method then: spindle 5" in f.got for f in now.findings)
    assert carried(changed(lambda s: s["response"][0].update(unit="Pa.s")), PAST).observed("Viscosity").empty
    assert len(carried(changed(lambda s: s["response"][0].update(unit="cP")), PAST).observed("Viscosity")) == 3


def test_without_is_for_a_look_only():
    assert len(PAST.without(["T02"]).batches) == 2
    assert len(PAST.batches) == 3
    with pytest.raises(ResultsError, match="T07"):
        PAST.without(["T07"])


def test_torque_window():
    text = "trial,response,value,torque_pct\nT01,Viscosity,12000,6\nT02,Viscosity,20000,104\nT03,Viscosity,13000,55\n"
    results = planned(text)
    seen = results.observed("Viscosity")
    assert list(seen.index) == ["T02-1", "T03-1"]
    assert list(seen["bound"]) == ["above", "none"]


def test_a_word_for_nothing_is_no_level():
    problems = refused("trial,Gum,Viscosity,pH\nT01,nan,12000,5\n")
    assert [(p.code, p.got) for p in problems] == [("bad-number", "'nan'")]


def test_a_column_in_another_unit_is_refused_with_what_to_multiply_by():
    problem = refused("trial,Gum (ppm),Viscosity,pH\nT01,5000,12000,5\n")[0]
    assert (problem.got, problem.allowed) == ("Gum in ppm", "Gum in % w/w")
    assert problem.do == "multiply the column by 0.0001 and head it 'Gum [% w/w]'"  # 1 ppm is 1e-6, 1 % is 1e-2


def test_levels_with_a_decimal_comma_are_said():
    results = planned("trial;Gum;Viscosity;pH\nT01;0,415;12000;5,1\n")
    assert any(f.code == "read-with-help" and "0,415 read as 0.415" in f.got for f in results.findings)


def test_columns_of_levels_under_each_others_names_are_refused():
    rows = "0.1,wide,12000,5\n0.1,wide,13000,5.1\n0.1,narrow,14000,5.2\n".splitlines()
    levels = [(0.4, 3.0), (0.5, 4.0), (0.7, 5.0)]
    head = "{},Chelator,Paddle,Viscosity,pH\n"
    right = head.format("Gum,Wax") + "".join(f"{g},{w},{r}\n" for (g, w), r in zip(levels, rows, strict=True))
    assert len(take_in(STUDY, csv(right)).batches) == 3
    wrong = right.replace("Gum,Wax", "Wax,Gum")
    (problem,) = refused(wrong, design=None)
    assert (problem.code, problem.where) == ("swapped", "columns Gum and Wax")
    assert "widen low and high" in problem.do
    # A recipe that lies within its own limits in one of the two, or two batches only: no column is told from it.
    one_inside = wrong.replace("0.7,5.0", "5.0,0.7")
    assert len(take_in(STUDY, csv(one_inside)).batches) == 3
    assert len(take_in(STUDY, csv("".join(wrong.splitlines(keepends=True)[:3]))).batches) == 2
