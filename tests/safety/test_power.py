"""Power fails at any moment: whatever the drive kept, the folder comes to what it was or what it would have been."""

import shutil

import numpy as np
import pytest
from power import Drive, follow
from small_study import snapshot_of

from studies import journal
from studies.inspection import inspect
from studies.pending import complete
from studies.writing import changing

WAYS = 4


@pytest.fixture
def folder(tmp_path):
    place = tmp_path / "study"
    place.mkdir()
    with changing(place, "first", "0") as change:
        change.write("plan/a.json", "old a")
        change.write("old.txt", "old")
    return place


def change_some(folder):
    with changing(folder, "test", "0") as change:
        change.write("plan/a.json", "new a")
        change.write("plan/round-2/deep/b.csv", "new b" * 40)
        change.remove("old.txt")


def known(folder):
    return {name: content for name, content in snapshot_of(folder).items() if name not in (".lock", journal.NAME)}


def test_whatever_the_drive_kept(folder, monkeypatch, tmp_path):
    before, drive = known(folder), Drive(folder)
    with monkeypatch.context() as patch:
        follow(drive, patch)
        change_some(folder)
    after = known(folder)
    assert len(drive.moments) > 30
    seen = set()
    rng = np.random.default_rng(1)
    for moment in range(len(drive.moments)):
        for way in range(WAYS):
            # Nothing of what was not synced; all of it; any part.
            choose = (lambda n: 0, lambda n: min(1, n - 1), lambda n: int(rng.integers(n)))[min(way, 2)]
            place = tmp_path / "left"
            drive.after_failure(moment, place, choose)
            complete(place)
            found = known(place)
            assert found in (before, after), f"moment {moment}, way {way}: {sorted(found)}"
            assert not [p for p in inspect(place) if p.level == "stop"], f"moment {moment}, way {way}"
            assert [e.command for e in journal.read(place)] == ["first", "test"][: 1 + (found == after)]
            seen.add(found == after)
            shutil.rmtree(place)
    assert seen == {True, False}
