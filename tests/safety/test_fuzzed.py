"""Bytes and words of other people, changed at random: refused in words or read, never a traceback, never a hang.

The short form; ten minutes of it are in tests/benchmarks.
"""

import json

import fuzzing
import pytest
from fuzzed import TARGETS, definition, fuzzer, told
from hypothesis import given, settings
from hypothesis import strategies as st

from doe import Study
from doe.definition.keys import SECTIONS
from doe.problems import StudyError


@pytest.mark.parametrize("name", TARGETS)
def test_no_traceback_and_no_hang(name):
    one = fuzzer(name)
    one.run(runs={"rule": 400, "levels": 400}.get(name, 40))
    assert one.failures == {}
    assert len(one.corpus) > one.first


def test_the_fuzzer_finds_what_is_wrong():
    one = fuzzer("rule")

    def broken(content):
        if b"inf" in content:
            raise ZeroDivisionError
        TARGETS["rule"][0](content)

    one.target = broken
    one.run(runs=400)
    assert [said.split(" at")[0] for said in one.failures] == ["ZeroDivisionError"]


def test_a_hang_is_found(monkeypatch):
    def endless(content):
        while True:
            pass

    monkeypatch.setattr(fuzzing, "HANG_S", 0.05)
    with pytest.raises(fuzzing.HangError):
        fuzzing.within_limits(endless, b"")


def test_a_flood_of_memory_is_found(monkeypatch):
    monkeypatch.setattr(fuzzing, "ROOM", 50_000_000)
    with pytest.raises(MemoryError):
        fuzzing.within_limits(lambda content: bytearray(200_000_000), b"")


VALUES = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=8), st.sampled_from(["Gum", "Wax", "10 %"]),
    st.lists(st.one_of(st.floats(), st.text(max_size=4)), max_size=3),
    st.dictionaries(st.text(max_size=4), st.floats()),
)  # fmt: skip


def _table(section):
    keys = sorted(section.keys) if hasattr(section, "keys") else []
    return st.dictionaries(st.sampled_from(keys), VALUES, max_size=6)


PARTS = {name: _table(section) for name, section in SECTIONS.items()}
GROUND = {"ingredient": [{"name": "Water", "qs": True}, {"name": "Gum", "low": 0.3, "high": 0.8},
                         {"name": "Wax", "low": 2, "high": 6}]}  # fmt: skip


@settings(max_examples=60)
@given(st.data())
def test_any_values_under_any_keys_are_read_or_refused_in_words(data):
    name = data.draw(st.sampled_from(sorted(PARTS)))
    table = data.draw(PARTS[name])
    source = json.loads(json.dumps(GROUND))
    if SECTIONS[name].repeated:
        source.setdefault(name, []).append(table)
    else:
        source[name] = table
    try:
        Study.from_dict(source)
    except StudyError as error:
        told(error)


@settings(max_examples=40)
@given(st.text(max_size=200))
def test_any_text_as_a_study(text):
    definition(text.encode("utf-8", "replace"))
