"""Files made to cost much: refused by limits, in words, in little time and memory."""

import contextlib
import io
import zipfile

import pytest
from fuzzed import _book, _ods
from fuzzing import SPLIT, within_limits, zipped
from small_study import SMALL

from doe import Study
from doe.problems import StudyError
from doe.tables.opendocument import MIMETYPE
from doe.tables.tables import MAX_BYTES, file_bytes, tables_from_bytes

SHEET = "xl/worksheets/sheet1.xml"
HEAD = b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>'
FOOT = b"</sheetData></worksheet>"
CELL = b'<row r="1"><c r="A1"><v>1</v></c><c r="B1"><v>1</v></c></row>'
ENTITIES = b"".join(b'<!ENTITY %c "%s">' % (98 + n, b"&%c;" % (97 + n) * 10) for n in range(8))
BOMB = b"<!DOCTYPE l [<!ENTITY a 'aaaaaaaaaa'>" + ENTITIES + b"]>"
with zipfile.ZipFile(io.BytesIO(_book(odd=False))) as _archive:
    PARTS = {name: _archive.read(name) for name in _archive.namelist()}
ODS = _ods(odd=False).split(SPLIT)[3]


def book(xml=None, **more):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, part in {**PARTS, **({SHEET: xml} if xml else {}), **more}.items():
            archive.writestr(name, part)
    return out.getvalue()


def ods(old, new):
    assert old in ODS
    return zipped(SPLIT.join([b"mimetype", MIMETYPE, b"content.xml", ODS.replace(old, new, 1)]))


CELLED = b"<table:table-cell "
FILES = {
    "spaces for ever": lambda: book(HEAD + b" " * 50_000_000 + FOOT),
    "a million rows": lambda: book(HEAD + b"<row/>" * 1_600_000 + FOOT),
    "a hundred thousand filled rows": lambda: book(
        HEAD + b"".join(b'<row r="%d"><c r="A%d"><v>1</v></c></row>' % (n, n) for n in range(1, 30_000)) + FOOT
    ),
    "many zeros": lambda: book(**{f"xl/media/{n}.bin": b"\0" * 15_000_000 for n in range(4)}),
    "entities": lambda: book(BOMB + HEAD + b'<row r="1"><c r="A1" t="inlineStr"><is><t>&i;</t></is></c></row>' + FOOT),
    "entities after a long comment": lambda: book(b"<!--" + b"x" * 5000 + b"-->" + BOMB + HEAD + CELL + FOOT),
    "entities in UTF-16": lambda: book((BOMB + HEAD + CELL + FOOT).decode().encode("utf-16")),
    "nested deep": lambda: book(HEAD + b"<a>" * 200_000 + b"</a>" * 200_000 + FOOT),
    "all cells merged": lambda: book(
        HEAD + CELL + b'</sheetData><mergeCells><mergeCell ref="A1:XFD1048576"/></mergeCells></worksheet>'
    ),
    "a sheet of repeated rows": lambda: ods(
        b"<table:table-row>", b'<table:table-row table:number-rows-repeated="1000000000">'
    ),
    "a row of repeated cells": lambda: ods(CELLED, CELLED + b'table:number-columns-repeated="1000000000" '),
    "entities, OpenDocument": lambda: ods(b"<office:document-content", BOMB + b"<office:document-content"),
    "nested deep, OpenDocument": lambda: ods(b"<text:p>", b"<text:p>" + b"<text:span>" * 50_000),
    "one line": lambda: b"a," * 9_000_000,
    "one cell": lambda: b"trial,note\nT01," + b"x" * 9_000_000,
}


@pytest.mark.parametrize("name", FILES)
def test_tables(name):
    content = FILES[name]()
    suffix = "ods" if b"opendocument" in content[:120] else "xlsx" if content.startswith(b"PK") else "csv"
    with pytest.raises(StudyError) as caught:
        within_limits(lambda given: tables_from_bytes(given, f"t.{suffix}"), content)
    assert all(problem.do for problem in caught.value.problems)


@pytest.mark.parametrize("way", ["spanned rows", "spaces"])
def test_what_an_open_document_says_of_its_size_is_not_believed(way):
    content = {
        "spanned rows": lambda: ods(CELLED, CELLED + b'table:number-rows-spanned="1000000000" '),
        "spaces": lambda: ods(b"<text:p>", b'<text:p><text:s text:c="1000000000"/>'),
    }[way]()
    with contextlib.suppress(StudyError):
        within_limits(lambda given: tables_from_bytes(given, "t.ods"), content)


DEFINITIONS = {
    "brackets": SMALL + "\n[plan.x]\ny = " + "[" * 100_000 + "]" * 100_000,
    "sections in sections": SMALL + "\n[a" + ".b" * 20_000 + "]\nx = 1",
    "ingredients": SMALL + "".join(f'\n[[ingredient]]\nname = "i{n}"\nlow = 0\nhigh = 0.001' for n in range(5000)),
    "digits": SMALL.replace("seed = 5", "seed = " + "9" * 100_000),
    "trials": SMALL.replace("runs = 9", "runs = 999999999"),
}


@pytest.mark.parametrize("name", DEFINITIONS)
def test_definitions(name):
    with pytest.raises(StudyError) as caught:
        within_limits(Study.from_toml, DEFINITIONS[name])
    assert caught.value.problems[0].got


def test_a_device_or_a_giant_is_not_read(tmp_path):
    with pytest.raises(StudyError, match="a device or a pipe"):
        file_bytes("/dev/zero")
    giant = tmp_path / "giant.csv"
    with giant.open("wb") as file:
        file.truncate(MAX_BYTES + 1)
    with pytest.raises(StudyError, match="at most 20 MB"):
        file_bytes(giant)
