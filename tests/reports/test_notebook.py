"""Small tables in a notebook: each object shows itself, and display never fails."""

import subprocess
import sys
from dataclasses import replace
from html.parser import HTMLParser

import pytest
from IPython.core.formatters import HTMLFormatter

from doe import shown
from optimise import next_trials
from reports import notebook


class Balanced(HTMLParser):
    def __init__(self):
        super().__init__()
        self.open, self.seen = [], []

    def handle_starttag(self, tag, attrs):
        self.open.append(tag)
        self.seen.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


@pytest.fixture
def formatter():
    return HTMLFormatter()


def test_each_object_shows_itself(job, formatter):
    upcoming = next_trials(job.study, job.models, confirm=3, best=job.best)
    fitted = job.models["Thickness"]
    quality = job.design.quality
    assert len(repr(quality)) < 100
    for thing in (job.study, job.design, quality, job.results, job.models, fitted, job.best, upcoming):
        html = formatter(thing)
        assert html is not None, type(thing)
        page = Balanced()
        page.feed(html)
        assert not page.open
        assert "table" in page.seen
        assert "b" not in page.seen[1:] or "<b>invented" not in html
        assert "<b>invented</b>" not in html


def test_what_is_due_tells_what_batches_said_and_shows_no_empty_table(job, formatter):
    upcoming = next_trials(job.study, job.models, confirm=3, best=job.best)
    facts = {"off": [], "missed": [], "breaks": [], "left_out": [], "near": 0.02, "batches": ["T17-1"]}
    done = replace(upcoming, purpose="stop", design=None, verdict={**facts, "confirmed": True})
    html = formatter(done)
    assert "Confirmed: the confirmation batch came out as predicted" in html
    assert "<table>" not in html
    assert str(done) == f"Upcoming: stop ({done.due.why})"


def test_names_are_escaped(job, formatter):
    assert "Gum &amp; co" in formatter(job.study)
    assert "Gum & co" not in formatter(job.study)


def test_what_cannot_be_shown_gives_way_to_text(job):
    class Study:
        pass

    Study.__module__ = "doe.study"
    assert notebook.html_of(Study()) is None
    assert notebook.html_of(3) is None


def test_a_record_shows_itself_without_reports_imported():
    told = """
import sys
from doe import Study
study = Study.from_dict({"study": {"name": "x"}, "factor": [{"name": "Time", "low": 1, "high": 2}],
                         "response": [{"name": "Y", "aim": "watch"}]})
assert not any(name.split(".")[0] == "reports" for name in sys.modules)
print(study._repr_html_())
"""
    done = subprocess.run([sys.executable, "-c", told], capture_output=True, text=True, check=True)
    assert "<table>" in done.stdout
    assert "Time" in done.stdout


def test_a_broken_table_maker_gives_way_to_text(monkeypatch):
    class Broken:
        def load(self):
            raise RuntimeError("no such thing")

    monkeypatch.setattr(shown, "entry_points", lambda group: [Broken()])
    shown._maker.cache_clear()
    assert shown.Shown()._repr_html_() is None
    shown._maker.cache_clear()
