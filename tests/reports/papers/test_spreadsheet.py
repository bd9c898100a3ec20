"""Our workbooks keep to what the format and its programs hold, so that none of them offers to repair the file.

Limits: ECMA-376 part 1 (dataValidation: titles 32, messages 255 signs; sheet names 31) and the published limits of
spreadsheet programs (cell text 32 767, formula 8 192, list 255 signs), from memory. Data invented.
"""

import io
import re
import zipfile
from types import SimpleNamespace
from xml.etree import ElementTree

import openpyxl
import pandas as pd
import pytest

from doe import Study
from reports.papers.form_book import form_book
from reports.papers.spreadsheet import MOST_LIST, put
from reports.papers.workbook import bench_book

LONG = 'a very long method, with commas and "quotes" & <signs>, ' * 7
NASTY = Study.from_dict(
    {
        "study": {"name": "&P of &N <x> " + "n" * 60},
        "ingredient": [
            {"name": "Water", "qs": True, "phase": "A & B"},
            {"name": 'Oil "soft"; 50 % <x> & more, ' + "o" * 40, "low": 1, "high": 5},
            {"name": "'Quoted'", "low": 0.3, "high": 0.8},
        ],
        "factor": [{"name": "Paddle, type", "levels": ["wide, long", "narrow"]}],
        "response": [
            {"name": "Look", "kind": "grade", "grades": [f"grade number {n:02d}" for n in range(24)], "method": LONG},
            {"name": "Viscosity & more", "unit": "mPa.s", "method": "m", "reads": [2000, float("inf")]},
            {"name": "Lid", "kind": "pass", "method": "opens"},
        ],
    }
)  # fmt: skip
TRIALS = [f"T{n:02d}" for n in range(1, 81)]
PLAN = SimpleNamespace(
    round=1,
    digest="a" * 64,
    study_digests=dict(NASTY.digests),
    make_first=(),
    table=pd.DataFrame([[96.5, 3.0, 0.5, "wide, long"]] * 80, index=TRIALS, columns=list(NASTY.columns)),
    runs=pd.DataFrame({"order": range(1, 81), "block": "day, one"}, index=TRIALS),
)
BOOKS = {"bench": bench_book(NASTY, PLAN), "form": form_book()}
MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
FUNCTIONS = {
    "IF",
    "AND",
    "OR",
    "NOT",
    "ISNUMBER",
    "ROUND",
    "SUM",
    "SUMIFS",
    "COUNTIFS",
    "SUMPRODUCT",
    "LEFT",
    "LOWER",
    "N",
}


@pytest.fixture(params=BOOKS)
def sheets(request):
    """The sheets of a book as XML, by file name."""
    with zipfile.ZipFile(io.BytesIO(BOOKS[request.param])) as archive:
        assert archive.testzip() is None
        assert len(set(archive.namelist())) == len(archive.namelist())
        parts = {
            name: ElementTree.fromstring(archive.read(name)) for name in archive.namelist() if name.endswith("xml")
        }
    return {name: root for name, root in parts.items() if name.startswith("xl/worksheets/")}


def test_checks_hold_no_more_than_the_format_does(sheets):
    seen = 0
    for root in sheets.values():
        for check in root.iter(MAIN + "dataValidation"):
            seen += 1
            for name, most in (("promptTitle", 32), ("errorTitle", 32), ("prompt", 255), ("error", 255)):
                assert len(check.get(name, "")) <= most
            for part in ("formula1", "formula2"):
                text = check.findtext(MAIN + part) or ""
                assert len(text) <= MOST_LIST
                if part == "formula1" and check.get("type") == "list":
                    assert re.fullmatch(r'"[^"]*(""[^"]*)*"|\'[^\']+\'!\$[A-Z]+\$\d+:\$[A-Z]+\$\d+', text), text
    assert seen


def test_no_two_checks_share_a_cell(sheets):
    for name, root in sheets.items():
        taken = set()
        for check in root.iter(MAIN + "dataValidation"):
            for area in check.get("sqref").split():
                for row in openpyxl.worksheet.cell_range.CellRange(area).rows:
                    assert not taken & set(row), (name, area)
                    taken |= set(row)


def test_numbers_are_numbers_and_texts_are_short_enough(sheets):
    for root in sheets.values():
        for cell in root.iter(MAIN + "c"):
            value = cell.findtext(MAIN + "v")
            if cell.get("t", "n") == "n" and value:
                assert abs(float(value)) < 1e15
            assert all(len(text) < 32_767 for text in cell.itertext())


def test_formulas_are_short_balanced_and_of_known_functions(sheets):
    for root in sheets.values():
        for cell in root.iter(MAIN + "f"):
            text = cell.text or ""
            assert len(text) < 8_192
            bare = re.sub(r'"[^"]*"', "", text)
            assert bare.count("(") == bare.count(")")
            assert set(re.findall(r"([A-Z]+)\(", bare)) <= FUNCTIONS


def test_feet_and_sheet_names(sheets):
    for root in sheets.values():
        for foot in root.iter(MAIN + "oddFooter"):
            assert len(foot.text or "") <= 255
    for content in BOOKS.values():
        for title in openpyxl.load_workbook(io.BytesIO(content)).sheetnames:
            assert len(title) <= 31
            assert not set(title) & set("[]:*?/\\'")


@pytest.mark.parametrize("text", ["=1+1", "+1", "-x", "@sum(a)", "\t=1", "plain", "a" * 40_000, "bell\x07", ""])
def test_text_put_into_a_cell_is_text(text):
    book = openpyxl.Workbook()
    put(book.active["A1"], text)
    out = io.BytesIO()
    book.save(out)
    back = openpyxl.load_workbook(io.BytesIO(out.getvalue())).active["A1"]
    assert back.data_type in ("s", "n", "inlineStr")
    assert len(str(back.value or "")) <= 32_767
