"""Ten minutes of fuzzing over everything that other people's bytes reach; memory stays bounded on the way."""

import resource
import sys

import pytest
from fuzzed import TARGETS, fuzzer

SECONDS = 600
ROOM_MB = 1500


@pytest.mark.parametrize("name", TARGETS)
def test_no_traceback_no_hang_no_flood(name, tmp_path, capsys):
    one = fuzzer(name, seed=20)
    one.run(seconds=SECONDS / len(TARGETS))
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000
    with capsys.disabled():
        sys.stdout.write(
            f"{name}: {one.runs} inputs, {len(one.corpus)} kept, {len(one.lines.seen)} lines, {most:.0f} MB\n"
        )
    for number, (said, content) in enumerate(one.failures.items()):
        place = tmp_path / str(number)
        place.write_bytes(content)
        sys.stdout.write(f"{said}: {place}\n")
    assert one.failures == {}
    assert most < ROOM_MB
