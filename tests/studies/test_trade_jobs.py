"""A legal limit that a formula breaks, through every command: check, plan, predict, optimise, report, card."""

import pytest

from doe import Study
from doe.trade import study_findings
from reports.terminal import terminal

LAW = """
[[law]]
substance = "Preservative"
max = 0.5
source = "house rule (invented)"
edition = "2026-11-01"
"""


@pytest.fixture
def broken(recorded):
    """The small study as recorded, with a limit that came later: facts only, so results still hold."""
    file = recorded / "study.toml"
    file.write_text(file.read_text(encoding="utf-8") + LAW, encoding="utf-8")
    return recorded


def stops(problems):
    return [row for row in problems if row["level"] == "stop"]


def test_every_command_says_it_and_ends_with_1(broken, call):
    code, document = call("check", broken)
    assert code == 1
    (found,) = stops(document["problems"])
    assert (found["code"], found["source"]) == ("K11", "house rule (invented)")
    assert found["numbers"] == {"percent": 1.0, "high": 0.5}
    code, document = call("optimise", broken, "--keep", "F1")
    assert code == 1
    assert document["feasible"] is False
    assert "K11" in {row["code"] for row in document["findings"]}
    code, document = call("predict", broken, "--at", "Gum=0.5,Wax=3")
    assert code == 1
    assert "K11" in {row["code"] for row in document["points"][0]["findings"]}
    code, document = call("card", broken, "--formula", "F1")
    assert code == 1
    assert "K11" in {row["code"] for row in document["problems"]}
    assert "house rule (invented)" in document["laws"][0]
    call("report", broken)
    text = (broken / "report.html").read_text(encoding="utf-8")
    assert "house rule (invented)" in text


def test_plan_refuses_until_it_is_taken_on_purpose(small, call):
    file = small / "study.toml"
    text = file.read_text(encoding="utf-8") + LAW
    file.write_text(text, encoding="utf-8")
    code, document = call("plan", small)
    assert code == 2
    assert [row["code"] for row in document["problems"]] == ["K11"]
    assert not (small / "plan").exists()
    assert '[[accept]] with finding = "K11", why and by' in document["problems"][0]["do"]
    code, document = call("check", small)
    assert (code, document["ok"]) == (1, False)
    assert '[[accept]] with finding = "K11", why and by' in stops(document["problems"])[0]["do"]
    file.write_text(f'{text}\n[[accept]]\nfinding = "K11"\nwhy = "bench only"\nby = "A. Nother"\n', encoding="utf-8")
    code, document = call("check", small)
    assert (code, document["ok"]) == (1, False)  # done, but something was taken on purpose
    (found,) = stops(document["problems"])
    assert found["accepted"] == "A. Nother: bench only"
    assert "or take it" not in found["do"]
    study = Study.from_toml(file.read_text(encoding="utf-8"))
    words = terminal.check(study, "small", trade=study_findings(study))
    assert "taken Preservative: 1 %" in words
    assert "STOP" not in words
    code, document = call("plan", small)
    assert code == 1
    (found,) = stops(document["problems"])
    assert "taken on purpose by A. Nother: bench only" in found["do"]
    assert (small / "plan/round-1/plan.json").exists()
