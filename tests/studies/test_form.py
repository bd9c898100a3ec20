"""The form: a workbook to fill instead of study.toml, and every problem at its sheet and cell. Data invented."""

import io
import tomllib

import openpyxl
import pytest

from doe import Study
from doe.form import form
from doe.form.reading import study_from_form
from doe.problems import StudyError
from doe.tables.tables import tables_from_bytes
from reports.papers.form_book import form_book
from studies.cli import main
from studies.commands.new import example_toml
from studies.form_toml import form_toml

EXAMPLE = tomllib.loads(example_toml("potting-shed"))
SMALL = {
    "study": {"name": 'Wash "two"', "batch_g": 500, "product": "rinse-off"},
    "plan": {"runs": 8, "model": "linear"},
    "make": {"loss": "3 %", "make_up": True},
    "ingredient": [
        {"name": "Water", "qs": True},
        {"name": "Gum", "low": 0.3, "high": 0.8, "step": 0.05, "assay": "95 %", "price_per_kg": 18},
        {"name": "Acid", "level": 0.2, "adjusts": "pH"},
    ],
    "factor": [{"name": "Paddle", "levels": ["wide", "narrow"]}],
    "limit": [{"rule": "Gum <= 0.7", "why": "lumps"}],
    "response": [
        {"name": "Viscosity", "unit": "mPa.s", "method": "spindle 5, 10 rpm", "reads": [2000, float("inf")],
         "scale": "log", "aim": "within", "low": 10000, "high": 30000, "sd": "10 %", "matters": "20 %"},
        {"name": "pH", "method": "meter", "sd": 0.05, "aim": "watch", "must": False},
        {"name": "Flow curve", "unit": "Pa.s", "kind": "curve", "against": "shear rate", "method": "cone, 25.0 C",
         "at": [0.1, 0.3, 1, 3, 10, 30]},
        {"name": "Yield", "unit": "Pa", "from": "yield_value", "of": "Flow curve", "aim": "above", "low": 3},
        {"name": "Rest", "unit": "Pa.s", "from": "low_shear_viscosity", "of": "Flow curve", "at": 0.1},
    ],
    "step": [{"does": "stir the gum in; no lumps", "takes": ["Water", "Gum"], "temp_c": [20, 25], "minutes": 10}],
    "balance": [{"name": "bench", "step_g": 0.01}],
}  # fmt: skip


def typed(cell, value):
    """A value as a person types it into a cell of the form."""
    if cell.end is not None:
        ends = value if isinstance(value, list) else [value, value]
        return None if ends[cell.end] in (float("inf"), float("-inf")) else ends[cell.end]
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "; ".join(map(str, value)) if isinstance(value, list) else value


def filled(source, change=lambda book: None):
    """The form filled with what a study says, as far as it asks for it."""
    book = openpyxl.load_workbook(io.BytesIO(form_book()))
    rows = {book[form.STUDY_SHEET].cell(row, 1).value: row for row in range(2, book[form.STUDY_SHEET].max_row + 1)}
    for cell in form.answers():
        value = source.get(cell.section, {}).get(cell.key)
        if value is not None:
            book[form.STUDY_SHEET].cell(rows[cell.heading], 2).value = typed(cell, value)
    for sheet in form.SHEETS:
        for row, part in enumerate(source.get(sheet.section, []), start=3):
            for place, cell in enumerate(sheet.cells, start=1):
                book[sheet.title].cell(row, place).value = typed(cell, part[cell.key]) if cell.key in part else None
    change(book)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def told(content):
    return study_from_form(tables_from_bytes(content, "form.xlsx"), "x")[0]


def refused(content):
    with pytest.raises(StudyError) as caught:
        told(content)
    return [f"{p.where} | {p.got}" for p in caught.value.problems if p.level == "stop"]


def test_a_filled_form_is_the_study_it_says():
    source = told(filled(SMALL))
    for section, part in SMALL.items():
        if isinstance(part, list):
            assert source[section] == part, section
        else:
            assert source[section].items() >= part.items()
    # Through the text of study.toml it is still the same.
    again = Study.from_toml(form_toml(source, "form.xlsx"))
    assert dict(again.digests) == dict(Study.from_dict(source).digests)


def test_a_shipped_study_comes_back_as_far_as_the_form_asks():
    asked = {cell.section: set() for cell in form.answers()}
    for cell in (*form.answers(), *(cell for sheet in form.SHEETS for cell in sheet.cells)):
        asked.setdefault(cell.section, set()).add(cell.key)

    def cut(section, part):
        return {key: value for key, value in part.items() if key in asked[section] and not isinstance(value, dict)}

    plain = {
        section: [cut(section, one) for one in part] if isinstance(part, list) else cut(section, part)
        for section, part in EXAMPLE.items()
        if section in asked
    }
    for part in plain["ingredient"]:
        if isinstance(part.get("inci"), list):
            del part["inci"]
    plain["response"] = [part for part in plain["response"] if "method" in part]
    wanted = Study.from_dict({**plain, "study": {**plain["study"], "total": 100, "unit": "% w/w"}})
    got = Study.from_dict({**told(filled(plain))})
    assert got.digests["tried"] == wanted.digests["tried"]
    assert got.digests["measured"] == wanted.digests["measured"]
    assert got.digests["wanted"] == wanted.digests["wanted"]


def test_an_empty_form_says_what_is_missing():
    said = refused(form_book())
    assert said


def put(sheet, spot, value):
    return lambda book: book[sheet].__setitem__(spot, value)


