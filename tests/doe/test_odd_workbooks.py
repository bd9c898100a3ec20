"""Workbooks and tables as they really come back: each is read rightly or refused in words, and never changed.

Every case is a named file written to disk, read, and compared with its digest afterwards. Data invented.
"""

import datetime
import hashlib
import io
import re
import zipfile
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from openpyxl.comments import Comment
from openpyxl.styles import Font

from doe import Study
from doe.problems import ResultsError
from doe.results.results import take_in
from doe.tables.tables import read_tables

STUDY = Study.from_dict(
    {
        "study": {"name": "Invented balm"},
        "ingredient": [
            {"name": "Water", "qs": True},
            {"name": "Gum", "low": 0.3, "high": 0.8},
            {"name": "Wax", "low": 2, "high": 6},
        ],
        "response": [
            {"name": "Viscosity", "unit": "mPa.s", "method": "spindle 5", "reads": [2000, 200000], "scale": "log"},
            {"name": "pH", "method": "meter"},
        ],
    }
)


class PLAN:
    round, digest, study_digests = 1, "d" * 64, STUDY.digests
    table = pd.DataFrame([[95.6, 0.4, 4.0], [93.3, 0.7, 6.0]], index=["T01", "T02"], columns=["Water", "Gum", "Wax"])
    runs = pd.DataFrame({"order": [1, 2]}, index=["T01", "T02"])


HEAD = ["trial", "Viscosity", "pH"]


def book(*rows, change=None, title="Trials", start=(1, 1)):
    made = openpyxl.Workbook()
    sheet = made.active
    sheet.title = title
    for down, row in enumerate(rows):
        for right, value in enumerate(row):
            sheet.cell(start[0] + down, start[1] + right).value = value
    if change is not None:
        change(made, sheet)
    out = io.BytesIO()
    made.save(out)
    return out.getvalue()


def good(change=None):
    """A right table, with one thing done to it."""
    return book(HEAD, ["T01", 12000, 5.1], ["T02", 30000, 5.5], change=change)


def cell(spot, value):
    return good(lambda made, sheet: sheet.__setitem__(spot, value))


def shaped(spot, value, form):
    def change(made, sheet):
        sheet[spot] = value
        sheet[spot].number_format = form

    return good(change)


def parts(change):
    """The right table with its archive changed: `change` is given the parts by name."""
    with zipfile.ZipFile(io.BytesIO(good())) as old:
        found = {name: old.read(name) for name in old.namelist()}
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for name, content in (change(found) or found).items():
            new.writestr(name, content)
    return out.getvalue()


def part(name, old, new):
    """One part of the archive with some text replaced, which has to be there."""

    def change(found):
        assert re.search(old, found[name]), name
        return found | {name: re.sub(old, new, found[name])}

    return parts(change)


SHEET = "xl/worksheets/sheet1.xml"


def second_sheet(*rows, state="visible", title="More"):
    def change(made, sheet):
        other = made.create_sheet(title)
        for row in rows:
            other.append(row)
        other.sheet_state = state

    return good(change)


def comment(made, sheet):
    sheet["B2"].comment = Comment("foamy", "JK")


def strike(made, sheet):
    sheet["B2"].font = Font(strike=True)


def hide_column(made, sheet):
    sheet.column_dimensions["C"].hidden = True


def hide_row(made, sheet):
    sheet.row_dimensions[3].hidden = True


