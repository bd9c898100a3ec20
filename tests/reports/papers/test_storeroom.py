"""Papers before the first batch: what stands on them; nothing of a user's is markup. Data invented."""

import re
from types import SimpleNamespace

import pandas as pd

from doe import Study
from reports.papers.storeroom import labels, premix_line, storeroom_html, write_storeroom

STUDY = Study.from_dict(
    {
        "study": {"name": "<b>Balm & Co</b>", "batch_g": 400, "batches_per_day": 1},
        "ingredient": [{"name": "Water", "qs": True}, {"name": "Gum <i>", "low": 0.2, "high": 1}],
        "response": [
            {"name": "Viscosity", "method": "spindle", "after_h": 24, "sample_g": 200},
            {"name": "Settled", "method": "jar", "after_h": 168, "store": "40 C <dark>", "sample_g": 100},
        ],
        "make": {"retain_g": 60},
    }
)
PLAN = SimpleNamespace(
    round=2,
    digest="0123456789abcdef" * 4,
    table=pd.DataFrame([[99.5, 0.5], [99.0, 1.0]], index=["T01", "T02"], columns=["Water", "Gum <i>"]),
    runs=pd.DataFrame({"order": [2, 1]}, index=["T01", "T02"]),
)
PAGE = storeroom_html(STUDY, PLAN)


def test_the_page_is_text_and_loads_nothing():
    assert "default-src 'none'" in PAGE
    for words in ("&lt;b&gt;Balm &amp; Co&lt;/b&gt;", "Gum &lt;i&gt;", "40 C &lt;dark&gt;"):
        assert words in PAGE
    assert not re.search(r"<script|https?:|url\(|@import|src=|<i>|<dark>", PAGE)


def test_list_calendar_and_labels_say_what_is_theirs():
    listed, calendar, jars = re.split(r'<section id="(?:calendar|labels)">', PAGE)
    # 2 + 4 g of gum, 0.3 g stays behind, 4 g for one more: 10.3 g, up to 11.
    assert re.search(r"Gum &lt;i&gt;.*6 g.*0\.3 g.*4 g.*11 g", listed)
    assert "one lot of each material" in listed
    assert "Settled</span> of T02 at 7 days, from 40 C" in calendar
    assert jars.count('class="label"') == 6


def test_premixes_are_told_by_their_carrier():
    said = premix_line((("Buffer", "Water"), ("Chelator", "Water"), ("Dye", "Oil")))
    assert ": Buffer and Chelator with Water; Dye with Oil." in said
    assert premix_line(()) == ""


def test_labels_stand_in_the_order_of_making():
    found = [(one.trial, one.stands, one.grams) for one in labels(STUDY, PLAN)]
    assert found[:3] == [
        ("T02", "on the bench", "200 g"), ("T02", "40 C <dark>", "100 g"), ("T02", "kept sample", "60 g"),
    ]  # fmt: skip
    assert labels(STUDY, PLAN)[0].reads == "Viscosity 24 h"


def test_the_same_plan_gives_the_same_bytes(tmp_path):
    write_storeroom(tmp_path / "one.html", STUDY, PLAN)
    assert (tmp_path / "one.html").read_bytes() == PAGE.encode()


def test_a_study_of_factors_only_has_no_store_room_list():
    press = Study.from_dict({"study": {"name": "Press"}, "factor": [{"name": "Force", "low": 1, "high": 2}],
                             "response": [{"name": "Gloss", "method": "meter"}]})  # fmt: skip
    settings = pd.DataFrame({"Force": [1.0, 2.0]}, index=["T01", "T02"])
    page = storeroom_html(press, SimpleNamespace(**(vars(PLAN) | {"table": settings})))
    assert "Store-room list" not in page
    assert "Jar labels" in page
