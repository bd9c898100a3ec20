"""A full disk, a folder one may only read, no home, odd locales and terminals, paths of any script, threads, cores."""

import errno
import io
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest
from killing import OS_CALLS, Steps
from small_study import SMALL, snapshot_of, table_of_runs

from doe.problems import StudyError
from studies import journal
from studies.cli import main
from studies.inspection import inspect
from studies.pending import complete
from studies.writing import changing

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def planned_once(tmp_path_factory):
    place = tmp_path_factory.mktemp("pressure") / "study"
    place.mkdir()
    (place / "study.toml").write_text(SMALL, encoding="utf-8")
    assert main(["plan", str(place)]) == 0
    runs = json.loads((place / "plan/round-1/plan.json").read_text(encoding="utf-8"))["runs"]
    (place.parent / "back.csv").write_text(table_of_runs(runs), encoding="utf-8")
    return place


@pytest.fixture
def planned(planned_once, tmp_path):
    return shutil.copytree(planned_once, tmp_path / "study")


class Full(Steps):
    """The disk is full from one step on."""

    def step(self, what):
        self.done.append(what)
        if len(self.done) >= self.at and what not in ("unlink", "rmdir", "remove"):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def put_two(folder):
    with changing(folder, "second", "0") as change:
        change.write("plan/a.json", "new a")
        change.write("results/b.csv", "b")
        change.remove("old.txt")


@pytest.mark.parametrize("at", range(1, 45, 2))
def test_a_disk_full_from_any_step_on(tmp_path, monkeypatch, at):
    folder = tmp_path / "study"
    folder.mkdir()
    with changing(folder, "first", "0") as change:
        change.write("plan/a.json", "a")
        change.write("old.txt", "old")
    before = snapshot_of(folder)
    for name in OS_CALLS:
        monkeypatch.setattr(os, name, getattr(os, name))
    monkeypatch.setattr(io, "open", io.open)
    Full(folder, at).install()
    ended = ""
    try:
        put_two(folder)
    except StudyError as error:
        ended = str(error)
    monkeypatch.undo()
    complete(folder)
    after = {name: content for name, content in snapshot_of(folder).items() if name != ".lock"}
    assert not ended or "No space left" in ended
    if "cannot be written" in ended:
        assert after == before
    else:
        assert not ended or "nothing recorded is lost" in ended
        assert after["results/b.csv"] == b"b"
        assert [entry.command for entry in journal.read(folder)] == ["first", "second"]
    assert [problem for problem in inspect(folder) if problem.level == "stop"] == []


def test_no_file_may_grow_beyond_a_limit(planned, planned_once, capsys):
    """The system itself refuses the writing: a quota, as many shared drives have."""
    before = snapshot_of(planned)
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (100, limits[1]))
    try:
        code = main(["record", str(planned), str(planned_once.parent / "back.csv")])
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert code == 2
    assert "cannot be written" in capsys.readouterr().err
    assert snapshot_of(planned) == before


@pytest.mark.skipif(os.geteuid() != 0, reason="another user's folder")
def test_a_folder_one_may_only_read_can_be_looked_at(planned_once, capsys):
    with tempfile.TemporaryDirectory() as place:
        Path(place).chmod(0o755)
        folder = shutil.copytree(planned_once, Path(place) / "study")
        os.seteuid(65534)
        try:
            assert main(["status", str(folder)]) == 0
            assert main(["verify", str(folder)]) == 0
            assert main(["check", str(folder)]) == 0
            assert main(["plan", str(folder), "--replace"]) == 2
        finally:
            os.seteuid(0)
        assert "cannot be written" in capsys.readouterr().err


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="a device that takes nothing")
def test_an_output_without_room_is_said_and_the_study_is_whole(planned, monkeypatch, capsys):
    with open("/dev/full", "w", encoding="utf-8") as full:
        monkeypatch.setattr(sys, "stdout", full)
        code = main(["plan", str(planned), "--replace", "--seed", "8"])
    monkeypatch.undo()
    assert code == 1
    assert "the output: cannot be written: No space left" in capsys.readouterr().err
    assert [entry.command for entry in journal.read(planned)] == ["plan", "plan"]
    assert inspect(planned) == ()


