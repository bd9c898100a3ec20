"""What people read: scores, sittings, who read what. Six samples a sitting: advice on sensory tests, an abstract."""

import pandas as pd
import pytest

from doe import Study
from doe.results.panel import odd_panels
from doe.results.results import take_in


def study(**response):
    return Study.from_dict(
        {
            "study": {"name": "Invented gel"},
            "ingredient": [{"name": "Water", "qs": True}, {"name": "Gum", "low": 0.3, "high": 0.8}],
            "response": [{"name": "Feel", "method": "panel, 9-point scale", **response}],
        }
    )


def said(of, **columns):
    n = len(next(iter(columns.values())))
    frame = pd.DataFrame({"trial": [f"H{k}" for k in range(n)], "Gum": [0.3 + 0.04 * k for k in range(n)], **columns})
    return {finding.code: str(finding) for finding in odd_panels(of, take_in(of, frame))}


WHOLE = [3, 4, 4, 5, 6, 6, 7, 8]


def test_whole_scores_are_told_from_a_measured_number():
    assert "whole scores from 3 to 8" in said(study(unit="score"), Feel=WHOLE)["whole-scores"]
    assert said(study(unit="score"), Feel=[3.2, *WHOLE[1:]]) == {}
    assert said(study(unit="mm", method="ruler"), Feel=WHOLE) == {}
    assert said(study(unit="score"), Feel=WHOLE[:4]) == {}


def test_people_who_share_no_batch_cannot_be_told_from_their_batches():
    readers = ["ab"] * 4 + ["cd"] * 4
    measured = study(unit="mPa.s", method="rotational")
    values = [9000 + 137 * k for k in range(8)]
    told = said(measured, Feel=values, operator=readers)["readers-apart"]
    assert "ab read T01-1, T02-1, T03-1, T04-1; cd read T05-1" in told
    assert said(measured, Feel=values, operator="ab") == {}
    both = pd.DataFrame({"trial": [f"H{k // 2}" for k in range(8)], "reading": [1, 2] * 4, "Feel": values,
                         "Gum": [0.3 + 0.04 * (k // 2) for k in range(8)], "operator": ["ab", "cd"] * 4})  # fmt: skip
    assert odd_panels(measured, take_in(measured, both)) == []


@pytest.mark.parametrize(("n", "long"), [(6, False), (7, True)])
def test_judges_tire(n, long):
    grades = study(kind="grade", grades=["poor", "fair", "good"])
    told = said(grades, Feel=(["poor", "fair", "good"] * 3)[:n], operator="ab", session="1")
    assert ("long-sitting" in told) == long
    if long:
        assert "ab in sitting 1 7" in told["long-sitting"]