# Name -> (file name, content, what the refusal must say).
REFUSED = {
    "utf-32": ("a.csv", "\ufefftrial,Viscosity,pH\nT01,12000,5\n".encode("utf-32"), "not text"),
    "headings alike but for an unseen sign": ("a.csv", "trial,pH,p\u200bH\nT01,5,5\n".encode(), "stands twice"),
    "a heading in another script": ("a.csv", "trial,Viscosity,рH\nT01,12000,5\n".encode(), "is 'pH' meant?"),
    "quotes left open": ("a.csv", b'trial,Viscosity,pH\n"T01,12000,5\n', "with quotes closed"),
    "shifted one to the right": ("a.xlsx", book(HEAD, [None, "T01", 12000, 5.1]), "column without a name"),
    "shifted one to the left": ("a.xlsx", book(HEAD, [12000, 5.1, None]), "trial 12000 was not planned"),
    "title above the headings": ("a.xlsx", book(["Results"], HEAD, ["T01", 12000, 5.1]), "column without a name"),
    "merged title": ("a.xlsx", book(["May"], HEAD, ["T01", 1, 1], change=lambda m, s: s.merge_cells("A1:C1")),
                     "merged cells at A1:C1"),
    "merged values": ("a.xlsx", good(lambda m, s: s.merge_cells("B2:B3")), "merged cells at B2:B3"),
    "formula never worked out": ("a.xlsx", cell("B2", "=12000+1"), "formula without a stored result"),
    "formula of an error": ("a.xlsx", cell("B2", "#DIV/0!"), "error of the spreadsheet"),
    "value missing": ("a.xlsx", cell("B2", "#N/A"), "error of the spreadsheet"),
    "true for a number": ("a.xlsx", cell("B2", True), "TRUE"),
    "date for a number": ("a.xlsx", cell("B2", datetime.datetime(2031, 5, 14)), "date or time"),
    "number formatted as a date": ("a.xlsx", shaped("C2", 5.1, "dd.mm.yyyy"), "date or time"),
    "time for a number": ("a.xlsx", cell("C2", datetime.time(5, 10)), "date or time"),
    "duration for a number": ("a.xlsx", shaped("C2", 5.1, "[h]:mm"), "date or time"),
    "percent for a reading": ("a.xlsx", shaped("B2", 0.12, "0.0%"), "12.0 %"),
    "fraction": ("a.xlsx", cell("C2", "5 1/2"), "one number"),
    "letter O for nought": ("a.xlsx", cell("B2", "12OOO"), "12OOO"),
    "letter l for one": ("a.xlsx", cell("B2", "l2000"), "a number"),
    "two numbers on two lines": ("a.xlsx", cell("B2", "12000\n13000"), "one number in a cell"),
    "two numbers with a comma": ("a.xlsx", cell("B2", "12000, 13000"), "one number in a cell"),
    "plus or minus": ("a.xlsx", cell("B2", "12000 +/- 300"), "one number in a cell"),
    "currency": ("a.xlsx", cell("B2", "€ 12"), "a number"),
    "brackets for less than nothing": ("a.xlsx", cell("C2", "(5.1)"), "a number"),
    "approximately": ("a.xlsx", cell("B2", "~12000"), "a number"),
    "a question mark": ("a.xlsx", cell("B2", "12000?"), "12000?"),
    "emoji": ("a.xlsx", cell("B2", "👍"), "a number"),
    "arabic digits": ("a.xlsx", cell("C2", "٥"), "a number"),
    "thousands or decimals": ("a.xlsx", cell("B2", "12.345"), "12345 or 12.345"),
    "thousands or decimals, comma": ("a.xlsx", cell("B2", "12,345"), "12345 or 12.345"),
    "both decimal marks": ("a.xlsx", good(lambda m, s: (s.__setitem__("C2", "5,25"), s.__setitem__("C3", "5.5"))),
                           "as many are written the other way"),
    "another unit": ("a.xlsx", cell("B2", "12 g"), "give it in mPa.s"),
    "unit in the heading is another": ("a.xlsx", cell("B1", "Viscosity [Pa.s]"), "Viscosity in mPa.s"),
    "heading misspelt": ("a.xlsx", cell("B1", "Viskosity"), "is 'Viscosity' meant?"),
    "heading twice": ("a.xlsx", cell("C1", "Viscosity"), "Viscosity stands twice"),
    "heading gone": ("a.xlsx", cell("B1", None), "column without a name"),
    "responses gone": ("a.xlsx", book(["trial", "note"], ["T01", "fine"]), "no column Viscosity, pH"),
    "trial twice": ("a.xlsx", book(HEAD, ["T01", 12000, 5.1], ["T01", 13000, 5.2]), "T01 stands on 2 rows"),
    "trial twice on two sheets": ("a.xlsx", second_sheet(HEAD, ["T01", 13000, 5.2]), "T01 stands on 2 rows"),
    "trial not planned": ("a.xlsx", cell("A2", "T09"), "T09 was not planned"),
    "trial as a number": ("a.xlsx", cell("A2", 1), "trial 1 was not planned"),
    "trials spelt otherwise, with levels": (
        "a.csv", b"trial,Water,Gum,Wax,Viscosity,pH\nt1,95.6,0.4,4,12000,5\n", "is 'T01' meant?"),
    "trial blank": ("a.xlsx", cell("A2", None), "row without a trial"),
    "row of means": ("a.xlsx", good(lambda m, s: s.append(["mean", 21000, 5.3])), "trial mean was not planned"),
    "headings again below": ("a.xlsx", good(lambda m, s: s.append(HEAD)), "trial trial was not planned"),
    "legend below": ("a.xlsx", good(lambda m, s: s.append([None, "grey: not sure"])), "row without a trial"),
    "two tables side by side": ("a.xlsx", book([*HEAD, None, *HEAD], ["T01", 12000, 5.1, None, "T02", 30000, 5.5]),
                                "stands twice"),
    "rows and columns turned": ("a.xlsx", book(["trial", "T01"], ["Viscosity", 12000], ["pH", 5.1]), "T01"),
    "headings only": ("a.xlsx", book(HEAD), "a header without rows"),
    "nothing at all": ("a.xlsx", book(), "nothing on it"),
    "only hidden sheets": ("a.xlsx", good(lambda m, s: (m.create_sheet("x"), setattr(s, "sheet_state", "hidden"))),
                           "nothing on it"),
    "far cell": ("a.xlsx", cell("ZZZ2", 1), "more rows or columns"),
    "many rows, under a false dimension": ("a.xlsx", part(SHEET, b"</sheetData>", b"".join(
        b'<row r="%d"><c r="A%d"><v>1</v></c></row>' % (n, n) for n in range(4, 40_000)) + b"</sheetData>"),
        "at most 20000"),
    "number beyond all bounds": ("a.xlsx", part(SHEET, b"<v>12000</v>", b"<v>1e999</v>"), "ordinary size"),
    "number that is none": ("a.xlsx", part(SHEET, b"<v>12000</v>", b"<v>many</v>"), "cannot be read"),
    "shared text missing": ("a.xlsx", part(SHEET, b't="inlineStr"><is><t>T01</t></is>', b't="s"><v>7</v>'),
                            "cannot be read"),
    "sheet missing": ("a.xlsx", parts(lambda p: {k: v for k, v in p.items() if k != SHEET}), "workbook"),
    "types missing": ("a.xlsx", parts(lambda p: {k: v for k, v in p.items() if k != "[Content_Types].xml"}),
                      "not a workbook"),
    "broken xml": ("a.xlsx", part(SHEET, b"</sheetData>", b""), "cannot be read"),
    "entity": ("a.xlsx", part(SHEET, b"^", b'<!DOCTYPE a [<!ENTITY b "c">]>'), "not a workbook"),
    "macros": ("a.xlsm", parts(lambda p: p | {"xl/vbaProject.bin": b"x"}), "macros"),
    "macros under another name": ("a.xlsx", part("[Content_Types].xml", b"spreadsheetml.sheet.main",
                                  b"sheet.macroEnabled.main"), "macros"),
    "binary workbook": ("a.xlsb", parts(lambda p: {"[Content_Types].xml": b"<a/>", "xl/workbook.bin": b"x"}),
                        "not a workbook"),
    "letter in a zip": ("a.xlsx", parts(lambda p: {"[Content_Types].xml": b"<a/>", "word/document.xml": b"<a/>"}),
                        "not a workbook"),
    "zip bomb": ("a.xlsx", parts(lambda p: p | {"xl/media/a.bin": bytes(60_000_000)}), "more rows or columns"),
    "half a file": ("a.xlsx", good()[:-400], "not a workbook"),
    "encrypted or old": ("a.xls", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600), "encrypted workbook or one of"),
    "open document": ("a.ods", parts(lambda p: {"mimetype": b"x", "content.xml": b"<a/>"}), "OpenDocument"),
    "web page called xls": ("a.xls", b"<html><table><tr><td>trial</td></tr></table></html>", "a web page"),
    "pdf": ("a.csv", b"%PDF-1.7\n%\xe2\xe3", "a PDF"),
    "rtf": ("a.csv", rb"{\rtf1\ansi trial}", "a text document"),
    "json": ("a.csv", b'[{"trial": "T01"}]', "JSON"),
    "csv called xlsx": ("a.xlsx", b"trial,Viscosity,pH\nT01,12000,5\n", "not a workbook"),
    "tab in a quoted cell left open": ("a.csv", b'trial,Viscosity,pH\nT01,"12000,5\n', "quotes closed"),
    "semicolons and commas": ("a.csv", b"trial;Viscosity,pH\nT01;12000,5\n", "'trial;Viscosity' is no name"),
    "decimal commas between commas": ("a.csv", b"trial,Viscosity,pH\nT01,12000,5,1\n", "decimal commas need ;"),
    "nought bytes": ("a.csv", b"trial,Viscosity,pH\nT01,\x0012000,5\n", "not text"),
    "state no one knows": ("a.csv", b"trial,state,why,Viscosity,pH\nT01,exploded,bang,12000,5\n", "unmakeable"),
    "set aside without a reason": ("a.csv", b"trial,state,Viscosity,pH\nT01,set aside,12000,5\n", "without a reason"),
    "day that could be two": ("a.csv", b"trial,made_at,Viscosity,pH\nT01,5/6/2031,12000,5\n", "two days"),
    "day in words": ("a.csv", b"trial,made_at,Viscosity,pH\nT01,last Tuesday,12000,5\n", "2031-05-14"),
    "time without a day": ("a.csv", b"trial,read_at,Viscosity,pH\nT01,10:30,12000,5\n", "2031-05-14"),
    "weight in words": ("a.csv", b"trial,after_heat_g,Viscosity,pH\nT01,most,12000,5\n", "a number"),
    "two lots of one batch": (
        "a.csv", b"trial,batch,reading,lot: Gum,Viscosity,pH\nT01,1,1,L1,12000,\nT01,1,2,L2,12000,\n",
        "lot of Gum L2, and L1"),
    "response twice in a long table": ("a.csv", b"trial,response,value\nT01,pH,5\nT01,pH,6\n", "tell them apart (pH)"),
    "between the wrong way round": ("a.csv", b"trial,Viscosity,pH\nT01,20000 to 12000,5\n", "the lower number first"),
    "bound without a number": ("a.csv", b"trial,Viscosity,pH\nT01,<,5\n", "a number"),
}  # fmt: skip


