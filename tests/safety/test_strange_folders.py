"""A study folder or a workbook that a stranger made: read in words, never followed out of the folder, never run."""

import datetime
import io
import json
import os
import time
import warnings
import zipfile

import pytest
from small_study import SMALL
from test_bounds import CELL, FOOT, HEAD, SHEET, book

from doe.problems import StudyError
from doe.tables.tables import grids_from_bytes, tables_from_bytes
from studies import journal
from studies.cli import main
from studies.inspection import inspect
from studies.writing import changing


@pytest.fixture
def folder(tmp_path):
    place = tmp_path / "study"
    place.mkdir()
    (place / "study.toml").write_text(SMALL, encoding="utf-8")
    with changing(place, "plan", "0") as change:
        change.write("plan/notes.txt", "a")
        change.note_read("study.toml", SMALL.encode())
    return place


def is_in_words(folder, capsys, command="status"):
    code = main([command, str(folder)])
    said = capsys.readouterr()
    assert "defect" not in said.out + said.err
    assert "Traceback" not in said.out + said.err
    return code, said.out + said.err


@pytest.mark.parametrize("target", ["loop", ".", "..", "../study"])
def test_links_that_go_round(folder, target, capsys):
    (folder / "plan/loop").symlink_to(target)
    code, said = is_in_words(folder, capsys)
    if target == "loop":
        assert code == 2
        assert "in a circle" in said
    assert is_in_words(folder, capsys, "verify")[0] == 1


@pytest.mark.parametrize("name", ["journal.jsonl", "plan/notes.txt", "results/readings.csv"])
def test_a_pipe_in_place_of_a_file_holds_nobody_up(folder, name, capsys):
    path = folder / name
    path.parent.mkdir(exist_ok=True)
    path.unlink(missing_ok=True)
    os.mkfifo(path)
    is_in_words(folder, capsys)
    assert is_in_words(folder, capsys, "verify")[0] == 1 or name.startswith("results")


@pytest.mark.parametrize("name", ["/etc/passwd", "../../outside.txt", "C:\\outside.txt", "", "plan/../../outside.txt"])
def test_a_journal_that_names_files_outside(folder, name, capsys, monkeypatch):
    last = journal.read(folder)[-1]
    forged = journal.written(last, "plan", {}, {name: "0" * 64})
    with (folder / journal.NAME).open("ab") as log:
        log.write(journal.line_of(forged))
    looked_at = []
    real = journal.fingerprint
    monkeypatch.setattr(journal, "fingerprint", lambda path: looked_at.append(path) or real(path))
    assert [p.code for p in inspect(folder) if p.level == "stop"] == ["journal-changed"]
    assert all(path.resolve().is_relative_to(folder.resolve()) for path in looked_at)
    is_in_words(folder, capsys)


LINE = {"n": 2, "when": "2031-01-01T10:00:00+01:00", "user": "u", "version": "0", "command": "plan", "why": "",
        "read": {}, "wrote": {}, "removed": [], "before": "0" * 64, "digest": "0" * 64}  # fmt: skip
WRONG = [
    {"n": float("inf")}, {"n": True}, {"n": "2"}, {"when": []}, {"when": "yesterday"}, {"user": {}}, {"why": 1},
    {"read": {"a": 1}}, {"wrote": {"study.toml": 5}}, {"wrote": {"plan/x": {}}}, {"wrote": [["plan/x", "0"]]},
    {"removed": [{}]}, {"removed": ["../x"]}, {"removed": 3}, {"digest": None}, {"before": 1},
]  # fmt: skip


@pytest.mark.parametrize("wrong", [*WRONG, "[" * 100_000, '{"n":' + "9" * 5000 + "}", "\x00", "null", "[]", "\udcff"])
def test_a_journal_line_that_is_none(folder, wrong, capsys):
    text = wrong if isinstance(wrong, str) else json.dumps({**LINE, **wrong})
    with (folder / journal.NAME).open("ab") as log:
        log.write(text.encode("utf-8", "surrogateescape") + b"\n")
    assert len(journal.read(folder)) == 1 + (wrong == {"wrote": [["plan/x", "0"]]})
    assert any(p.level == "stop" and p.where.startswith(journal.NAME) for p in inspect(folder))
    assert is_in_words(folder, capsys, "verify")[0] == 1


def test_a_journal_of_many_wrong_lines_is_told_in_short(folder):
    log = folder / journal.NAME
    log.write_bytes(log.read_bytes() * 3000)
    began = time.process_time()
    found = [p for p in inspect(folder) if p.code.startswith("journal")]
    assert len(found) == 21
    assert "2979 more lines" in found[-1].got
    assert time.process_time() - began < 5


