"""Shared by the tests that kill commands."""

import pytest
from killing import Server


@pytest.fixture(scope="module")
def server():
    with Server() as server:
        yield server
