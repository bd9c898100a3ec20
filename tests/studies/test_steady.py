"""Who looks at a study while a command writes to it sees it before or after, not between."""

import threading

import pytest

from doe.problems import StudyError
from studies import steady
from studies.pending import MANIFEST, PENDING, complete
from studies.steady import steadily
from studies.writing import Change, changing


@pytest.fixture
def folder(tmp_path):
    place = tmp_path / "study"
    place.mkdir()
    put(place, "old")
    return place


def put(place, text):
    with changing(place, text, "0") as change:
        change.write("plan/a", text)
        change.write("plan/b", text)


def staged(place, text):
    """A change that is definite, with its first file in its place: a command in the midst of its renames."""
    change = Change(place, text, "0")
    change.write("plan/a", text)
    change.write("plan/b", text)
    change._stage(change._entry())
    (place / PENDING / "0").replace(place / "plan/a")


def look(place, *between):
    """Reads both files; what is in `between` happens after the first, once."""
    left = list(between)

    def read():
        a = (place / "plan/a").read_text()
        if left:
            left.pop(0)()
        return a, (place / "plan/b").read_text()

    return read


def test_a_study_at_rest_is_looked_at_once(folder):
    calls = []
    assert steadily(folder, lambda: calls.append(1) or look(folder)()) == ("old", "old")
    assert calls == [1]


def test_a_change_that_comes_and_goes_within_a_look(folder):
    assert look(folder, lambda: put(folder, "new"))() == ("old", "new"), "without care it is seen between"
    assert steadily(folder, look(folder, lambda: put(folder, "newer"))) == ("newer", "newer")


def test_a_change_that_begins_within_a_look_is_waited_for(folder):
    assert steadily(folder, look(folder, lambda: staged(folder, "new"))) == ("new", "new")


def test_a_change_under_way_is_waited_for(folder):
    staged(folder, "new")
    assert look(folder)() == ("new", "old"), "without care it is seen between"
    assert steadily(folder, look(folder)) == ("new", "new")


def test_a_look_that_trips_over_a_change_is_repeated_and_one_of_a_study_at_rest_is_told(folder):
    def tripped():
        put(folder, "new")
        raise KeyError("half")

    assert steadily(folder, look(folder, tripped)) == ("new", "new")
    with pytest.raises(KeyError):
        steadily(folder, lambda: {}["no"])


def test_who_writes_again_and_again_is_made_to_wait(folder):
    changes = [lambda n=n: put(folder, f"new {n}") for n in range(steady._TRIES)]

    def refused():
        with pytest.raises(StudyError, match="at work"), changing(folder, "late", "0", wait_s=0.05):
            pass

    last = f"new {steady._TRIES - 1}"
    assert steadily(folder, look(folder, *changes, refused)) == (last, last)


def test_nothing_is_seen_between_while_another_thread_writes(folder):
    ended = threading.Event()

    def write():
        for number in range(40):
            put(folder, f"new {number}")
        ended.set()

    writer = threading.Thread(target=write)
    writer.start()
    seen = []
    while not ended.is_set():
        seen.append(steadily(folder, look(folder)))
    writer.join()
    assert all(a == b for a, b in seen)
    assert not (folder / PENDING / MANIFEST).exists()
    assert not complete(folder)
