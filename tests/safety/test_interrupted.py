"""What an interrupted command left: finished where it is its own and whole, refused in words where it is not."""

import json
import os
import shutil

import pytest
from small_study import snapshot_of

from doe.problems import StudyError
from studies import journal, locking, pending
from studies.cli import main
from studies.commands.demo import make_room
from studies.commands.new import create
from studies.inspection import inspect
from studies.locking import CLAIM, LOCK, Lock, holder
from studies.pending import MANIFEST, PENDING, UnfinishedError, complete
from studies.writing import Change, changing


@pytest.fixture
def folder(tmp_path):
    place = tmp_path / "study"
    place.mkdir()
    (place / "study.toml").write_text("x = 1\n")
    with changing(place, "first", "0") as change:
        change.write("plan/a.json", "old a")
    return place


def staged(folder):
    """A change as a command killed after its manifest leaves it."""
    change = Change(folder, "second", "0")
    change.write("plan/a.json", "new a")
    change.write("results/b.csv", "b")
    entry = change._entry()
    change._stage(entry)
    return entry


def manifest(folder, **changed):
    path = folder / PENDING / MANIFEST
    path.write_text(json.dumps({**json.loads(path.read_text()), **changed}))


def refused(folder):
    before = snapshot_of(folder)
    with pytest.raises(StudyError) as caught:
        complete(folder)
    assert snapshot_of(folder) == before
    return str(caught.value)


def test_a_whole_change_is_finished(folder):
    staged(folder)
    assert complete(folder)
    assert (folder / "plan/a.json").read_text() == "new a"
    assert inspect(folder) == ()


def test_where_nothing_may_be_written_verify_says_that_nothing_is_lost(folder):
    staged(folder)
    (problem,) = inspect(folder)
    assert (problem.code, problem.level) == ("interrupted", "warn")
    assert "nothing recorded is lost" in problem.do
    shutil.move(folder / PENDING / "0", folder / "plan/a.json")
    assert [p.code for p in inspect(folder)] == ["interrupted"]


@pytest.mark.parametrize(
    "changed",
    [
        {"moves": [["../../elsewhere.txt", "plan/a.json"]]},
        {"moves": [["0", "../elsewhere.txt"]]},
        {"moves": [["0", "/tmp/elsewhere.txt"]]},
        {"moves": [["0", "C:\\elsewhere.txt"]]},
        {"moves": "no list"},
        {"removed": ["../study.toml"]},
        {"offset": 0},
        {"offset": 10**9},
        {"offset": -1},
        {"line": "not a line\n"},
        {"line": ""},
        {},
    ],
)
def test_a_change_from_elsewhere_is_not_carried_out(folder, tmp_path, changed):
    outside = tmp_path / "elsewhere.txt"
    outside.write_text("theirs")
    staged(folder)
    manifest(folder, **changed)
    if not changed:
        (folder / PENDING / "0").write_text("another a")
    assert PENDING in refused(folder)
    assert outside.read_text() == "theirs"
    assert main(["status", str(folder)]) == 2


def test_a_change_is_not_carried_out_through_a_link(folder, tmp_path):
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    staged(folder)
    (folder / "results").symlink_to(elsewhere)
    assert "link" in refused(folder)
    assert list(elsewhere.iterdir()) == []


@pytest.mark.parametrize("name", ["study.toml", "plan", "results/readings.csv", "journal.jsonl", PENDING])
def test_links_out_of_the_folder_are_not_followed(folder, tmp_path, name, capsys):
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "secret").write_text("theirs")
    place = folder / name
    place.parent.mkdir(exist_ok=True)
    if place.is_dir():
        shutil.rmtree(place)
    place.unlink(missing_ok=True)
    is_file = "." in name[1:]
    place.symlink_to(elsewhere / "secret" if is_file else elsewhere)
    for command in ("status", "check", "plan", "verify"):
        code = main([command, str(folder)])
        said = capsys.readouterr()
        assert code == (1 if command == "verify" else 2) or name == "study.toml"
        assert code
        assert "theirs" not in said.out + said.err
        assert "link" in said.out + said.err
    assert [p.name for p in elsewhere.iterdir()] == ["secret"]


def test_no_room_to_finish_loses_nothing(folder, monkeypatch, capsys):
    def full(source, target):
        if target.name != MANIFEST:
            raise OSError(28, "No space left on device")
        return real(source, target)

    real = os.replace
    monkeypatch.setattr(os, "replace", full)
    with (
        pytest.raises(UnfinishedError, match=r"No space left.*nothing recorded is lost"),
        changing(folder, "second", "0") as change,
    ):
        change.write("plan/a.json", "new a")
    monkeypatch.undo()
    assert complete(folder)
    assert (folder / "plan/a.json").read_text() == "new a"
    assert inspect(folder) == ()


