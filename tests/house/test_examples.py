"""The examples in docstrings are run, and give what they say."""

import doctest
import importlib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
FLOORS = ("doe", "optimise", "reports", "studies")
SHOWN = sorted(
    path.relative_to(ROOT).with_suffix("").as_posix().replace("/", ".")
    for floor in FLOORS
    for path in (ROOT / floor).rglob("*.py")
    if ">>> " in path.read_text(encoding="utf-8")
)


def test_there_are_examples():
    assert len(SHOWN) > 3


@pytest.mark.parametrize("name", SHOWN)
def test_examples_give_what_they_say(name):
    found = doctest.testmod(importlib.import_module(name), optionflags=doctest.NORMALIZE_WHITESPACE)
    assert found.attempted
    assert not found.failed
