"""The journal's chain: what an edit, a loss or a shuffle looks like to verify."""

import json

import pytest

from studies import journal
from studies.inspection import inspect
from studies.writing import changing


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "study.toml").write_text('[study]\nname = "x"\n', encoding="utf-8")
    for number in range(4):
        with changing(tmp_path, f"step-{number}", "0") as change:
            change.note_read("study.toml", (tmp_path / "study.toml").read_bytes())
            change.write(f"results/{number}.csv", f"a,b\n{number},1\n")
    return tmp_path


def codes(folder, head=None):
    return [problem.code for problem in inspect(folder, head) if problem.level == "stop"]


def lines(folder):
    return (folder / journal.NAME).read_bytes().splitlines(keepends=True)


def put(folder, rows):
    (folder / journal.NAME).write_bytes(b"".join(rows))


def test_an_untouched_folder_verifies_and_so_does_a_copy(folder, tmp_path_factory):
    import shutil

    assert codes(folder) == []
    elsewhere = tmp_path_factory.mktemp("copy") / "study"
    shutil.copytree(folder, elsewhere)
    assert codes(elsewhere) == []


def test_every_single_byte_of_the_journal_counts(folder):
    content = (folder / journal.NAME).read_bytes()
    for place in range(0, len(content), 7):
        changed = bytearray(content)
        changed[place] = changed[place] ^ 1
        (folder / journal.NAME).write_bytes(bytes(changed))
        assert codes(folder), f"byte {place}"


def test_missing_line_in_the_middle(folder):
    rows = lines(folder)
    put(folder, [*rows[:1], *rows[2:]])
    assert "journal-order" in codes(folder)


def test_missing_first_line(folder):
    put(folder, lines(folder)[1:])
    assert "journal-order" in codes(folder)


def test_swapped_lines(folder):
    rows = lines(folder)
    put(folder, [rows[0], rows[2], rows[1], rows[3]])
    assert "journal-order" in codes(folder)


def test_doubled_line(folder):
    rows = lines(folder)
    put(folder, [*rows, rows[-1]])
    found = [p for p in inspect(folder) if p.code == "journal-order"]
    assert "second time" in found[0].got


def test_a_cut_last_line_is_told_from_a_changed_one(folder):
    content = (folder / journal.NAME).read_bytes()
    (folder / journal.NAME).write_bytes(content[:-20])
    assert "journal-cut" in codes(folder)


def test_a_lost_last_line_shows_in_the_file_it_wrote_and_in_the_head(folder):
    rows = lines(folder)
    head = json.loads(rows[-1])["digest"]
    put(folder, rows[:-1])
    assert codes(folder) == ["file-added"]
    assert "head-unknown" in codes(folder, head)


def test_a_rewritten_chain_is_whole_and_only_the_printed_head_tells(folder):
    head = json.loads(lines(folder)[-1])["digest"]
    assert codes(folder, head) == []
    before, rows = None, []
    for entry in journal.read(folder):
        before = journal.written(before, "forged", entry.read, entry.wrote, version="0")
        rows.append(journal.line_of(before))
    put(folder, rows)
    assert codes(folder) == []
    assert codes(folder, head[:12]) == ["head-unknown"]


@pytest.mark.parametrize("deed", ["change", "remove", "add", "link"])
def test_files(folder, deed):
    target = folder / "results" / "1.csv"
    if deed == "change":
        target.write_bytes(target.read_bytes().replace(b"1", b"2"))
    elif deed == "remove":
        target.unlink()
    elif deed == "add":
        (folder / "results" / "new.csv").write_text("x")
    else:
        copy = folder / "elsewhere.csv"
        copy.write_bytes(target.read_bytes())
        target.unlink()
        target.symlink_to(copy)
    expected = {"change": "file-changed", "remove": "file-missing", "add": "file-added", "link": "file-missing"}
    assert expected[deed] in codes(folder)


def test_an_edited_study_is_legal_and_said(folder):
    (folder / "study.toml").write_text('[study]\nname = "y"\n', encoding="utf-8")
    found = inspect(folder)
    assert [p.code for p in found] == ["edited"]
    assert found[0].level == "inform"


def test_journal_missing(folder):
    (folder / journal.NAME).unlink()
    assert "no-journal" in codes(folder)


def test_entry_carries_who_when_and_what(folder):
    entry = journal.read(folder)[-1]
    assert entry.command == "step-3"
    assert entry.when[10] == "T"
    assert entry.when[-6] in "+-"
    assert entry.wrote["results/3.csv"] == journal.digest_of(b"a,b\n3,1\n")
    assert set(entry.read) == {"study.toml"}
