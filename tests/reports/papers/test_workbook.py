"""The bench workbook: what goes out, and that exactly what was typed comes back. Data invented."""

import io
import zipfile
from types import SimpleNamespace

import openpyxl
import pandas as pd
import pytest

from doe import Study
from doe.bench import bench
from doe.problems import ResultsError
from doe.results.results import take_in
from doe.tables.tables import tables_from_bytes
from reports.papers.workbook import bench_book, write_bench_book

STUDY = Study.from_dict(
    {
        "study": {"name": '=HYPERLINK("x")', "batch_g": 400},
        "ingredient": [
            {"name": "Water", "qs": True, "phase": "A"},
            {"name": "=Gum", "low": 0.3, "high": 0.8, "phase": "B"},
            {"name": "Wax", "low": 2, "high": 6, "phase": "A"},
            {"name": "Acid solution", "level": 0.5, "adjusts": "pH", "made_of": {"Acid": 0.1, "Water": 0.9}},
        ],
        "factor": [{"name": "Stirring", "unit": "min", "low": 2, "high": 8}],
        "response": [
            {"name": "Viscosity", "unit": "mPa.s", "method": "spindle 5", "reads": [2000, 200000], "scale": "log"},
            {"name": "Look", "kind": "grade", "grades": ["poor", "fair", "good"], "method": "by eye"},
            {"name": "Lid", "kind": "pass", "method": "opens"},
        ],
        "make": {"loss": "5 %", "make_up": True},
    }
)
COLUMNS = ["Water", "=Gum", "Wax", "Acid solution", "Stirring"]
PLAN = SimpleNamespace(
    round=1,
    digest="a" * 64,
    study_digests=dict(STUDY.digests),
    make_first=("T02",),
    table=pd.DataFrame([[95.1, 0.4, 4.0, 0.5, 5.0], [93.0, 0.5, 6.0, 0.5, 2.0]], index=["T01", "T02"], columns=COLUMNS),
    runs=pd.DataFrame({"order": [2, 1], "block": None, "whole_plot": None, "replicate_of": None}, index=["T01", "T02"]),
)


def opened():
    return openpyxl.load_workbook(io.BytesIO(bench_book(STUDY, PLAN)))


def saved(book):
    out = io.BytesIO()
    book.save(out)
    return tables_from_bytes(out.getvalue(), "round-1.xlsx")


def place(sheet, row, heading):
    column = next(cell.column for cell in sheet[1] if cell.value == heading)
    return sheet.cell(row, column)


def row_of(sheet, **where):
    for row in range(2, sheet.max_row + 1):
        if all(place(sheet, row, heading).value == value for heading, value in where.items()):
            return row
    raise AssertionError(where)


def weigh(book, trial, ingredient, grams, lot=None):
    sheet = book[bench.WEIGH_SHEET]
    row = row_of(sheet, trial=trial, ingredient=ingredient)
    place(sheet, row, bench.ACTUAL).value = grams
    place(sheet, row, bench.LOT).value = lot


def read(book, trial, **values):
    """Type readings of a trial by response; `note` goes beside each of them."""
    sheet, note = book[bench.READ_SHEET], values.pop("note", None)
    for response, value in values.items():
        row = row_of(sheet, trial=trial, response=response)
        place(sheet, row, bench.VALUE).value = value
        place(sheet, row, bench.NOTE).value = note


