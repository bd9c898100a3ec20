"""Names and notes meant to do harm: text everywhere, on the terminal, in pages, tables and workbooks, in file names."""

import csv
import io
import json
import os
import re
from pathlib import Path

import openpyxl
import pytest
from small_study import SMALL, table_of_runs

from studies import journal
from studies.arguments import harmless
from studies.cli import main
from studies.commands.new import quoted
from studies.inspection import inspect
from studies.names import formula_name
from studies.originals import kept_as

STEERING = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]")
MARKUP = "<script>alert(1)</script><!-- {{7*7}} "
NAMES = {
    'name = "Gum"': f'name = "+Gum {MARKUP}"',
    'name = "Viscosity"': f'name = "@Visc {MARKUP}"',
    'name = "Small wash (invented for tests)"': f'name = "=HYPERLINK(1) {MARKUP}"',
    'rule = "Wax + Gum <= 6.5"': f'rule = "Wax <= 5.9"\nwhy = "=1+1 {MARKUP}"',
    'method = "invented"': f'method = "-1 {MARKUP}"',
    'phase = "B"': f'phase = "=P {MARKUP}"',
}


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    """A study with such names in every place, planned, recorded, fitted, found, reported."""
    root = tmp_path_factory.mktemp("hostile")
    folder = root / "study"
    folder.mkdir()
    text = SMALL
    for plain, bad in NAMES.items():
        assert plain in text
        text = text.replace(plain, bad)
    (folder / "study.toml").write_text(text, encoding="utf-8")
    assert main(["plan", str(folder)]) == 0
    runs = json.loads((folder / "plan/round-1/plan.json").read_text(encoding="utf-8"))["runs"]
    for run in runs:
        run["levels"]["Gum"] = next(level for name, level in run["levels"].items() if "Gum" in name)
    rows = list(csv.reader(io.StringIO(table_of_runs(runs))))
    rows[0][1] = f"@Visc {MARKUP.strip()}"
    rows[0] += ["note", "lot: Wax", "operator"]
    for row in rows[1:]:
        row += ["=note\u202e\x1b[2J</script>", "=LOT\u2066", "@op\x1b]0;x\x07"]
    out = io.StringIO()
    csv.writer(out).writerows(rows)
    (root / "back.csv").write_text(out.getvalue(), encoding="utf-8")
    for words in (["record", root / "back.csv"], ["fit"], ["optimise", "--keep", "F1"], ["report"], ["card"]):
        assert main([words[0], str(folder), *map(str, words[1:])]) in (0, 1), words
    return folder


@pytest.mark.parametrize("words", [["check"], ["status"], ["fit"], ["verify"], ["predict", "--at", "\x1b[2J=1"]])
def test_on_the_terminal(study, words, capsys):
    main([words[0], str(study), *words[1:]])
    said = capsys.readouterr()
    assert not STEERING.findall(said.out + said.err)


def test_in_pages(study):
    pages = sorted(study.rglob("*.html"))
    assert len(pages) == 4
    for page in pages:
        text = page.read_text(encoding="utf-8")
        assert not STEERING.findall(text), page
        assert "<script>alert" not in text, page
        assert "{{49}}" not in text
        assert text.count("<script") == text.count("</script>"), page
        assert "<!-- {{" not in text, page


def test_in_tables(study):
    for table in (study / "plan/round-1/plan.csv", study / "results/readings.csv", study / "results/batches.csv"):
        text = table.read_text(encoding="utf-8")
        assert not STEERING.findall(text), table
        cells = [cell for row in csv.reader(io.StringIO(text)) for cell in row]
        assert not [cell for cell in cells if cell.startswith(("=", "+", "@", "\t"))], table
        assert not [cell for cell in cells if cell.startswith("-") and not re.fullmatch(r"-[0-9.e-]+", cell)], table


