"""What confirmation batches said, in words: every fact that stands against a formula, and what was asked of it then."""

import pytest

from reports.wording.verdict import confirmed_words, not_confirmed, said

NONE = {"off": [], "missed": [], "breaks": [], "left_out": [], "near": 0.02, "batches": ["T17-1", "T18-1", "T19-1"]}
ONCE = "By what was asked when its batches were planned, they confirmed it."

SAID = [
    ({}, "Confirmed: all 3 confirmation batches came out as predicted and met every must."),
    ({"batches": ["T17-1"]}, "Confirmed: the confirmation batch came out as predicted and met every must."),
    (
        {"left_out": ["T20-1"]},
        (
            "Confirmed: all 3 confirmation batches that count (T20-1 made otherwise than planned by over 2 % of a "
            "reach) came out as predicted and met every must."
        ),
    ),
    ({"off": ["pH"], "missed": ["pH"]}, "Not confirmed: not as predicted: pH; outside its limits: pH."),
    ({"missed": ["pH", "Cost"]}, "Not confirmed: outside their limits: pH, Cost."),
    ({"breaks": ["Gum at most 0.5"]}, "Not confirmed: the study does not allow it any more: Gum at most 0.5."),
    (
        {"missed": ["pH"], "confirmed_then": True},
        f"Not confirmed any more: outside the present limits: pH. {ONCE}",
    ),
    ({"missed": ["pH"], "confirmed_then": False}, "Not confirmed: outside its limits: pH."),
]


@pytest.mark.parametrize(("facts", "words"), SAID)
def test_what_is_said(facts, words):
    good = not any(facts.get(key) for key in ("off", "missed", "breaks"))
    verdict = {**NONE, "confirmed": good, **facts}
    assert said(verdict) == words
    assert (confirmed_words(verdict) is None) is not good
    if not good:
        assert "3 fresh batches" in not_confirmed(verdict)
