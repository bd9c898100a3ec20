"""Starting a study: template, shipped example, or the table of an existing formula."""

import json
import re
import tomllib

import pytest

from doe import Study
from doe.definition.keys import SECTIONS
from studies.cli import main
from studies.commands import new


def toml(folder):
    return tomllib.loads((folder / "study.toml").read_text(encoding="utf-8"))


def test_template_is_a_study_and_names_every_key(tmp_path, capsys):
    folder = tmp_path / "my wash"
    assert main(["new", str(folder)]) == 0
    assert "blendwright check" in capsys.readouterr().out
    assert Study.read(folder).name == "my wash"
    text = (folder / "study.toml").read_text(encoding="utf-8")
    for section in SECTIONS.values():
        assert f"[{section.name}]" in text
        for key in section.keys:
            assert re.search(rf"\b{key}\b", text), f"{section.name}.{key}"
    assert main(["verify", str(folder)]) == 0


def test_the_template_has_no_prices_rather_than_prices_of_nothing(tmp_path, capsys):
    assert main(["new", str(tmp_path / "x")]) == 0
    capsys.readouterr()
    assert main(["check", str(tmp_path / "x"), "--json"]) == 0
    assert "no price" in json.loads(capsys.readouterr().out)["cost_per_kg"]["unavailable"]


@pytest.mark.parametrize("name", new.EXAMPLES)
def test_shipped_example(name, tmp_path):
    assert main(["new", str(tmp_path / "x"), "--from", name]) == 0
    study = Study.read(tmp_path / "x")
    assert "invented" in study.name
    assert "INVENTED" in (tmp_path / "x" / "study.toml").read_text(encoding="utf-8")


def test_a_formula_in_a_spreadsheet_with_decimal_commas(tmp_path, capsys):
    table = tmp_path / "last year.csv"
    table.write_text(
        "Phase;INCI;Ingredient;% w/w;Price\nA;Aqua;Water;88,3;0,02\nA;Xanthan Gum;Gum;0,5;18\n"
        "B;Cera;Wax;6,2;9,5\nC;;Preservative;5,0;\n;;Total;100,0;\n",
        encoding="utf-8",
    )
    assert main(["new", str(tmp_path / "x"), "--from", str(table), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert "4 ingredients, adding up to 100 %" in document["problems"][0]["got"]
    got = toml(tmp_path / "x")["ingredient"]
    assert [row["name"] for row in got] == ["Water", "Gum", "Wax", "Preservative"]
    assert got[0]["qs"] is True
    assert [row.get("level") for row in got] == [None, 0.5, 6.2, 5.0]
    assert got[2] == {"name": "Wax", "level": 6.2, "phase": "B", "inci": "Cera", "price_per_kg": 9.5}


def test_a_formula_in_a_workbook(tmp_path):
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    for row in (["Raw material", "%"], ["Deionised water", "q.s."], ["Gum", 0.4], ['A "good" wax', 3]):
        book.active.append(row)
    book.save(tmp_path / "f.xlsx")
    assert main(["new", str(tmp_path / "x"), "--from", str(tmp_path / "f.xlsx")]) == 0
    got = toml(tmp_path / "x")["ingredient"]
    assert [row["name"] for row in got] == ["Deionised water", "Gum", 'A "good" wax']
    assert got[0]["qs"] is True


def test_a_formula_that_does_not_add_up_says_so(tmp_path, capsys):
    table = tmp_path / "f.csv"
    table.write_text("Ingredient,%\nWater,95\nGum,0.5\nWax,12.5\n")
    assert main(["new", str(tmp_path / "x"), "--from", str(table)]) == 0
    assert "108 %" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("Ingredient,%\nWater,90\nGum,ten\nWax,ten\n", ["row 3, column %", "row 4, column %", "2 things"]),
        ("Ingredient,%\nWater,90\nGum,0.3 to 0.5\nGum,10\n", ["row 4, column Ingredient: Gum stands there twice"]),
        ("Ingredient,%\nWater,\nGum,\n", ["row 3: no level for Gum, and Water takes up the rest"]),
        ("Stuff,How much\nWater,90\n", ["a column Ingredient", "a column %"]),
        ("Ingredient,%\n", ["a header without rows"]),
        ("", ["f.csv"]),
    ],
)
def test_tables_that_cannot_be_understood(text, said, tmp_path, capsys):
    table = tmp_path / "f.csv"
    table.write_text(text)
    assert main(["new", str(tmp_path / "x"), "--from", str(table)]) == 2
    error = capsys.readouterr().err
    for words in said:
        assert words in error
    assert not (tmp_path / "x").exists()


def test_refusals_leave_nothing_behind(tmp_path, capsys):
    assert main(["new", str(tmp_path / "x"), "--from", "no-such-thing"]) == 2
    assert "potting-shed" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "file").write_text("")
    assert main(["new", str(tmp_path / "file")]) == 2
    assert main(["new", str(tmp_path / "file" / "below")]) == 2
    assert [p.name for p in tmp_path.iterdir()] == ["file"]


def test_a_study_is_never_written_over(tmp_path):
    assert main(["new", str(tmp_path / "x")]) == 0
    before = (tmp_path / "x" / "study.toml").read_bytes()
    assert main(["new", str(tmp_path / "x"), "--from", "potting-shed"]) == 2
    assert (tmp_path / "x" / "study.toml").read_bytes() == before


def test_a_name_with_quotes_and_control_signs(tmp_path):
    folder = tmp_path / 'odd "name" \\ ü'
    assert main(["new", str(folder)]) == 0
    assert toml(folder)["study"]["name"] == "odd name ü"