def test_in_workbooks(study):
    book = openpyxl.load_workbook(study / "bench/round-1.xlsx")
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row]
    ours = [cell for cell in cells if cell.data_type == "f"]
    assert not [cell.value for cell in ours if "alert" in str(cell.value) or "HYPERLINK" in str(cell.value)]
    texts = [cell for cell in cells if isinstance(cell.value, str) and cell.data_type != "f"]
    assert not [cell.value for cell in texts if STEERING.search(cell.value)]
    assert any(cell.value.startswith("+Gum") for cell in texts), "text, as it is"


def test_the_journal_is_plain_and_the_study_verifies(study):
    assert not STEERING.findall((study / journal.NAME).read_text(encoding="utf-8"))
    assert not [problem for problem in inspect(study) if problem.level == "stop"]


def test_what_came_in_is_kept_byte_for_byte(study):
    (original,) = (study / "results/originals").iterdir()
    assert original.read_bytes() == (study.parent / "back.csv").read_bytes()


@pytest.mark.parametrize(
    "name",
    ["../F1", "a/b", "a\\b", "CON", "con.txt", "NUL", "COM1", "lpt9.x", "F1.", "F1 ", " F1", ".F1", "F\u202e1",
     "F\x001", "F:1", "F*", "F?", "F|", 'F"', "F<", "x" * 41, "", "é", "F\n1", "~F1"],
)  # fmt: skip
def test_a_formula_is_only_kept_under_a_name_every_system_allows(name):
    with pytest.raises(ValueError, match="formula name"):
        formula_name(name)


def test_names_that_differ_by_case_only_are_one_file_on_many_drives(study, capsys):
    assert main(["optimise", str(study), "--keep", "f1"]) == 2
    assert "F1 is kept already" in capsys.readouterr().err


@pytest.mark.parametrize(
    "name", ["CON.csv", "a:b.csv", "x\u202egpj.csv", "\x1b[2J.csv", ". .csv", "x" * 300, "é/..", "a.CSV "]
)
def test_an_original_is_kept_under_a_name_every_system_allows(name):
    kept = kept_as(name, b"content").rpartition("/")[2]
    assert re.fullmatch(r"[0-9a-f]{16}[A-Za-z0-9_.-]{0,50}", kept)
    assert not kept.endswith(".")


@pytest.mark.parametrize("name", ['x"\nname = "y', "a\\", "\x1b[2J", "\u202e", "'''", "# x", "[study]", "研究"])
def test_a_folder_name_stays_a_text_in_a_new_study(name):
    import tomllib

    assert set(tomllib.loads(f'name = "{quoted(name)}"')) == {"name"}


def test_a_file_name_of_no_encoding_is_recorded(study, tmp_path, capsys):
    name = os.fsdecode(b"caf\xe9\x1b[2J.csv")
    table = tmp_path / name
    table.write_bytes((study.parent / "back.csv").read_bytes())
    code = main(["record", str(study), str(table), "--why", "sent as " + name])
    said = capsys.readouterr()
    assert code in (0, 2)
    assert "defect" not in said.err
    assert not STEERING.findall(said.out + said.err)
    Path(study / journal.NAME).read_text(encoding="utf-8")


@pytest.mark.parametrize("sign", ["\r", "\x85", "\x1c", "\u2028", "\x0b", "\x9b", "\u202e", "\u2066"])
def test_no_sign_that_steers_a_terminal_is_printed(sign):
    assert harmless(f"Gum{sign}Wax") == "Gum?Wax"


@pytest.mark.parametrize(
    "name, kept",
    [("\x1b[2J\u202eeve", "?[2J?eve"), (os.fsdecode(b"caf\xe9"), "caf?"), ("a\nb", "a b"), ("x" * 1000, "x" * 100),
     (" ", "unknown")],
)  # fmt: skip
def test_a_user_name_is_kept_in_signs_that_may_be_shown(monkeypatch, name, kept):
    monkeypatch.setenv("LOGNAME", name)
    assert journal.user_name() == kept
