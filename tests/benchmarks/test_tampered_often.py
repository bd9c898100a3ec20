"""At length: 1 000 one-byte edits of a whole study, 200 rounds of two recording at once, 200 of one that looks."""

import sys

from killable import stages
from killing import Server
from tampering import byte_edits, recorded_files
from together import LOOKS, halves, look_while_one_records, record_at_once, seen_by

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


def test_two_hundred_rounds_of_one_that_looks(tmp_path, capsys):
    with Server() as writer:
        place = stages(writer, tmp_path, last="recorded")["recorded"]
        known = {look: seen_by(look, place) for look in LOOKS}
        midst = sum(look_while_one_records(writer, place, number, known) for number in range(200))
    with capsys.disabled():
        sys.stdout.write(f"200 rounds, {midst} looks begun in the midst of a change, each before or after it\n")
    assert midst >= 200
