"""Two processes record at once; 200 rounds of it are in tests/benchmarks."""

import os

import pytest
from killable import stages
from killing import Server
from together import halves, record_at_once


@pytest.mark.skipif(not hasattr(os, "fork"), reason="processes are forked")
def test_two_processes_record_at_once(tmp_path):
    with Server() as one, Server() as other:
        planned = stages(one, tmp_path, last="planned")["planned"]
        files, trials = halves(planned, tmp_path)
        for _ in range(2):
            record_at_once((one, other), planned, tmp_path / "work", files, trials)
