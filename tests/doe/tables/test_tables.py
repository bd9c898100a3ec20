"""Tables as files: what is read rightly, and named bad files that are refused in words, never with a traceback."""

import csv
import io
import re
import zipfile

import openpyxl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe.definition.cells import Uncalculated
from doe.problems import ResultsError
from doe.tables.tables import csv_text, guarded, read_tables, tables_from_bytes, unguarded


def one(content, name="trials.csv"):
    (table,) = tables_from_bytes(content.encode() if isinstance(content, str) else content, name)
    return table


def book(fill, *, name="Trials"):
    made = openpyxl.Workbook()
    made.active.title = name
    fill(made.active)
    out = io.BytesIO()
    made.save(out)
    return out.getvalue()


def rows(*lines):
    def fill(sheet):
        for line in lines:
            sheet.append(line)

    return fill


def edited(content, part, change):
    """A workbook with one part of its archive replaced, as a hostile or broken program would write it."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            new.writestr(name, change(old.read(name)) if name == part else old.read(name))
        if part not in old.namelist():
            new.writestr(part, change(b""))
    return out.getvalue()


PLAIN = book(rows(["trial", "pH"], ["T01", 5.5]))


@pytest.mark.parametrize(
    "content",
    [
        "trial,pH\r\nT01,5.5\r\n",
        "trial;pH\nT01;5.5\n",
        "trial\tpH\nT01\t5.5",
        "sep=|\ntrial|pH\nT01|5.5\n",
        "\n\ntrial,pH\n\nT01,5.5\n\n",
        '"trial","pH"\n"T01","5.5"\n',
        "trial,pH,\nT01,5.5,\n",
        "\ufefftrial,pH\nT01,5.5\n",
        "trial,pH\nT01,5.5\n".encode("utf-16"),
        "trial,pH\nT01,5.5\n".encode("utf-16-le"),
    ],
)
def test_spellings_of_one_table(content):
    table = one(content)
    assert table.header == ("trial", "pH")
    assert [tuple(map(str.strip, row)) for row in table.rows] == [("T01", "5.5")]


def test_cells_know_where_they_stood():
    table = one("trial,pH\n\nT01,5.5\nT02,x\n")
    assert table.where(1, 1) == "trials.csv, row 4, column pH"
    (sheet,) = tables_from_bytes(PLAIN, "back.xlsx")
    assert sheet.where(0, 1) == "back.xlsx, sheet Trials, cell B2, pH"


def test_a_line_break_inside_quotes_stays():
    assert one('trial,note\nT01,"two\nlines"\nT02,x\n').rows[0] == ("T01", "two\nlines")


def test_windows_1252_is_read_and_said():
    table = one("trial,Été\nT01,5.5\n".encode("cp1252"))
    assert table.header == ("trial", "Été")
    assert "Windows-1252" in table.findings[0].do


BAD = {
    "empty": ("t.csv", b"", "an empty file"),
    "blank": ("t.csv", b" \r\n\r\n", "an empty file"),
    "only_bom": ("t.csv", b"\xef\xbb\xbf", "an empty file"),
    "header_only": ("t.csv", b"trial,pH\n", "without rows"),
    "decimal_commas_in_commas": ("t.csv", b"trial,pH\nT01,5,5\n", "decimal commas need ;"),
    "open_quote": ("t.csv", b'trial,pH\nT01,"5.5\n', "quotes closed"),
    "same_heading_twice": ("t.csv", b"trial,pH,pH\nT01,5,6\n", "pH stands twice"),
    "nameless_column": ("t.csv", b"trial,\nT01,5\n", "each column a name"),
    "binary": ("t.csv", bytes(range(256)) * 20, "not text"),
    "picture": ("t.csv", b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR" + b"\x00" * 50, "text"),
    "text_named_xlsx": ("t.xlsx", b"trial,pH\nT01,5\n", "not a workbook"),
    "old_xls": ("t.xls", b"\xd0\xcf\x11\xe0" + b"\x00" * 100, "encrypted workbook or one of the old XLS"),
    "truncated_zip": ("t.xlsx", PLAIN[:300], "not a workbook"),
    "zip_of_something_else": ("t.xlsx", None, "not a workbook"),
    "open_document": ("t.ods", None, "OpenDocument"),
    "macros": ("t.xlsm", edited(PLAIN, "xl/vbaProject.bin", lambda _: b"x"), "macros"),
    "broken_sheet": ("t.xlsx", edited(PLAIN, "xl/worksheets/sheet1.xml", lambda part: part[:80]), "cannot be read"),
    "entities": ("t.xlsx", edited(PLAIN, "xl/worksheets/sheet1.xml",
                 lambda part: b'<!DOCTYPE x [<!ENTITY a "b">]>' + part), "not a workbook"),
    "zip_bomb": ("t.xlsx", edited(PLAIN, "xl/media/x.bin", lambda _: b"\x00" * 30_000_000), "more rows or columns"),
    "empty_workbook": ("t.xlsx", book(rows()), "nothing on it"),
    "merged_heading": ("t.xlsx", None, "merged cells at A1:B1"),
    "far_column": ("t.xlsx", book(lambda s: (s.append(["trial"]), s.cell(2, 9000, 1))), "more rows or columns"),
}  # fmt: skip


def zipped(**parts):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, text in parts.items():
            archive.writestr(name.replace("_dot_", "."), text)
    return out.getvalue()


def merged(sheet):
    sheet.append(["trial", None, "pH"])
    sheet.append(["T01", 1, 5])
    sheet.merge_cells("A1:B1")


BAD["zip_of_something_else"] = ("t.xlsx", zipped(letter_dot_txt="hello"), "not a workbook")
BAD["open_document"] = ("t.ods", zipped(mimetype="x", content_dot_xml="<a/>"), "OpenDocument")
BAD["merged_heading"] = ("t.xlsx", book(merged), "merged cells at A1:B1")


@pytest.mark.parametrize("case", BAD)
def test_named_bad_files_are_refused_in_words(case):
    name, content, words = BAD[case]
    with pytest.raises(ResultsError) as caught:
        tables_from_bytes(content, name)
    problem = caught.value.problems[0]
    assert words in str(problem)
    assert problem.level == "stop"
    assert problem.do


def test_a_table_of_a_million_rows_is_refused_early():
    with pytest.raises(ResultsError, match="at most 20000 rows"):
        one("trial,pH\n" + "T01,5\n" * 1_000_000)


def test_missing_file_and_folder(tmp_path):
    with pytest.raises(ResultsError, match="a folder"):
        read_tables(tmp_path)
    with pytest.raises(ResultsError, match="no such file"):
        read_tables(tmp_path / "gone.csv")


def test_an_original_is_not_touched(tmp_path):
    path = tmp_path / "back.xlsx"
    path.write_bytes(PLAIN)
    read_tables(path)
    assert path.read_bytes() == PLAIN


def test_formulas_are_not_run_and_stored_results_are_read():
    made = book(rows(["trial", "pH"], ["T01", "=5+1"]))
    (table,) = tables_from_bytes(made, "back.xlsx")
    assert table.rows[0][1] == Uncalculated("=5+1")
    stored = edited(made, "xl/worksheets/sheet1.xml", lambda part: re.sub(rb"<v ?/>|<v></v>", b"<v>6</v>", part))
    assert tables_from_bytes(stored, "back.xlsx")[0].rows[0][1] == 6


def test_hidden_rows_are_read_and_said():
    def fill(sheet):
        rows(["trial", "pH"], ["T01", 5], ["T02", 6])(sheet)
        sheet.row_dimensions[3].hidden = True

    (table,) = tables_from_bytes(book(fill), "back.xlsx")
    assert len(table.rows) == 2
    assert "hidden rows 3" in table.findings[0].got


def test_a_stray_format_far_below_costs_nothing():
    def fill(sheet):
        rows(["trial", "pH"], ["T01", 5])(sheet)
        sheet.cell(900_000, 3).number_format = "0.00"

    assert len(tables_from_bytes(book(fill), "back.xlsx")[0].rows) == 1


@pytest.mark.parametrize(
    "text",
    ["=1+1", "+1", "-x", "@sum", "\tx", "'=a", "'", "''x", "plain", "", "＝1+1", "a;=1+1", "a\t@sum", "a\n-1", "a;'=b",
     ";=", "|+x"],
)  # fmt: skip
def test_guarding_is_exact_and_keeps_formulas_out(text):
    # Also where a program parts cells at ; or a tab: a cell with either is one cell to us and several to it.
    assert unguarded(guarded(text)) == text
    assert not guarded(text).startswith("\t")
    for cell in re.split("[;\t\n|]", guarded(text)):
        assert not cell.startswith(("=", "+", "-", "@", "＝"))


@given(
    st.lists(
        st.lists(st.text(alphabet=st.characters(codec="utf-8", exclude_characters="\x00")), min_size=2, max_size=2)
    )
)
def test_csv_written_comes_back_exactly(table):
    text = csv_text(("a", "b"), table)
    back = [[unguarded(cell) for cell in row] for row in csv.reader(io.StringIO(text, newline=""), strict=True)]
    assert back == [["a", "b"], *table]


def test_no_text_is_written_that_could_not_be_read_back():
    assert csv_text(("note",), [("x" * 50_000,)])
    with pytest.raises(ResultsError, match="a text of 50001 signs"):
        csv_text(("note",), [("x" * 50_001,)])


def test_csv_keeps_numbers_to_the_last_digit():
    text = csv_text(("x", "y"), [(0.1 + 0.2, 5.0), (-3.25, None), (7, "-7")])
    assert text == "x,y\r\n0.30000000000000004,5\r\n-3.25,\r\n7,'-7\r\n"
