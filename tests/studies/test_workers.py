"""`--workers` and `--cluster`: the same bytes whoever does the work; a cluster that cannot be used is said in words."""

import importlib
import json
import socket
import socketserver
import threading
import warnings
from importlib import metadata

import pytest

from studies import workers
from studies.cli import main

STUDY = """
[study]
name = "Carried"
batches_per_day = 4

[[factor]]
name = "Heat"
low = 60
high = 80

[[factor]]
name = "Stir"
low = 2
high = 8

[[response]]
name = "Y"
method = "m"
aim = "above"
low = 4
sd = 0.5
matters = 1.0

[plan]
model = "linear"
runs = 6
seed = 3
"""


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "study.toml").write_text(STUDY, encoding="utf-8")
    return tmp_path


@pytest.fixture(scope="module")
def scheduler():
    """A real Dask scheduler on this machine with two worker processes; its address."""
    distributed = pytest.importorskip("distributed")
    with (
        warnings.catch_warnings(),
        distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster,
    ):
        yield cluster.scheduler_address


def compared(folder, capsys, *words):
    assert main(["plan", str(folder), "--compare", "6,8", "--json", *words]) == 0
    return (folder / "plan/compare.html").read_bytes(), json.loads(capsys.readouterr().out)


def test_the_same_bytes_from_one_process_two_and_a_cluster(folder, capsys, scheduler):
    alone = compared(folder, capsys)
    assert compared(folder, capsys, "--workers", "2") == alone
    assert compared(folder, capsys, "--cluster", scheduler) == alone


def test_formulas_and_next_trials_are_the_same_bytes_too(tmp_path, capsys, scheduler):
    """An invented table: Y rises with heat, and has a top over stirring."""
    rows = [(heat, stir) for heat in (60, 70, 80) for stir in (2, 5, 8)] + [(70, 5), (60, 2)]
    lines = [f"{h},{s},{1 + 0.02 * (h - 60) + 0.6 * s - 0.05 * s * s + 0.1 * (i % 3):.2f}"
             for i, (h, s) in enumerate(rows)]  # fmt: skip
    told = []
    for place, words in (("alone", ()), ("cluster", ("--cluster", scheduler))):
        folder = tmp_path / place
        folder.mkdir()
        (folder / "study.toml").write_text(STUDY, encoding="utf-8")
        (tmp_path / "old.csv").write_text("\n".join(["Heat,Stir,Y", *lines]) + "\n", encoding="utf-8")
        assert main(["record", str(folder), str(tmp_path / "old.csv")]) == 0
        for command in (("optimise",), ("next", "--learn", "2")):
            capsys.readouterr()
            assert main([command[0], str(folder), *command[1:], "--json", *words]) in (0, 1)
            told.append(capsys.readouterr().out)
        files = {p.relative_to(folder): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}
        told.append({name: content for name, content in files.items() if name.name != "journal.jsonl"})
    assert told[:3] == told[3:]
    assert json.loads(told[1])["runs"]


def test_a_worker_of_another_version_is_refused(folder, capsys, scheduler, monkeypatch):
    monkeypatch.setattr(metadata, "version", lambda name: "0.1")
    assert main(["plan", str(folder), "--compare", "--cluster", scheduler]) == 2
    said = capsys.readouterr().err
    assert "the same versions" in said
    assert "Traceback" not in said
    assert not (folder / "plan").exists()


def test_nobody_there(folder, capsys, monkeypatch):
    pytest.importorskip("distributed")
    monkeypatch.setattr(workers, "WAIT_S", 0.3)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        address = f"tcp://127.0.0.1:{free.getsockname()[1]}"
    assert main(["plan", str(folder), "--compare", "--cluster", address]) == 2
    said = capsys.readouterr().err
    assert "nobody answers" in said
    assert "Traceback" not in said


def test_somebody_else_is_there(folder, capsys, monkeypatch):
    pytest.importorskip("distributed")
    monkeypatch.setattr(workers, "WAIT_S", 1)

    class Speaker(socketserver.BaseRequestHandler):
        def handle(self):
            self.request.sendall(b"HTTP/1.1 400 Bad Request\r\n\r\n" * 4)

    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), Speaker) as other:
        threading.Thread(target=other.serve_forever, daemon=True).start()
        address = f"tcp://127.0.0.1:{other.server_address[1]}"
        assert main(["plan", str(folder), "--compare", "--cluster", address]) == 2
        other.shutdown()
    said = capsys.readouterr().err
    assert "no Dask scheduler" in said
    assert "Traceback" not in said


@pytest.mark.parametrize("address", ["", "no address at all", "ftp://x:1", "tcp://", "tcp://127.0.0.1:99999999"])
def test_no_address(folder, capsys, monkeypatch, address):
    pytest.importorskip("distributed")
    monkeypatch.setattr(workers, "WAIT_S", 0.3)
    assert main(["plan", str(folder), "--compare", "--cluster", address]) == 2
    said = capsys.readouterr().err
    assert "--cluster" in said
    assert "Traceback" not in said


def test_without_the_extra_it_is_said_what_to_install(folder, capsys, monkeypatch):
    real = importlib.import_module

    def missing(name, package=None):
        if name == "distributed":
            raise ImportError(name)
        return real(name, package)

    monkeypatch.setattr(importlib, "import_module", missing)
    assert main(["plan", str(folder), "--compare", "--cluster", "tcp://127.0.0.1:8786"]) == 2
    assert "blendwright[cluster]" in capsys.readouterr().err