# Columns of the sheets: Ingredients C low, D high, J active part; Responses H after h, I scale, M high.
@pytest.mark.parametrize(
    "change, words",
    [
        (put("Ingredients", "C4", 3), "sheet Ingredients, row 4 | low 3 is above high 0.8"),
        (put("Ingredients", "C4", "much"), "sheet Ingredients, cell C4, low | 'much'"),
        (put("Ingredients", "D4", "0,8 or so"), "cell D4, high | "),
        (put("Ingredients", "C4", -1), "sheet Ingredients, cell C4, low | came -1"),
        (put("Ingredients", "B4", "perhaps"), "cell B4, takes up the rest | 'perhaps'"),
        (put("Ingredients", "A5", "Gum"), "sheet Ingredients, row 5 | the name stands twice"),
        (put("Ingredients", "A4", None), "sheet Ingredients, cell A4, name | has no name"),
        (put("Ingredients", "C4", "=1/3"), "cell C4, low | a formula without a stored result"),
        (put("Responses", "M3", "logarithm"), "sheet Responses, cell M3, scale | came 'logarithm'"),
        (put("Responses", "Q3", None), "sheet Responses, row 3 | aims within but has no high"),
        (put("Limits", "A3", "Gumm <= 0.7"), "sheet Limits, row 3 | Gumm is not the name"),
        (put("Steps", "B3", "Z"), "sheet Steps, cell B3, takes | Z is not known"),
        (put("Study", "B19", "lots"), "sheet Study, cell B19, trials | 'lots'"),
        (put("Study", "B9", -4), "sheet Study, cell B9, one batch, g | came -4"),
        (put("Ingredients", "Q1", "mood"), "sheet Ingredients, column Q"),
        (put("Ingredients", "Q4", "fine"), "sheet Ingredients, cell Q4"),
        (lambda book: book["Limits"].merge_cells("A3:B3"), "sheet Limits | merged cells at A3:B3"),
    ],
)  # fmt: skip
def test_every_problem_names_its_sheet_and_cell(change, words):
    said = refused(filled(SMALL, change))
    assert any(words in line for line in said), said


def test_every_problem_is_told_at_once():
    def spoil(book):
        put("Ingredients", "C4", "much")(book)
        put("Responses", "I3", "logarithm")(book)
        put("Study", "B18", "lots")(book)

    assert len(refused(filled(SMALL, spoil))) >= 3


def test_decimal_commas_typed_as_text():
    source = told(filled(SMALL, put("Ingredients", "C4", "0,35")))
    assert source["ingredient"][1]["low"] == 0.35


@pytest.mark.parametrize(
    ("typed_in", "read"),
    [
        ("Water, Gum", ["Water", "Gum"]),
        ("Water,Gum", ["Water", "Gum"]),
        ("1,2-Hexanediol, Gum", ["1,2-Hexanediol", "Gum"]),
        ("Water,1,2-Hexanediol, N,N-Diol,Gum", ["Water", "1,2-Hexanediol", "N,N-Diol", "Gum"]),
        ("Water; 1,2-Hexanediol", ["Water", "1,2-Hexanediol"]),
        ("1,2,3", ["1", "2", "3"]),
    ],
)
def test_commas_between_names_part_them_and_those_within_one_do_not(typed_in, read):
    sheet = next(sheet for sheet in form.SHEETS if sheet.section == "factor")
    column = [cell.key for cell in sheet.cells].index("levels") + 1

    def put_in(book):
        book[sheet.title].cell(3, column).value = typed_in

    assert told(filled(SMALL, put_in))["factor"][0]["levels"] == read


def test_a_renamed_sheet_and_rows_left_empty_between():
    def move(book):
        book["Limits"].title = "Grenzen"
        book["Ingredients"].move_range("A5:O5", rows=3)

    assert told(filled(SMALL, move)) == told(filled(SMALL))


def test_from_the_command_line(tmp_path, capsys):
    place = tmp_path / "wash"
    assert main(["new", str(place), "--form"]) == 0
    assert [path.name for path in place.iterdir()] == ["form.xlsx"]
    assert main(["new", str(place), "--form"]) == 2
    assert main(["new", str(place), "--from", str(place / "form.xlsx")]) == 2
    assert "sheet " in capsys.readouterr().err
    (place / "form.xlsx").write_bytes(filled(SMALL))
    assert main(["new", str(place), "--from", str(place / "form.xlsx")]) == 0
    assert main(["check", str(place)]) == 0
    assert main(["plan", str(place)]) == 0
    assert main(["verify", str(place)]) == 0
    assert main(["new", str(tmp_path / "other"), "--form", "--from", "potting-shed"]) == 2


def test_no_text_of_the_form_is_a_formula_and_it_is_always_the_same():
    assert form_book() == form_book()
    for sheet in openpyxl.load_workbook(io.BytesIO(form_book())).worksheets:
        assert not any(cell.data_type == "f" for row in sheet.iter_rows() for cell in row)


def test_rates_of_a_curve_with_decimal_commas_are_read_whatever_the_method_says():
    source = SMALL | {"response": [dict(row) for row in SMALL["response"]]}

    def change(book):
        sheet = book["Responses"]
        heads = {sheet.cell(1, place).value: place for place in range(1, sheet.max_column + 1)}
        sheet.cell(5, heads["read at"]).value = "0,1; 0,3; 1; 3; 10; 30"
        sheet.cell(7, heads["read at"]).value = "0,1"
        sheet.cell(4, heads["sd"]).value = "0,05"

    read, _ = study_from_form(tables_from_bytes(filled(source, change), "form.xlsx"), "x")
    assert read["response"][2]["at"] == [0.1, 0.3, 1, 3, 10, 30]
    assert read["response"][4]["at"] == 0.1
    assert read["response"][1]["sd"] == 0.05
