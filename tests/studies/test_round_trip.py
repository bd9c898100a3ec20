"""Plan, workbook, typed into, saved by a real spreadsheet program, recorded: exactly what was typed. Data invented.

The spreadsheet program (LibreOffice) recalculates every formula and writes the file anew, as a bench does; its own
arithmetic is the check of the sums and marks.
"""

import csv
import datetime
import io
import json
import shutil
import subprocess

import openpyxl
import pytest

from doe.bench import bench
from doe.form.reading import study_from_form
from doe.tables.tables import tables_from_bytes
from reports.papers.form_book import form_book
from studies.cli import main

pytestmark = pytest.mark.spreadsheet

STUDY = """
[study]
name = "=HYPERLINK(\\"x\\")"
batch_g = 400

[[balance]]
name = "bench"
step_g = 0.01
repeat_g = 0.01
max_g = 4000

[[ingredient]]
name = "Water"
qs = true
phase = "A"

[[ingredient]]
name = "=Gum"
low = 0.3
high = 0.8
phase = "A"

[[ingredient]]
name = "Wax, soft; \\"white\\""
low = 2
high = 6
phase = "B"

[[factor]]
name = "Stirring"
unit = "min"
low = 2
high = 8

[[factor]]
name = "Paddle"
levels = ["wide", "narrow"]

[[response]]
name = "Viscosity"
unit = "mPa.s"
method = "invented"
reads = [2000, 200000]
scale = "log"

[[response]]
name = "Settled"
unit = "mm"
method = "invented"

[[response]]
name = "Look"
kind = "grade"
grades = ["poor", "fair", "good"]
method = "by eye"

[[response]]
name = "Lid"
kind = "pass"
method = "opens"

[plan]
model = "linear"
runs = 8
seed = 3
"""

# What is typed into one cell, and what it is: value, bound, value_to, flag. A spreadsheet keeps 15 digits of a number.
VISCOSITIES = [
    (12345.6789012345, (12345.6789012345, "none", None, "")),
    ("<2000", (2000, "below", None, "")),
    (">200000", (200000, "above", None, "")),
    ("21400 cP", (21400, "none", None, "")),
    ("21.4 Pa.s", (21400, "none", None, "")),
    ("not measured", (None, "none", None, "not measured")),
    ("18000 to 19000", (18000, "between", 19000, "")),
    (2000, (2000, "none", None, "")),
]
SETTLED = [
    (0, (0, "none", None, "")),
    (0.123456789012345, (0.123456789012345, "none", None, "")),
    ("<0.5", (0.5, "below", None, "")),
    ("none seen", (0, "none", None, "")),
    (1e-7, (1e-7, "none", None, "")),
    (123456789.125, (123456789.125, "none", None, "")),
    ("\u22120.25", (-0.25, "none", None, "")),
    (0.666666666666667, (0.666666666666667, "none", None, "")),
]
AGAIN = {"Water": 390.0, "=Gum": 2.0, 'Wax, soft; "white"': 8.0}  # the second making of T01
LOOKS, LIDS = ["poor", "fair", "good", None] * 2, ["pass", "fail", None, "pass"] * 2
LOTS = ["0012", "1E5", "=1+1", "2031-05", "A-7", "+49", "@home", "x"]


def rows_of(book, sheet):
    """The rows of a sheet under its headings, each a dictionary of cells."""
    lines = book[sheet].iter_rows()
    heads = [cell.value for cell in next(lines)]
    return [dict(zip(heads, cells, strict=True)) for cells in lines]


def plain(cell, value):
    """Type into a cell; text stays text."""
    cell.value = value
    if isinstance(value, str):
        cell.data_type = "s"


def fill(path):
    """Type into the workbook as issued. Returns what was weighed of each trial, by trial and ingredient."""
    book = openpyxl.load_workbook(path)
    weighed = {}
    for number, cells in enumerate(rows_of(book, bench.WEIGH_SHEET)):
        target = cells["target g"].value
        if not isinstance(target, float | int):
            continue
        trial, name = cells["trial"].value, cells["ingredient"].value
        # Every third line 3 % over: outside the tolerance of 1 %.
        weighed[trial, name] = round(target * (1.03 if number % 3 == 1 else 1.001), 2)
        plain(cells[bench.ACTUAL], weighed[trial, name])
        plain(cells[bench.LOT], LOTS[int(trial[1:]) - 1])
    spare = [cells for cells in rows_of(book, bench.WEIGH_SHEET) if cells["trial"].value is None]
    for cells, (name, grams) in zip(spare, AGAIN.items(), strict=False):
        for heading, value in ((bench.TRIAL, "T01"), (bench.BATCH, 2), (bench.INGREDIENT, name), (bench.ACTUAL, grams)):
            plain(cells[heading], value)
    for cells in rows_of(book, bench.MAKE_SHEET):
        if cells["trial"].value is not None:
            plain(cells["operator"], "=JK")
            plain(cells["note"], '=HYPERLINK("http://example.invalid")')
            cells[bench.MADE_AT].value = datetime.datetime(2031, 5, 14, 10, 30)
    given = {
        "Viscosity": [cell for cell, _ in VISCOSITIES],
        "Settled": [cell for cell, _ in SETTLED],
        "Look": LOOKS,
        "Lid": LIDS,
    }
    for cells in rows_of(book, bench.READ_SHEET):
        if cells["trial"].value is not None:
            plain(cells["value"], given[cells["response"].value][int(cells["trial"].value[1:]) - 1])
            plain(cells[bench.READ_AT], "2031-05-15 11:00")
    cells = next(cells for cells in rows_of(book, bench.READ_SHEET) if cells["trial"].value is None)
    for heading, value in ((bench.TRIAL, "T01"), (bench.RESPONSE, "Settled"), (bench.READING, 2), (bench.VALUE, 0.25)):
        plain(cells[heading], value)
    book.save(path)
    return weighed