def fails(*given):
    raise OSError(errno.EIO, os.strerror(errno.EIO))


def test_what_fails_after_it_wrote_does_not_say_that_nothing_was_written(planned, planned_once, monkeypatch, capsys):
    monkeypatch.setattr("studies.commands.record.next_step", fails)
    assert main(["record", str(planned), str(planned_once.parent / "back.csv")]) == 1
    said = capsys.readouterr().err
    assert "Input/output error" in said
    assert "Nothing was written" not in said
    assert [entry.command for entry in journal.read(planned)] == ["plan", "record"]


def test_what_fails_while_another_process_writes_says_that_nothing_was_written(planned, monkeypatch, capsys):
    def another_writes(*given):
        later = journal.written(journal.read(planned)[-1], "status", {}, {})
        with (planned / journal.NAME).open("ab") as log:
            log.write(journal.line_of(later))
        fails()

    monkeypatch.setattr("studies.commands.status.next_step", another_writes)
    assert main(["status", str(planned)]) == 2
    assert "Nothing was written" in capsys.readouterr().err


def test_a_command_works_where_nobody_listens(planned, monkeypatch):
    for stream in ("stdout", "stderr"):
        monkeypatch.setattr(sys, stream, None)
    assert main(["status", str(planned)]) == 0
    assert main(["status", str(planned), "--json"]) == 0
    assert main(["status", str(planned / "nowhere")]) == 2


def test_no_room_for_temporary_files(planned, monkeypatch, tmp_path, capsys):
    before = snapshot_of(planned)
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "gone"))
    assert main(["plan", str(planned), "--replace", "--seed", "8"]) == 2
    assert "name another folder in TMPDIR" in capsys.readouterr().err
    assert snapshot_of(planned) == before


JOB = """
import sys
from studies.cli import main
study, table = sys.argv[1:]
for words in (["plan", study, "--replace", "--seed", "4"], ["record", study, table], ["fit", study], ["status", study],
              ["verify", study]):
    code = main(words)
    if code:
        sys.exit(f"{words[0]} ended with {code}")
"""
SETTINGS = {
    "everything odd at once": (
        {"PYTHONIOENCODING": "ascii", "LC_ALL": "C", "PYTHONCOERCECLOCALE": "0", "PYTHONUTF8": "0",
         "OPENBLAS_NUM_THREADS": "4", "OMP_NUM_THREADS": "4", "PYTHONHASHSEED": "7"},
        "my study, é 研究 دراسة (2)",
    ),
    "a Turkish office, one core": (
        {"LC_ALL": "tr_TR.UTF-8", "LANG": "tr_TR.UTF-8", "TZ": "Pacific/Chatham", "OPENBLAS_NUM_THREADS": "2",
         "OMP_NUM_THREADS": "2", "PYTHONHASHSEED": "99"},
        "ışık IĞDIR",
    ),
}  # fmt: skip


def job(folder, planned_once, **environment):
    """The job in a process of its own, with nothing in the environment but what is given: no home, no user."""
    shutil.copytree(planned_once, folder)
    cores = {min(os.sched_getaffinity(0))} if environment.get("TZ") else os.sched_getaffinity(0)
    done = subprocess.run(
        [sys.executable, "-c", JOB, os.fspath(folder), os.fspath(planned_once.parent / "back.csv")],
        env={"PATH": os.defpath, "PYTHONPATH": str(ROOT), **environment}, capture_output=True, check=False,
        cwd=folder.parent, preexec_fn=lambda: os.sched_setaffinity(0, cores),
    )  # fmt: skip
    assert done.returncode == 0, done.stderr.decode("utf-8", "replace")
    assert done.stdout.decode("ascii" if "PYTHONIOENCODING" in environment else "utf-8")
    kept = snapshot_of(folder)
    parts = ("plan/", "results/", "analysis/")
    return {name: content for name, content in kept.items() if name.startswith(parts)}


@pytest.mark.skipif(not hasattr(os, "sched_setaffinity"), reason="cores are chosen")
def test_the_same_bytes_in_any_surroundings(planned_once, tmp_path):
    one, other = (job(tmp_path / folder, planned_once, **said) for said, folder in SETTINGS.values())
    assert len(one) >= 8
    assert one == other
