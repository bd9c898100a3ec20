"""What may be asked of a response that passes or fails. Invented study."""

import pytest

from doe import Study
from doe.problems import StudyError


def lid(**wanted):
    return Study.from_dict(
        {
            "study": {"name": "Lids", "total": 100},
            "ingredient": [{"name": "Water", "qs": True}, {"name": "Gum", "low": 0.3, "high": 1.0}],
            "response": [{"name": "Lid", "kind": "pass", "method": "opens", **wanted}],
        }
    ).response("Lid")


@pytest.mark.parametrize("wanted", [{"aim": "above"}, {"aim": "above", "low": "pass"}, {"aim": "above", "low": 1}])
def test_above_asks_for_a_pass(wanted):
    response = lid(**wanted)
    assert (response.low, response.high, response.is_must) == (1.0, None, True)


def test_below_asks_for_a_fail_and_watch_for_nothing():
    assert (lid(aim="below").low, lid(aim="below").high) == (None, 0.0)
    assert not lid().is_must


@pytest.mark.parametrize(
    "wanted",
    [
        {"aim": "above", "low": 50},
        {"aim": "above", "low": 0.9},
        {"aim": "above", "low": "fail"},
        {"aim": "above", "target": 1},
        {"aim": "below", "low": 1},
        {"aim": "within", "low": 0, "high": 1},
        {"aim": "target", "low": 0, "target": 1, "high": 2},
        {"low": "pass"},
    ],
)
def test_other_limits_are_refused_with_what_to_write(wanted):
    with pytest.raises(StudyError) as caught:
        lid(**wanted)
    problem = next(p for p in caught.value.problems if p.code in ("pass-aim", "pass-limit"))
    assert "above" in problem.do or "below" in problem.do
    assert len([p for p in caught.value.problems if p.level == "stop"]) == 1