@pytest.mark.parametrize("cut", [1, 20, 200])
@pytest.mark.parametrize("filled", [b"", b"\0" * 40])
def test_a_line_cut_short_by_a_crash_is_told_from_an_edit_and_work_goes_on(folder, cut, filled):
    with changing(folder, "second", "0") as change:
        change.write("results/b.csv", "b")
    log = folder / journal.NAME
    whole = log.read_bytes()
    log.write_bytes(whole[:-cut] + filled)
    assert [p.code for p in inspect(folder) if p.code.startswith("journal")] == ["journal-cut"]
    with changing(folder, "third", "0") as change:
        change.write("results/b.csv", "b again")
    assert [p for p in inspect(folder) if p.level == "stop"] == []
    assert [e.command for e in journal.read(folder)][-1] == "third"
    with changing(folder, "fourth", "0") as change:
        change.write("plan/a.json", "a")
    assert [p for p in inspect(folder) if p.level == "stop"] == []


def test_another_text_at_the_end_is_not_taken_for_a_crash(folder):
    with (folder / journal.NAME).open("ab") as log:
        log.write(b'{"n":7,"when":"2031"')
    assert [p.code for p in inspect(folder)] == ["journal-changed"]


def test_what_was_passed_over_cannot_be_changed_later(folder):
    with (folder / journal.NAME).open("ab") as log:
        log.write(b'{"n":2,"when":"2031-')
    assert [p.code for p in inspect(folder)] == ["journal-cut"]
    with changing(folder, "second", "0") as change:
        change.write("plan/a.json", "a")
    assert [(p.code, p.level) for p in inspect(folder)] == [("journal-passed-over", "warn")]
    log = folder / journal.NAME
    log.write_bytes(log.read_bytes().replace(b"2031-\n", b"2032-\n"))
    assert "journal-changed" in [p.code for p in inspect(folder)]


def test_a_command_of_another_computer_in_between_is_noticed(folder):
    """On a drive whose locks do not reach other computers two commands may work at once: the second is refused."""
    change = Change(folder, "slow", "0")
    change.write("plan/a.json", "slow a")
    with changing(folder, "quick", "0") as other:
        other.write("plan/a.json", "quick a")
    with pytest.raises(StudyError, match=r"another command wrote to it meanwhile \(quick by .*repeat this one"):
        change.commit()
    assert (folder / "plan/a.json").read_text() == "quick a"
    assert inspect(folder) == ()


@pytest.fixture
def no_locks(monkeypatch):
    monkeypatch.setattr(locking, "_take", lambda handle: None)


@pytest.mark.usefixtures("no_locks")
def test_a_drive_without_locks_is_held_by_a_file(folder):
    with Lock(folder), pytest.raises(StudyError, match=rf"process {os.getpid()}, since 2.*remove {CLAIM}"):
        Lock(folder, wait_s=0.05).__enter__()
    assert not (folder / CLAIM).exists()
    assert not (folder / LOCK).exists()


@pytest.mark.usefixtures("no_locks")
def test_a_claim_of_a_process_that_is_gone_is_taken_over_and_one_of_another_computer_is_not(folder):
    gone = os.fork()
    if gone == 0:
        os._exit(0)
    os.waitpid(gone, 0)
    (folder / CLAIM).write_text(holder().replace(f"process {os.getpid()}", f"process {gone}"))
    with Lock(folder, wait_s=0.5):
        pass
    (folder / CLAIM).write_text(f"anna on bench-pc, process {gone}, since 2031-01-01T10:00:00+01:00")
    with pytest.raises(StudyError, match=r"anna on bench-pc.*if that computer was switched off"):
        Lock(folder, wait_s=0.05).__enter__()


def test_a_full_disk_does_not_look_like_another_command(folder, monkeypatch):
    def full(handle, content):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "write", full)
    with Lock(folder, wait_s=0.05):
        pass


def test_pending_is_not_a_place_for_links(folder, tmp_path):
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "file").write_text("theirs")
    (folder / PENDING).symlink_to(elsewhere)
    with pytest.raises(StudyError, match="link"):
        complete(folder)
    assert (elsewhere / "file").exists()
    assert pending.pending_of(folder) is None


def test_a_demo_killed_in_the_middle_is_cleared_and_work_of_someone_is_not(tmp_path):
    place = tmp_path / "demo"
    create(place, "x = 1\n", command="demo")
    with changing(place, "plan", "0") as change:
        change.write("plan/a.json", "a")
    (place / "plan/a.json").unlink()
    (place / LOCK).write_text("gone")
    (place / "bench").mkdir()
    (place / "bench" / ".round-1.xlsx.part").write_bytes(b"half")
    (place / "notes.txt").write_text("mine")
    with pytest.raises(StudyError, match=r"notes\.txt"):
        make_room(place)
    (place / "notes.txt").unlink()
    make_room(place)
    assert not place.exists()