@pytest.fixture
def on_disk(tmp_path):
    """Write a file, and hold afterwards that it is what it was."""
    written = []

    def write(name, content):
        path = tmp_path / name
        path.write_bytes(content)
        written.append((path, hashlib.sha256(content).hexdigest()))
        return path

    yield write
    for path, digest in written:
        assert hashlib.sha256(path.read_bytes()).hexdigest() == digest


@pytest.mark.parametrize("case", REFUSED)
def test_refused_in_words(case, on_disk):
    name, content, words = REFUSED[case]
    path = on_disk(name, content)
    with pytest.raises(ResultsError) as caught:
        take_in(STUDY, read_tables(path), design=PLAN)
    assert words in "\n".join(map(str, caught.value.problems))
    assert all(problem.level == "stop" and problem.where and problem.do for problem in caught.value.problems)


RIGHT = (12000, "none")
# Name -> (file name, content, Viscosity of T01 as value and bound, a finding that must be there or "").
READ = {
    "as it should be": ("a.xlsx", good(), RIGHT, ""),
    "sheet renamed": ("a.xlsx", good(lambda m, s: setattr(s, "title", "Tabelle1")), RIGHT, ""),
    "table in the middle of a sheet": ("a.xlsx", book(HEAD, ["T01", 12000, 5.1], start=(5, 3)), RIGHT, ""),
    "empty rows between": ("a.xlsx", book(HEAD, [], ["T01", 12000, 5.1], [], ["T02", 9000, 5]), RIGHT, ""),
    "rows in another order": ("a.xlsx", book(HEAD, ["T02", 9000, 5], ["T01", 12000, 5.1]), RIGHT, ""),
    "columns in another order": ("a.xlsx", book(["pH", "trial", "Viscosity"], [5.1, "T01", 12000]), RIGHT, ""),
    "number kept as text": ("a.xlsx", cell("B2", "12000"), RIGHT, ""),
    "number with spaces": ("a.xlsx", cell("B2", " 12\u202f000 "), RIGHT, ""),
    "unit in the cell": ("a.xlsx", cell("B2", "12000 mPa·s"), RIGHT, ""),
    "other unit of the same": ("a.xlsx", cell("B2", "12 Pa.s"), RIGHT, "12 Pa.s read as 12000"),
    "wide digits": ("a.xlsx", cell("B2", "<2000"), (2000, "below"), ""),
    "over range": ("a.xlsx", cell("B2", "over range"), (200000, "above"), ""),
    "beyond what is read": ("a.xlsx", cell("B2", 250000), (200000, "above"), "250000 is above"),
    "none seen": ("a.xlsx", cell("B2", "none seen"), (2000, "below"), ""),
    "between": ("a.xlsx", cell("B2", "11000–13000"), (11000, "between"), ""),
    "trial with spaces": ("a.xlsx", cell("A2", "  T01\u00a0"), RIGHT, ""),
    "heading in capitals": ("a.xlsx", cell("B1", "VISCOSITY  [mPa s]"), RIGHT, ""),
    "heading on two lines": ("a.xlsx", cell("B1", "Viscosity\n(cP)"), RIGHT, ""),
    "hidden row": ("a.xlsx", good(hide_row), RIGHT, "hidden rows 3"),
    "hidden column": ("a.xlsx", good(hide_column), RIGHT, "hidden columns C"),
    "hidden sheet": ("a.xlsx", second_sheet(HEAD, ["T01", 1, 1], state="hidden"), RIGHT, "hidden sheets More"),
    "very hidden sheet": ("a.xlsx", second_sheet(["x"], ["y"], state="veryHidden"), RIGHT, "hidden sheets More"),
    "struck out": ("a.xlsx", good(strike), RIGHT, "struck out: B2"),
    "comment on a cell": ("a.xlsx", good(comment), RIGHT, "B2 'foamy'"),
    "sheet of something else": ("a.xlsx", second_sheet(["shopping"], ["milk"]), RIGHT, "no column of this study"),
    "empty column with a format": ("a.xlsx", shaped("F40000", None, "0.00"), RIGHT, ""),
    "a later day system": ("a.xlsx", good(lambda m, s: setattr(m, "epoch", datetime.datetime(1904, 1, 1))),
                           RIGHT, ""),
    "formula with its result": ("a.xlsx", part(SHEET, b"<v>12000</v>", b"<f>10000+2000</f><v>12000</v>"),
                                RIGHT, "formulas, as last stored in the file: B2 =10000+2000 taken as 12000"),
    "link to another file": ("a.xlsx", part(SHEET, b"<v>12000</v>", b"<f>[1]Sheet1!A1</f><v>12000</v>"),
                             RIGHT, "B2 =[1]Sheet1!A1 taken as 12000"),
    "text that looks like a formula": ("a.csv", b"trial,Viscosity,pH,note\nT01,12000,5,=1+1\n", RIGHT, ""),
    "byte order mark": ("a.csv", b"\xef\xbb\xbftrial,Viscosity,pH\nT01,12000,5\n", RIGHT, ""),
    "utf-16 from a spreadsheet": ("a.txt", "trial\tViscosity\tpH\nT01\t12000\t5\n".encode("utf-16"), RIGHT, ""),
    "line ends of three kinds": ("a.csv", b"trial,Viscosity,pH\r\nT01,12000,5\nT02,13000,5.2\r", RIGHT, ""),
    "two byte order marks": ("a.csv", b"\xef\xbb\xbf\xef\xbb\xbftrial,Viscosity,pH\nT01,12000,5\n", RIGHT, ""),
    "utf-16 without a mark": ("a.csv", "trial,Viscosity,pH\nT01,12000,5\n".encode("utf-16-be"), RIGHT, ""),
    "a line that says the delimiter": ("a.csv", b"sep=;\r\ntrial;Viscosity;pH\r\nT01;12000;5,1\r\n", RIGHT, "5,1 read"),
    "old line ends": ("a.csv", b"trial,Viscosity,pH\rT01,12000,5\r", RIGHT, ""),
    "semicolons and decimal commas": ("a.csv", b"trial;Viscosity;pH\nT01;12000,0;5,25\n", RIGHT, "12000,0 read"),
    "trials of its own": (
        "a.csv", b"trial,Gum,Wax,Viscosity,pH\nT01,0.4,4,12000,5\n", RIGHT, ""),
    "accents from windows": ("a.csv", "trial,Viscosity,pH,note\nT01,12000,5,früh\n".encode("cp1252"), RIGHT,
                             "Windows-1252"),
}  # fmt: skip


@pytest.mark.parametrize("case", READ)
def test_read_rightly_and_said(case, on_disk):
    name, content, wanted, words = READ[case]
    results = take_in(STUDY, read_tables(on_disk(name, content)), design=PLAN)
    seen = results.observed("Viscosity").loc["T01-1"]
    assert (seen["value"], seen["bound"]) == wanted
    assert words in "\n".join(map(str, results.findings))


def test_levels_that_are_seen_as_percent_are_read_as_seen(on_disk):
    # A cell that shows 0.5 % holds 0.005: the level is 0.5 % w/w, not 0.005.
    def change(made, sheet):
        sheet["D1"], sheet["D2"] = "Gum", 0.005
        sheet["D2"].number_format = "0.0%"

    results = take_in(STUDY, read_tables(on_disk("a.xlsx", good(change))), design=PLAN)
    assert results.levels()["Gum"]["T01-1"] == 0.5


def test_there_are_a_hundred_of_them():
    files = list((Path(__file__).parent / "bad_tables").iterdir())
    assert len(REFUSED) + len(files) >= 100
