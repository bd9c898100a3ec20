"""Commands killed in mid-write, a few steps of two of them; every step of every command is in tests/benchmarks."""

import os

import pytest
from killable import job, stages

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="processes are forked to be killed")


@pytest.fixture(scope="module")
def made(server, tmp_path_factory):
    root = tmp_path_factory.mktemp("killed")
    return root, stages(server, root, last="recorded")


@pytest.mark.parametrize("name", ["new", "record a correction"])
def test_a_command_killed_in_mid_write(name, server, made):
    one = job(server, *made, name)
    count = len(one.steps)
    assert {"fsync", "replace", "open to write", "half of a write", "unlink"} <= set(one.steps)
    moments = sorted({count // 3, one.steps.index("replace") + 2, 3 * count // 4, count - 1})
    came_to = [one.kill(at=moment) for moment in moments]
    assert came_to[0] == "before"
    assert came_to[-1] == "after"
    assert came_to == sorted(came_to, reverse=True)