@pytest.fixture(scope="session")
def engine(tmp_path_factory):
    """Save files anew in LibreOffice: (paths, format) -> the files it wrote."""
    program = shutil.which("soffice")
    if program is None:
        pytest.skip("soffice is not installed")
    home = tmp_path_factory.mktemp("office")

    def convert(source, to, place):
        command = [program, f"-env:UserInstallation={(home / 'profile').as_uri()}", "--headless", "--convert-to", to,
                   "--outdir", str(place), str(source)]  # fmt: skip
        subprocess.run(command, check=True, capture_output=True, timeout=120)
        return sorted(place.iterdir())

    return convert


@pytest.fixture(scope="session")
def typed(tmp_path_factory):
    """A planned study whose workbook was typed into, and what was weighed."""
    place = tmp_path_factory.mktemp("typed") / "wash"
    place.mkdir()
    (place / "study.toml").write_text(STUDY, encoding="utf-8")
    assert main(["plan", str(place)]) == 0
    return place, fill(place / "bench/round-1.xlsx")


@pytest.fixture(scope="session")
def saved(engine, typed, tmp_path_factory):
    """The workbook as LibreOffice saved it: as XLSX, through its own format, and each sheet as CSV."""
    source, place = typed[0] / "bench/round-1.xlsx", tmp_path_factory.mktemp("saved")
    out = {}
    for name in ("xlsx", "ods", "back", "csv"):
        (place / name).mkdir()
    out["xlsx"] = engine(source, "xlsx", place / "xlsx")
    # CSV filter tokens (LibreOffice help): comma, double quotes, UTF-8, first line 1, ..., not "as shown", all sheets.
    out["csv"] = engine(source, "csv:Text - txt - csv (StarCalc):44,34,76,1,,0,false,false,false,false,false,-1",
                        place / "csv")  # fmt: skip
    out["ods"] = engine(source, "ods", place / "ods")
    out["back"] = engine(out["ods"][0], "xlsx", place / "back")
    return out


@pytest.fixture
def record(typed, tmp_path, capsys):
    """Record files into a copy of the study: (rows of readings.csv, rows of batches.csv)."""

    def run(files):
        place = shutil.copytree(typed[0], tmp_path / "wash")
        before = {path: path.read_bytes() for path in files}
        code = main(["record", str(place), *map(str, files), "--json"])
        document = json.loads(capsys.readouterr().out)
        assert code == 0, document["problems"]
        assert {path: path.read_bytes() for path in files} == before
        return tuple(
            list(csv.DictReader(io.StringIO((place / "results" / name).read_text(encoding="utf-8"), newline="")))
            for name in ("readings.csv", "batches.csv")
        )

    return run


def number(text):
    return float(text) if text else None


@pytest.mark.parametrize("way", ["xlsx", "ods", "back", "csv"])
def test_exactly_what_was_typed_is_recorded(way, saved, typed, record):
    readings, batches = record(saved[way])
    second = [row for row in readings if row["reading"] == "2"]
    assert [(row["batch"], row["response"], row["value"]) for row in second] == [("T01-1", "Settled", "0.25")]
    readings = [row for row in readings if row["reading"] == "1"]
    seen = {(row["trial"], row["response"]): row for row in readings}
    grades = {"poor": 1.0, "fair": 2.0, "good": 3.0, "pass": 1.0, "fail": 0.0}
    for place in range(8):
        trial = f"T{place + 1:02d}"
        for response, given in (("Viscosity", VISCOSITIES), ("Settled", SETTLED)):
            row = seen[trial, response]
            got = (number(row["value"]), row["bound"], number(row["value_to"]), row["flag"])
            assert got == given[place][1], (trial, response)
        for response, words in (("Look", LOOKS), ("Lid", LIDS)):
            if words[place] is None:
                assert (trial, response) not in seen
            else:
                assert number(seen[trial, response]["value"]) == grades[words[place]]
    assert len(seen) == len(readings)
    _check_batches(batches, typed[1])


