"""What is changed by hand in a study is found by verify, whatever and wherever it is; a copy elsewhere is not."""

import re
import shutil

import openpyxl
import pytest
from tampering import byte_edits, file_edits, forged, line_edits

from studies import journal
from studies.cli import main
from studies.inspection import inspect, printed


@pytest.fixture(scope="session")
def reported_once(recorded_once, tmp_path_factory):
    place = shutil.copytree(recorded_once, tmp_path_factory.mktemp("job") / "small")
    words = [["record", "--correct", "T03", "pH", "5.33", "--why", "typing"], ["fit"], ["report"], ["card"]]
    for command, *rest in words:
        assert main([command, str(place), *rest]) in (0, 1)
    return place


@pytest.fixture
def reported(reported_once, tmp_path):
    return shutil.copytree(reported_once, tmp_path / "small")


def is_found(folder, head=None):
    return any(problem.level == "stop" for problem in inspect(folder, head))


def test_one_byte_anywhere(reported):
    assert not is_found(reported)
    assert [what for what in byte_edits(reported, 60) if not is_found(reported)] == []
    assert not is_found(reported)


def test_one_line_of_the_journal(reported):
    assert [what for what in line_edits(reported) if not is_found(reported)] == []


def test_one_file(reported):
    assert [what for what in file_edits(reported) if not is_found(reported)] == []


def test_the_finding_names_the_file(reported):
    readings = reported / "results/readings.csv"
    readings.write_bytes(readings.read_bytes().replace(b"5.33", b"5.34"))
    (problem,) = [p for p in inspect(reported) if p.level == "stop"]
    assert problem.where == "results/readings.csv"
    assert "changed outside this program" in problem.got


@pytest.mark.parametrize("name", ["Kopie (2)", "study with spaces", "Étude crème", "研究", "دراسة"])
def test_a_copy_elsewhere_still_verifies(reported, tmp_path, name, capsys):
    place = shutil.copytree(reported, tmp_path / "elsewhere" / name)
    assert main(["verify", str(place)]) == 0
    assert "as they were written" in capsys.readouterr().out


def _printed(folder):
    """Digests that stand on paper, by the paper: sheet, report, card."""
    known = printed(folder, journal.read(folder))
    papers = [folder / "plan/round-1/sheets.html", folder / "report.html", *(folder / "formulas").glob("*-card.html")]
    texts = {path.name: path.read_text(encoding="utf-8") for path in papers}
    return {name: [digest for digest in known if digest[:12] in text] for name, text in texts.items()}


def test_a_chain_written_anew_is_whole_and_every_printed_digest_tells(reported):
    papers = _printed(reported)
    assert len(papers) == 3
    assert all(papers.values()), papers
    readings, plan = reported / "results/readings.csv", reported / "plan/round-1/plan.json"
    readings.write_bytes(readings.read_bytes().replace(b"5.33", b"5.34"))
    plan.write_bytes(plan.read_bytes().replace(b'"order": 1', b'"order": 2'))
    forged(reported)
    assert not is_found(reported), "the chain has no key: by itself a whole new one cannot be told"
    for paper, digests in papers.items():
        assert any(is_found(reported, digits) for digits in digests), paper


def _readable_digests(page):
    """Digests as a person finds them on a page: twelve digits or more, letters among them."""
    text = re.sub(r"<(script|style)\b.*?</\1>", "", page, flags=re.DOTALL)
    found = re.findall(r"\b[0-9a-f]{12,64}\b", re.sub(r"<[^>]+>", " ", text))
    return {digest for digest in found if re.search("[a-f]", digest) and re.search("[0-9]", digest)}


def test_whatever_digest_a_paper_carries_is_known(reported):
    book = openpyxl.load_workbook(reported / "bench/round-1.xlsx")
    papers = {"workbook": " ".join(str(cell.value) for sheet in book for row in sheet.iter_rows() for cell in row)}
    papers |= {path.name: path.read_text(encoding="utf-8") for path in reported.rglob("*.html")}
    known = printed(reported, journal.read(reported))
    for paper, text in papers.items():
        digests = _readable_digests(text)
        assert digests or "compare" in paper, paper
        assert not [one for one in digests if not any(full.startswith(one) for full in known)], paper


@pytest.mark.parametrize("name", ["analysis/models.json", "plan/round-1/plan.json", "results/batches.csv"])
@pytest.mark.parametrize("content", ['{"asked": []}', "x" * 50])
def test_what_a_command_trips_over_then_is_said_by_the_file(reported, name, content, capsys):
    (reported / name).write_text(content, encoding="utf-8")
    for words in (["next"], ["status"]):
        code = main([words[0], str(reported), *words[1:]])
        said = capsys.readouterr()
        assert "defect" not in said.out + said.err
        assert code in (0, 1) or name.rpartition("/")[2] in said.err or "plan.json" in said.err


@pytest.mark.parametrize("name", ["readings", "batches"])
@pytest.mark.parametrize("gone", [False, True])
def test_nothing_is_built_on_tables_changed_by_hand(reported, name, gone, capsys):
    table = reported / "results" / f"{name}.csv"
    kept = table.read_bytes()
    if gone:
        table.unlink()
    else:
        table.write_bytes(kept.rstrip().rpartition(b"\n")[0] + b"\n")
    for command, *rest in (["record", "--correct", "T02", "pH", "5.2", "--why", "slip"], ["fit"], ["report"]):
        assert main([command, str(reported), *rest]) == 2
        assert f"results/{name}.csv" in capsys.readouterr().err
    assert is_found(reported)
    table.write_bytes(kept)
    assert main(["fit", str(reported)]) == 0
