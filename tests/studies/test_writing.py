"""Files written together: all or none, whatever stops the command."""

import os
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest
from small_study import snapshot_of as snapshot

from doe.problems import StudyError
from studies import journal, writing
from studies.inspection import inspect
from studies.locking import LOCK, Lock
from studies.pending import PENDING, complete
from studies.writing import changing


def change_two(folder):
    with changing(folder, "test", "0") as change:
        change.write("plan/a.json", "new a")
        change.write("results/b.csv", "new b")
        change.remove("old.txt")


@pytest.fixture
def folder(tmp_path):
    with changing(tmp_path, "first", "0") as change:
        change.write("plan/a.json", "old a")
        change.write("old.txt", "old")
    return tmp_path


def test_all_are_written_and_journalled(folder):
    change_two(folder)
    assert (folder / "plan/a.json").read_text() == "new a"
    assert (folder / "results/b.csv").read_text() == "new b"
    assert not (folder / "old.txt").exists()
    assert [entry.command for entry in journal.read(folder)] == ["first", "test"]
    assert inspect(folder) == ()
    assert not (folder / PENDING).exists()
    assert not (folder / LOCK).exists()


def test_an_error_inside_leaves_the_folder_as_it_was(folder):
    before = snapshot(folder)

    def fail():
        with changing(folder, "test", "0") as change:
            change.write("plan/a.json", "new a")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fail()
    assert snapshot(folder) == before


@pytest.mark.parametrize("step", range(1, 40))
def test_killed_at_every_system_call_it_is_before_or_after(folder, monkeypatch, step):
    """Each write, rename and sync in turn fails for good; opening the folder again heals it."""
    before = snapshot(folder)
    calls = 0

    class Killed(BaseException):
        pass

    def wrapped(real):
        def call(*args, **kwargs):
            nonlocal calls
            calls += 1
            if calls == step:
                raise Killed
            return real(*args, **kwargs)

        return call

    for name in ("replace", "fsync", "unlink", "mkdir", "truncate"):
        monkeypatch.setattr(os, name, wrapped(getattr(os, name)))
    killed = False
    try:
        change_two(folder)
    except Killed:
        killed = True
    monkeypatch.undo()
    with Lock(folder):
        complete(folder)
    after = snapshot(folder)
    done = [entry.command for entry in journal.read(folder)] == ["first", "test"]
    if done:
        assert after["plan/a.json"] == b"new a"
        assert after["results/b.csv"] == b"new b"
        assert "old.txt" not in after
    else:
        assert killed
        assert after == before
    assert [p for p in inspect(folder) if p.level == "stop"] == []


@pytest.mark.parametrize("blocker", ["plan", "plan/a.json"])
def test_what_stands_in_the_way_is_found_before_anything_is_written(tmp_path, blocker):
    place = tmp_path / blocker
    if blocker == "plan":
        place.write_text("a file")
    else:
        place.mkdir(parents=True)
    before = snapshot(tmp_path)
    with pytest.raises(StudyError, match=r"stands in its place|a folder is needed"):
        change_two(tmp_path)
    assert snapshot(tmp_path) == before


def test_links_are_not_followed_out_of_the_folder(tmp_path):
    study, elsewhere = tmp_path / "study", tmp_path / "elsewhere"
    study.mkdir()
    elsewhere.mkdir()
    (study / "plan").symlink_to(elsewhere)
    with pytest.raises(StudyError, match="link"):
        change_two(study)
    assert list(elsewhere.iterdir()) == []


@pytest.mark.parametrize("name", ["../x", "/x", "a/../../x", ""])
def test_names_outside_are_refused(folder, name):
    with pytest.raises(ValueError, match="inside"), changing(folder, "test", "0") as change:
        change.write(name, "x")


def test_full_disk_is_said_in_words(folder, monkeypatch):
    before = snapshot(folder)

    def full(path, content):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(writing, "write_synced", full)
    with pytest.raises(StudyError, match="No space left"):
        change_two(folder)
    monkeypatch.undo()
    assert snapshot(folder) == before


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="POSIX permissions")
def test_folder_not_writable_is_said_in_words():
    with tempfile.TemporaryDirectory(dir="/tmp") as place:
        folder = Path(place)
        (folder / "study.toml").write_text("x")
        folder.chmod(0o555)
        root = os.geteuid() == 0
        if root:
            os.seteuid(65534)
        try:
            with pytest.raises(StudyError, match="cannot be written"):
                change_two(folder)
        finally:
            if root:
                os.seteuid(0)
            folder.chmod(0o755)
        assert sorted(p.name for p in folder.iterdir()) == ["study.toml"]


def test_a_second_command_waits_and_then_says_who_is_at_work(folder):
    before = snapshot(folder)
    with Lock(folder), pytest.raises(StudyError, match=rf"another command.*process {os.getpid()}"):
        Lock(folder, wait_s=0.05).__enter__()
    assert snapshot(folder) == before


def test_a_lock_left_by_a_killed_command_holds_nobody_up(folder):
    code = (
        "import os; from pathlib import Path; from studies.locking import Lock;"
        f"Lock(Path({str(folder)!r})).__enter__(); os._exit(9)"
    )
    subprocess.run([sys.executable, "-c", code], check=False)
    assert (folder / LOCK).exists()
    change_two(folder)
    assert (folder / "results/b.csv").read_text() == "new b"