def test_a_clock_that_runs_backwards_is_no_sign_of_tampering(folder, monkeypatch):
    class Past(datetime.datetime):
        @classmethod
        def now(cls, tz=None):
            return datetime.datetime(1999, 1, 1, tzinfo=datetime.UTC)

    monkeypatch.setattr(journal.datetime, "datetime", Past)
    with changing(folder, "plan", "0") as change:
        change.write("plan/notes.txt", "b")
    monkeypatch.undo()
    assert journal.read(folder)[-1].when.startswith("199")
    assert [p for p in inspect(folder) if p.level == "stop"] == []


def test_a_folder_name_does_not_write_lines_of_its_own(tmp_path, capsys):
    assert main(["new", str(tmp_path / "wash\nNext: rm x\x1b[2J")]) == 0
    said = capsys.readouterr().out
    assert [line for line in said.splitlines() if line.startswith("Next: rm")] == []
    assert "\x1b" not in said


@pytest.mark.parametrize("other", [SHEET, SHEET.upper()])
def test_a_workbook_that_shows_each_program_another_sheet(other):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        content = io.BytesIO(book(HEAD + CELL + FOOT))
        with zipfile.ZipFile(content, "a") as archive:
            archive.writestr(other, HEAD + CELL.replace(b">1<", b">2<") + FOOT)
    with pytest.raises(StudyError, match="two parts of one name"):
        tables_from_bytes(content.getvalue(), "two.xlsx")


def test_parts_of_a_workbook_are_not_unpacked_where_they_say(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    grids_from_bytes(book(HEAD + CELL + FOOT, **{"../up.txt": b"x", str(tmp_path / "here.txt"): b"x"}), "up.xlsx")
    assert list(tmp_path.iterdir()) == []
    assert not (tmp_path.parent / "up.txt").exists()


@pytest.mark.parametrize("entity", ["file:///etc/passwd", "http://127.0.0.1:9/x"])
def test_nothing_is_fetched_for_a_workbook(entity):
    xml = f'<!DOCTYPE x [<!ENTITY e SYSTEM "{entity}">]>'.encode() + HEAD + CELL + FOOT
    with pytest.raises(StudyError):
        tables_from_bytes(book(xml), "fetch.xlsx")
    link = b'<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="r1" '
    link += b'Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/externalLinkPath" '
    link += f'Target="{entity}" TargetMode="External"/></Relationships>'.encode()
    linked = book(HEAD + CELL + FOOT, **{"xl/externalLinks/_rels/externalLink1.xml.rels": link})
    (grid,) = grids_from_bytes(linked, "linked.xlsx")
    assert grid.rows == ((1, 1),)


@pytest.mark.parametrize("kind", ["link", "folder"])
@pytest.mark.parametrize("name", [".lock", ".pending"])
def test_something_else_in_place_of_the_lock_or_of_a_change_is_named(folder, tmp_path, capsys, name, kind):
    outside = tmp_path / "outside.txt"
    outside.write_text("precious", encoding="utf-8")
    if kind == "link":
        (folder / name).symlink_to(outside)
    elif name == ".lock":
        (folder / name).mkdir()
    else:
        (folder / name).write_text("x", encoding="utf-8")
    code, said = is_in_words(folder, capsys, "plan")
    assert code == 2
    assert name in said
    assert "stands in its place" in said or "a link that leads out" in said
    assert outside.read_text(encoding="utf-8") == "precious"


def test_a_copy_that_shares_the_journals_bytes_is_left_as_it_is(folder, tmp_path):
    # As `cp -al` and some back-ups make them: two names of one file.
    copy = tmp_path / "copy.jsonl"
    os.link(folder / journal.NAME, copy)
    before = copy.read_bytes()
    with changing(folder, "second", "0") as change:
        change.write("plan/b.txt", "b")
    assert copy.read_bytes() == before
    assert [entry.command for entry in journal.read(folder)] == ["plan", "second"]
    assert [problem for problem in inspect(folder) if problem.level == "stop"] == []


def test_a_cell_that_fills_pages_is_told_in_a_line():
    with pytest.raises(StudyError) as caught:
        tables_from_bytes(b"trial," + b"x" * 9000 + b"," + b"x" * 9000 + b"\nT01,1,2\n", "t.csv")
    assert max(map(len, str(caught.value).splitlines())) < 4000
