"""Two processes record at once, and one looks while another records; 200 rounds of each are in tests/benchmarks."""

import os

import pytest
from killable import stages
from killing import Server
from together import halves, look_while_one_records, record_at_once, seen_by

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="processes are forked")


@pytest.fixture(scope="module")
def made(server, tmp_path_factory):
    return stages(server, tmp_path_factory.mktemp("together"), last="recorded")


def test_two_processes_record_at_once(server, made, tmp_path):
    with Server() as other:
        files, trials = halves(made["planned"], tmp_path)
        for _ in range(2):
            record_at_once((server, other), made["planned"], tmp_path / "work", files, trials)


def test_who_looks_while_another_records_sees_before_or_after(server, made):
    place = made["recorded"]
    known = {look: seen_by(look, place) for look in ("status", "verify")}
    assert sum(look_while_one_records(server, place, number, known) for number in range(2)) > 0
