"""At length: 1 000 one-byte edits of a whole study, and 200 rounds of two processes recording at once."""

import sys

from killable import stages
from killing import Server
from tampering import byte_edits, recorded_files
from together import halves, record_at_once

from studies.inspection import inspect


def is_found(folder):
    return any(problem.level == "stop" for problem in inspect(folder))


def test_a_thousand_bytes(tmp_path, capsys):
    with Server() as server:
        place = stages(server, tmp_path)["found"]
        for words in (["report", place], ["card", place], ["next", place, "--confirm", "2"]):
            assert server.run(*words)["code"] in (0, 1)
    assert not is_found(place)
    missed = [what for what in byte_edits(place, 1000, seed=3) if not is_found(place)]
    with capsys.disabled():
        sys.stdout.write(f"1000 edits in {len(recorded_files(place))} files, {len(missed)} not found\n")
    assert missed == []


def test_two_hundred_rounds_of_two_at_once(tmp_path, capsys):
    with Server() as one, Server() as other:
        planned = stages(one, tmp_path, last="planned")["planned"]
        files, trials = halves(planned, tmp_path)
        for _ in range(200):
            record_at_once((one, other), planned, tmp_path / "work", files, trials)
    with capsys.disabled():
        sys.stdout.write("200 rounds, both results there each time\n")