def test_the_same_plan_gives_the_same_bytes(tmp_path):
    write_bench_book(tmp_path / "one.xlsx", STUDY, PLAN)
    assert (tmp_path / "one.xlsx").read_bytes() == bench_book(STUDY, PLAN)
    with zipfile.ZipFile(tmp_path / "one.xlsx") as archive:
        assert {info.date_time for info in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        assert b"2000-01-01" in archive.read("docProps/core.xml")


def test_no_text_of_a_user_is_a_formula():
    ours = "=IF("
    for sheet in opened().worksheets:
        for row in sheet.iter_rows():
            for cell in row:
                if cell.data_type == "f":
                    assert str(cell.value).startswith(ours), cell.value
    assert row_of(opened()[bench.WEIGH_SHEET], ingredient="=Gum")


def test_what_is_fixed_is_locked_and_what_is_written_is_open():
    book = opened()
    for name in (bench.WEIGH_SHEET, bench.MAKE_SHEET, bench.READ_SHEET, bench.PLAN_SHEET):
        sheet = book[name]
        assert sheet.protection.sheet
        assert sheet.freeze_panes
        assert sheet.cell(1, 1).protection.locked
    weigh_sheet = book[bench.WEIGH_SHEET]
    assert not place(weigh_sheet, 2, bench.ACTUAL).protection.locked
    assert place(weigh_sheet, 2, "target g").protection.locked
    assert not place(book[bench.READ_SHEET], 2, bench.VALUE).protection.locked
    assert place(book[bench.READ_SHEET], 2, bench.RESPONSE).protection.locked


def test_rows_stand_in_the_order_of_making_and_targets_add_up():
    sheet = opened()[bench.WEIGH_SHEET]
    trials = [place(sheet, row, "trial").value for row in range(2, 10)]
    assert trials == ["T02"] * 4 + ["T01"] * 4
    assert sum(place(sheet, row, "target g").value for row in range(2, 6)) == pytest.approx(400, abs=1e-9)


def test_no_batch_is_torn_apart_in_print():
    table = pd.concat([PLAN.table] * 8, ignore_index=True).set_axis([f"T{i:02d}" for i in range(1, 17)])
    runs = pd.DataFrame({"order": range(1, 17), "block": None, "whole_plot": None, "replicate_of": None}, table.index)
    many = SimpleNamespace(**(vars(PLAN) | {"table": table, "runs": runs}))
    sheet = openpyxl.load_workbook(io.BytesIO(bench_book(STUDY, many)))[bench.WEIGH_SHEET]
    breaks = [one.id for one in sheet.row_breaks.brk]
    # Four lines a batch, 24 to a page.
    assert breaks == [25, 49]
    for row in breaks:
        assert place(sheet, row, bench.TRIAL).value != place(sheet, row + 1, bench.TRIAL).value


def test_choices_and_checks_explain_themselves():
    sheet = opened()[bench.READ_SHEET]
    rules = {rule.promptTitle: rule for rule in sheet.data_validations.dataValidation}
    assert rules["Look"].formula1 == '"poor,fair,good"'
    assert rules["Lid"].formula1 == '"pass,fail"'
    assert "<2000 or >200000" in rules["Viscosity"].prompt
    assert all(rule.prompt for rule in rules.values())


def test_an_unfilled_workbook_says_that_nothing_was_written():
    # The file as a whole, not its first sheet, on which nothing can be filled in.
    with pytest.raises(ResultsError, match=r"^round-1\.xlsx: no row with anything filled in"):
        take_in(STUDY, saved(opened()), design=PLAN)


def test_exactly_what_was_typed_comes_back():
    book = opened()
    read(book, "T01", Viscosity=12345.6789012345, Look="good", Lid="pass", note="=1+1")
    read(book, "T02", Viscosity=">200000", Look="fair")
    back = take_in(STUDY, saved(book), design=PLAN)
    assert back.observed("Viscosity")["value"]["T01-1"] == 12345.6789012345
    assert back.observed("Viscosity")["bound"]["T02-1"] == "above"
    assert dict(back.observed("Look")["value"]) == {"T02-1": 2.0, "T01-1": 3.0}
    assert list(back.observed("Lid").index) == ["T01-1"]


def test_weights_become_levels_by_the_mass_balance():
    book = opened()
    for name, grams in {"Water": 380.0, "=Gum": 1.6, "Wax": 16.0, "Acid solution": 1.8}.items():
        weigh(book, "T01", name, grams, lot="L1" if name == "Wax" else None)
    sheet = book[bench.MAKE_SHEET]
    row = row_of(sheet, trial="T01")
    place(sheet, row, bench.AFTER_HEAT).value = 376.0
    place(sheet, row, bench.MADE_UP).value = 398.0
    read(book, "T01", Viscosity=12000, Look="good")
    results = take_in(STUDY, saved(book), design=PLAN)
    made = results.levels().loc["T01-1"]
    # By hand: 397.6 g charged, 21.6 g of water lost, 22 g made up, 1.8 g of solution (0.18 g acid): 399.8 g.
    grams = {"Water": 380 - 21.6 + 22 + 1.62, "=Gum": 1.6, "Wax": 16.0, "Acid solution": 0.18}
    for name, value in grams.items():
        assert made[name] == pytest.approx(100 * value / 399.8, abs=1e-9)
    assert made["Stirring"] == 5.0
    assert results.batches["lot: Wax"]["T01-1"] == "L1"


def test_weights_off_target_and_blanks_are_said():
    book = opened()
    weigh(book, "T01", "Wax", 17.0)
    read(book, "T01", Viscosity=12000, Look="good")
    codes = {finding.code: finding for finding in take_in(STUDY, saved(book), design=PLAN).findings}
    assert "Wax 17 g instead of 16 g" in codes["off-target"].got
    assert "Water, =Gum" in codes["not-weighed"].got
    assert "no-final-weight" in codes


def test_a_factor_run_otherwise_and_a_second_making():
    book = opened()
    sheet = book[bench.MAKE_SHEET]
    place(sheet, row_of(sheet, trial="T02"), "Stirring [min]").value = 3.5
    read(book, "T02", Viscosity=12000)
    readings = book[bench.READ_SHEET]
    spare = row_of(readings, trial=None)
    for heading, value in (("trial", "T02"), ("response", "Viscosity"), ("batch", 2), ("reading", 1), ("value", 14000)):
        place(readings, spare, heading).value = value
    results = take_in(STUDY, saved(book), design=PLAN)
    assert results.levels()["Stirring"].to_dict() == {"T02-1": 3.5, "T02-2": 2.0}


def test_a_renamed_sheet_is_still_read():
    book = opened()
    read(book, "T01", Viscosity=12000, Look="good")
    book[bench.READ_SHEET].title = "Sheet9"
    assert list(take_in(STUDY, saved(book), design=PLAN).usable) == ["T01-1"]


@pytest.mark.parametrize(
    "change, words",
    [
        ({"digest": "b" * 64}, "planned anew"),
        ({"digest": "b" * 64, "study_digests": {"tried": "x", "measured": STUDY.digests["measured"]}}, "ingredients"),
        ({"digest": "b" * 64, "round": 2}, "round 1 of"),
    ],
)
def test_a_workbook_of_another_plan_is_refused_with_what_changed(change, words):
    book = opened()
    read(book, "T01", Viscosity=12000, Look="good")
    other = SimpleNamespace(**(vars(PLAN) | change))
    with pytest.raises(ResultsError) as caught:
        take_in(STUDY, saved(book), design=other)
    assert words in str(caught.value)


def spoil_ingredient(book):
    sheet = book[bench.WEIGH_SHEET]
    weigh(book, "T01", "Wax", 16.0)
    place(sheet, row_of(sheet, trial="T01", ingredient="Wax"), bench.INGREDIENT).value = "Waxx"


def spoil_formula(book):
    read(book, "T01", Viscosity="=12000+1")


def spoil_weights(book):
    weigh(book, "T01", "Water", 380.0)
    sheet = book[bench.MAKE_SHEET]
    place(sheet, row_of(sheet, trial="T01"), bench.AFTER_HEAT).value = 500.0


def spoil_merge(book):
    book[bench.READ_SHEET].merge_cells("E2:F2")


def spoil_date(book):
    import datetime

    read(book, "T01", Viscosity=datetime.datetime(2031, 5, 1))


def spoil_grams(book):
    weigh(book, "T01", "Wax", "a lot")


@pytest.mark.parametrize(
    "spoil, words",
    [
        (spoil_ingredient, "'Waxx'"),
        (spoil_formula, "formula without a stored result"),
        (spoil_weights, "heavier after heating"),
        (spoil_merge, "merged cells at E2:F2"),
        (spoil_date, "date or time"),
        (spoil_grams, "'a lot'"),
    ],
)
def test_spoilt_workbooks_are_refused_in_words(spoil, words):
    book = opened()
    spoil(book)
    with pytest.raises(ResultsError) as caught:
        take_in(STUDY, saved(book), design=PLAN)
    assert words in str(caught.value)
    assert "round-1.xlsx" in str(caught.value)


def codes(results):
    return {finding.code: str(finding) for finding in results.findings}


def test_what_the_making_sheet_says_is_kept():
    book = opened()
    sheet = book[bench.MAKE_SHEET]
    row = row_of(sheet, trial="T01")
    given = {bench.PH_BEFORE: 6.2, bench.PH_AFTER: 5.4, bench.MADE_AT: "2031-05-14 10:30", bench.OPERATOR: "JK",
             bench.NOTE: "foamed"}  # fmt: skip
    for heading, value in given.items():
        place(sheet, row, heading).value = value
    other = row_of(sheet, trial="T02")
    place(sheet, other, bench.STATE).value = "unmakeable"
    place(sheet, other, bench.SET_ASIDE).value = "set solid"
    batches = take_in(STUDY, saved(book), design=PLAN).batches
    kept = batches.loc["T01-1", ["ph_before", "ph_after", "made_at", "operator", "note", "state"]].tolist()
    assert kept == [6.2, 5.4, "2031-05-14T10:30", "JK", "foamed", "made"]
    assert batches.loc["T02-1", ["state", "why"]].tolist() == ["unmakeable", "set solid"]


def test_extremes_are_marked_and_the_mark_is_not_read_back():
    book = opened()
    sheet = book[bench.MAKE_SHEET]
    marks = {place(sheet, row, bench.TRIAL).value: place(sheet, row, bench.EXTREME).value for row in (2, 3)}
    assert marks == {"T02": "make first", "T01": None}
    assert "T02: the extreme recipes" in str([cell.value for row in book[bench.HOW_SHEET].iter_rows() for cell in row])
    read(book, "T01", Viscosity=9000)
    assert take_in(STUDY, saved(book), design=PLAN).batches.loc["T01-1", "state"] == "made"


def test_a_study_of_settings_alone_has_nothing_of_weights_or_ph():
    study = Study.from_dict(
        {
            "study": {"name": "Mixer"},
            "factor": [{"name": "Stirring", "unit": "min", "low": 2, "high": 8}],
            "response": [{"name": "Foam", "unit": "ml", "method": "shaken"}],
        }
    )
    table = PLAN.table[["Stirring"]]
    plan = SimpleNamespace(**vars(PLAN) | {"table": table, "study_digests": dict(study.digests), "make_first": ()})
    book = openpyxl.load_workbook(io.BytesIO(bench_book(study, plan)))
    assert book.sheetnames == [bench.HOW_SHEET, bench.MAKE_SHEET, bench.READ_SHEET, bench.PLAN_SHEET]
    words = [
        str(cell.value) for sheet in book.worksheets[:3] for row in sheet.iter_rows() for cell in row if cell.value
    ]
    assert not [text for text in words if "pH" in text or "eigh" in text or text == bench.EXTREME]
    read(book, "T01", Foam=90)
    sheet = book[bench.MAKE_SHEET]
    place(sheet, row_of(sheet, trial="T01"), bench.OPERATOR).value = "JK"
    results = take_in(study, saved(book), design=plan)
    assert dict(results.observed("Foam")["value"]) == {"T01-1": 90}
    assert results.batches.loc["T01-1", "operator"] == "JK"


def test_weights_typed_with_a_decimal_comma_are_read_and_said():
    book = opened()
    for ingredient, grams in (("Water", "380,4"), ("=Gum", "1,612"), ("Wax", "16,0"), ("Acid solution", "2,0")):
        weigh(book, "T01", ingredient, grams)
    results = take_in(STUDY, saved(book), design=PLAN)
    assert results.batches.loc["T01-1", "weighed_g"] == pytest.approx(400.012)
    said = next(f.got for f in results.findings if f.code == "read-with-help")
    assert said.startswith("4 weights read with help: ")
    assert "1,612 read as 1.612, with a decimal comma as in other cells" in said


def test_a_column_that_was_added_to_the_weighing_sheet_is_said():
    book = opened()
    weigh(book, "T01", "Wax", 16.0)
    sheet = book[bench.WEIGH_SHEET]
    sheet.cell(1, len(bench.WEIGH_FIELDS) + 1).value = "remark"
    sheet.cell(2, len(bench.WEIGH_FIELDS) + 1).value = "lumpy"
    assert "a column remark" in codes(take_in(STUDY, saved(book), design=PLAN))["column-not-read"]


def test_a_workbook_without_the_sheet_of_its_plan_is_read_and_said():
    book = opened()
    read(book, "T01", Viscosity=12000)
    del book[bench.PLAN_SHEET]
    assert "plan-unknown" in codes(take_in(STUDY, saved(book), design=PLAN))


def test_single_sheets_may_be_sent():
    book = opened()
    read(book, "T01", Viscosity=12000)
    for name in (bench.HOW_SHEET, bench.WEIGH_SHEET, bench.MAKE_SHEET):
        del book[name]
    assert list(take_in(STUDY, saved(book), design=PLAN).usable) == ["T01-1"]


def spoil_trials(book):
    read(book, "T01", Viscosity=12000)
    book[bench.MAKE_SHEET].delete_cols(1)


def spoil_shift(book):
    sheet = book[bench.READ_SHEET]
    read(book, "T01", Viscosity=12000)
    place(sheet, row_of(sheet, trial="T02"), bench.UNIT).value = 12000
    place(sheet, row_of(sheet, trial="T02"), bench.VALUE).value = "JK"


def spoil_method(book):
    sheet = book[bench.READ_SHEET]
    read(book, "T01", Viscosity=12000)
    place(sheet, row_of(sheet, trial="T01", response="Viscosity"), bench.METHOD).value = "spindle 4"


def spoil_batch(book):
    read(book, "T01", Viscosity=12000)
    sheet = book[bench.READ_SHEET]
    place(sheet, row_of(sheet, trial="T01"), bench.BATCH).value = "second"


def spoil_state(book):
    sheet = book[bench.MAKE_SHEET]
    place(sheet, row_of(sheet, trial="T01"), bench.STATE).value = "failed"


def spoil_ph(book):
    sheet = book[bench.MAKE_SHEET]
    place(sheet, 2, bench.PH_AFTER).value = "about right"


def spoil_bound(book):
    weigh(book, "T01", "Wax", "<16")


def spoil_sign(book):
    weigh(book, "T01", "Wax", -16.0)


def spoil_unit(book):
    weigh(book, "T01", "Wax", "16 mL")


@pytest.mark.parametrize(
    "spoil, words",
    [
        (spoil_trials, "no column trial"),
        (spoil_shift, "'JK'"),
        (spoil_method, "read by 'spindle 4'"),
        (spoil_batch, "batch second"),
        (spoil_state, "failed without a reason; a reason in column set aside"),
        (spoil_ph, ", pH after"),
        (spoil_bound, "0 or more"),
        (spoil_sign, "0 or more"),
        (spoil_unit, "in mL"),
    ],
)
def test_more_spoilt_workbooks(spoil, words):
    book = opened()
    spoil(book)
    with pytest.raises(ResultsError) as caught:
        take_in(STUDY, saved(book), design=PLAN)
    assert words in str(caught.value)


def test_none_seen_is_offered_only_where_it_is_taken():
    raw = {
        "study": {"name": "Invented", "batch_g": 400},
        "ingredient": [{"name": "Water", "qs": True}, {"name": "Gum", "low": 0.3, "high": 0.8}],
    }
    settled = {"name": "Settled", "unit": "mm", "method": "jar", "scale": "log"}
    clear = {"name": "Clear", "unit": "mm", "method": "jar"}

    def said(*responses):
        study = Study.from_dict(raw | {"response": list(responses)})
        table = pd.DataFrame([[99.6, 0.4]], index=["T01"], columns=["Water", "Gum"])
        runs = pd.DataFrame({"order": [1], "block": None, "whole_plot": None, "replicate_of": None}, index=["T01"])
        plan = SimpleNamespace(
            round=1, digest="a" * 64, study_digests=dict(study.digests), make_first=(), table=table, runs=runs
        )
        book = openpyxl.load_workbook(io.BytesIO(bench_book(study, plan)))
        cells = [str(cell.value) for row in book.worksheets[0].iter_rows() for cell in row]
        return next(cell for cell in cells if cell.startswith("The number; <2000"))

    assert "none seen if nothing was seen;" in said(clear)
    assert "none seen" not in said(settled)
    assert "none seen if nothing was seen, but of Settled < and" in said(settled, clear)
