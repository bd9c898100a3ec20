"""Every command that writes, killed at every write, rename, sync and removal it makes, then at 500 random moments."""

import sys
import time

import numpy as np
import pytest
from killable import job, jobs, stages
from killing import Server


@pytest.fixture(scope="module")
def server():
    with Server() as server:
        yield server


@pytest.fixture(scope="module")
def made(server, tmp_path_factory):
    root = tmp_path_factory.mktemp("killed")
    return root, stages(server, root)


@pytest.mark.parametrize("name", jobs("."))
def test_at_every_step(name, server, made, capsys):
    one = job(server, *made, name)
    came_to = [one.kill(at=moment) for moment in range(1, len(one.steps) + 1)]
    assert came_to == sorted(came_to, reverse=True), "once definite, a change stays definite"
    assert set(came_to) == {"before", "after"}
    parts = f"{came_to.count('before')} as before, {came_to.count('after')} as after"
    with capsys.disabled():
        sys.stdout.write(f"{name}: {len(came_to)} kills, {parts}\n")


def test_at_500_random_moments(server, made, capsys):
    rng = np.random.default_rng(9)
    found = {"before": 0, "after": 0}
    every = {}
    while sum(found.values()) < 500:
        name = rng.choice(list(jobs(".")))
        if name not in every:
            one = job(server, *made, name)
            one.fresh()
            began = time.perf_counter()
            server.run(*one.spelt())
            every[name] = one, time.perf_counter() - began
        one, lasts = every[name]
        # Two thirds in the last part, where it writes.
        part = rng.uniform(0.0, 1.0) if rng.integers(3) == 0 else rng.uniform(0.7, 1.05)
        came_to = one.kill(after_s=part * lasts)
        if came_to != "done":
            found[came_to] += 1
    with capsys.disabled():
        sys.stdout.write(f"random moments: {found}\n")
    assert min(found.values()) > 0