def _check_batches(batches, weighed):
    names = list(AGAIN)
    assert len(batches) == 9
    for row in batches:
        trial, again = row["trial"], row["batch"] == "T01-2"
        made = {name: AGAIN[name] if again else weighed[trial, name] for name in names}
        total = sum(made.values())
        assert float(row["weighed_g"]) == pytest.approx(total, abs=1e-9)
        if not again:
            assert row["made_at"] == "2031-05-14T10:30"
            assert row["operator"] == "'=JK"
        for name in names:
            # Text that could be taken for a formula stands behind a ' in CSV files; headings too.
            column = row[name] if name in row else row["'" + name]
            assert float(column) == pytest.approx(100 * made[name] / total, abs=1e-9)
        lot = row["lot: Water"]
        assert again or lot in (LOTS[int(trial[1:]) - 1], "'" + LOTS[int(trial[1:]) - 1])


def test_sums_and_marks_are_right_where_the_spreadsheet_works_them_out(saved, typed):
    book = openpyxl.load_workbook(saved["xlsx"][0], data_only=True)
    seen = set()
    for cells in rows_of(book, bench.WEIGH_SHEET):
        target = cells["target g"].value
        if not cells["trial"].value or cells["batch"].value == 2:
            continue
        actual = typed[1][cells["trial"].value, cells["ingredient"].value]
        assert cells[bench.ACTUAL].value == actual
        within = 0.99 * target - 1e-9 <= actual <= 1.01 * target + 1e-9
        off = f"off {100 * (actual / target - 1):+.1f}".removesuffix(".0") + " %"
        seen.add(within)
        assert cells["mark"].value == ("within" if within else off)
    assert seen == {True, False}
    again = [cells for cells in rows_of(book, bench.WEIGH_SHEET) if cells["batch"].value == 2]
    first = {
        (cells["trial"].value, cells["ingredient"].value): cells["target g"].value
        for cells in rows_of(book, bench.WEIGH_SHEET)
        if cells["batch"].value == 1
    }
    assert [cells["target g"].value for cells in again] == [first["T01", name] for name in AGAIN]
    assert [cells["so far g"].value for cells in again] == [390, 392, 400]
    for cells in rows_of(book, bench.MAKE_SHEET):
        trial = cells["trial"].value
        if trial is None:
            continue
        lines = {name: grams for (one, name), grams in typed[1].items() if one == trial}
        off = sum(abs(grams / first[trial, name] - 1) > 0.01 + 1e-9 for name, grams in lines.items())
        missing = sum(given[int(trial[1:]) - 1] is None for given in (LOOKS, LIDS))
        assert cells["weighed in g"].value == pytest.approx(sum(lines.values()), abs=1e-9)
        assert (cells["lines"].value, cells["off"].value) == ("3 of 3", off)
        assert cells["read"].value == f"{4 - missing} of 4"


def test_the_form_goes_through_the_spreadsheet_program_unharmed(engine, tmp_path):
    book = openpyxl.load_workbook(io.BytesIO(form_book()))
    sheet = book["Ingredients"]
    for row, values in ((4, ("=Gum", None, 0.3, 0.8)), (5, ("Wax", None, "2,5", 6))):
        for column, value in enumerate(values, start=1):
            plain(sheet.cell(row, column), value)
    book["Responses"]["A3"], book["Responses"]["I3"], book["Responses"]["S3"] = "Viscosity", "invented", "10 %"
    (tmp_path / "out").mkdir()
    book.save(tmp_path / "form.xlsx")
    (saved,) = engine(tmp_path / "form.xlsx", "xlsx", tmp_path / "out")
    source, _ = study_from_form(tables_from_bytes(saved.read_bytes(), "form.xlsx"), "x")
    assert [part["name"] for part in source["ingredient"]] == ["Water", "=Gum", "Wax"]
    assert source["ingredient"][1]["low"] == 0.3
    assert source["ingredient"][2]["low"] == 2.5
    assert source["response"][0] == {"name": "Viscosity", "method": "invented", "sd": "10 %"}
    assert source["done"] == {"chance": "90 %"}


def test_no_formula_but_ours_and_no_error_after_recalculation(saved):
    stored = openpyxl.load_workbook(saved["xlsx"][0], data_only=True)
    made = openpyxl.load_workbook(saved["xlsx"][0])
    for sheet in made.worksheets:
        for cells in sheet.iter_rows():
            for cell in cells:
                value = stored[sheet.title].cell(cell.row, cell.column).value
                assert not str(value).startswith("#"), (sheet.title, cell.coordinate, value)
                if cell.data_type == "f":
                    assert str(cell.value).startswith("=IF("), cell.value
    assert "=HYPERLINK" in stored[bench.HOW_SHEET]["A2"].value
