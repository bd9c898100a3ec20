"""OpenDocument spreadsheets, written out by hand as ODF 1.2 describes them: read rightly, or refused in words."""

import datetime
import io
import zipfile

import pytest

from doe.definition.cells import Uncalculated
from doe.problems import ResultsError
from doe.tables.opendocument import MIMETYPE
from doe.tables.tables import tables_from_bytes

HEAD = (
    '<office:document-content xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0" '
    'xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0" '
    'xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0" '
    'xmlns:style="urn:oasis:names:tc:opendocument:xmlns:style:1.0" '
    'xmlns:calcext="urn:org:documentfoundation:names:experimental:calc:xmlns:calcext:1.0">'
    "<office:automatic-styles>"
    '<style:style style:name="gone"><style:table-properties table:display="false"/></style:style>'
    '<style:style style:name="struck"><style:text-properties style:text-line-through-style="solid"/></style:style>'
    "</office:automatic-styles><office:body><office:spreadsheet>"
)
FOOT = "</office:spreadsheet></office:body></office:document-content>"


def text(words, more=""):
    return f'<table:table-cell office:value-type="string" {more}><text:p>{words}</text:p></table:table-cell>'


def number(value, kind="float", more=""):
    return (
        f'<table:table-cell office:value-type="{kind}" office:value="{value}" {more}>'
        "<text:p>as shown</text:p></table:table-cell>"
    )


def row(*cells, more=""):
    return f"<table:table-row {more}>{''.join(cells)}</table:table-row>"


def sheet(*rows, name="Trials", more=""):
    return f'<table:table table:name="{name}" {more}>{"".join(rows)}</table:table>'


def book(*sheets, parts=(), body=None):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("mimetype", MIMETYPE, zipfile.ZIP_STORED)
        archive.writestr("content.xml", HEAD + "".join(sheets) + FOOT if body is None else body)
        for part in parts:
            archive.writestr(part, "x")
    return out.getvalue()


TITLES = row(text("trial"), text("pH"))


def one(*cells):
    """The second cell of the only row under the titles."""
    (table,) = tables_from_bytes(book(sheet(TITLES, row(text("T01"), *cells))), "a.ods")
    return table.rows[0][1]


@pytest.mark.parametrize(
    "cell, value",
    [
        (number("5.123456789012345"), 5.123456789012345),
        (number("0.005", "percentage"), "0.5 %"),
        (number("5.1", "currency"), 5.1),
        ('<table:table-cell office:value-type="date" office:date-value="2031-05-14T10:30:00"/>',
         datetime.datetime(2031, 5, 14, 10, 30)),
        ('<table:table-cell office:value-type="time" office:time-value="PT10H30M00S"/>',
         datetime.timedelta(hours=10, minutes=30)),
        ('<table:table-cell office:value-type="boolean" office:boolean-value="true"/>', True),
        ('<table:table-cell table:formula="of:=1+1"/>', Uncalculated("of:=1+1")),
        (number("2", more='table:formula="of:=1+1"'), 2.0),
        (text("#DIV/0!", 'calcext:value-type="error"'), "#DIV/0!"),
        (text("Err:502", 'calcext:value-type="error"'), "#Err:502"),
        (text("&lt;5"), "<5"),
        (text("12<text:s text:c='1'/>000"), "12 000"),
        (text("=1+1"), "=1+1"),
    ],
)  # fmt: skip
def test_cells(cell, value):
    assert one(cell) == value


def test_repeated_cells_and_rows():
    many = text("T01", 'table:number-columns-repeated="2"')
    empty = '<table:table-cell table:number-columns-repeated="16000"/>'
    content = book(sheet(TITLES, row(empty, more='table:number-rows-repeated="9"'), row(many, empty),
                         row(empty, more='table:number-rows-repeated="1000000"')))  # fmt: skip
    (table,) = tables_from_bytes(content, "a.ods")
    assert table.rows == (("T01", "T01"),)
    assert table.where(0, 1) == "a.ods, sheet Trials, cell B11, pH"


def test_what_only_an_eye_sees_is_said():
    noted = text("5", 'table:style-name="struck"').replace(
        "<text:p>", "<office:annotation><text:p>foamy</text:p></office:annotation><text:p>"
    )
    hidden = sheet(TITLES, row(text("T09"), number(1)), name="Old", more='table:style-name="gone"')
    shown = sheet(TITLES, row(text("T01"), noted, more='table:visibility="collapse"'))
    (table,) = tables_from_bytes(book(shown, hidden), "a.ods")
    assert table.rows == (("T01", "5"),)
    said = "\n".join(map(str, table.findings))
    for words in ("hidden sheets Old", "hidden rows 2", "struck out: B2", "B2 'foamy'"):
        assert words in said


@pytest.mark.parametrize(
    "content, words",
    [
        (book(sheet(TITLES, row(text("T01", 'table:number-columns-spanned="2"')))), "merged cells at A2:B2"),
        (book(sheet(TITLES, row(text("x"), more='table:number-rows-repeated="30000"'))), "at most 20000 rows"),
        (book(sheet(row(text("x", 'table:number-columns-repeated="900"')))), "500 columns"),
        (book(sheet(TITLES)), "a header without rows"),
        (book(sheet()), "nothing on it"),
        (book(sheet(TITLES), parts=["Basic/Standard/Module1.xml"]), "macros"),
        (book(body="<!DOCTYPE a [<!ENTITY b 'c'>]>" + HEAD + FOOT), "cannot be read"),
        (book(body="<office"), "cannot be read"),
        (book(body="x" * 60_000_000), "more rows or columns"),
    ],
)
def test_refused_in_words(content, words):
    with pytest.raises(ResultsError, match=words) as caught:
        tables_from_bytes(content, "a.ods")
    assert all(problem.do for problem in caught.value.problems)
