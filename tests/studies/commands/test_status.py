"""`status`: what is still missing, trial by trial, and what looks odd before anything is fitted. Data invented."""

import pytest

from studies.cli import main


def record(folder, text):
    table = folder.parent / "returned.csv"
    table.write_text(text, encoding="utf-8")
    assert main(["record", str(folder), str(table)]) == 0


def test_what_is_missing_is_listed_by_trial(planned, call, capsys):
    _, document = call("status", planned)
    assert [one["trial"] for one in document["missing"]] == [f"T{n:02d}" for n in range(1, 10)]
    assert not any(one["made"] for one in document["missing"])
    record(planned, "trial,Viscosity,pH\nT01,15000,5.2\nT02,16000,\nT03,17000,not measured\n")
    _, document = call("status", planned)
    waits = {one["trial"]: one for one in document["missing"]}
    assert waits["T02"] == {"trial": "T02", "batch": "T02-1", "round": 1, "made": True, "responses": ["pH"]}
    assert sorted(waits) == ["T02", *(f"T{n:02d}" for n in range(4, 10))]
    assert main(["status", str(planned)]) == 0
    said = capsys.readouterr().out
    assert "pH still to read of T02-1." in said
    assert "Still to make: T04 to T09." in said


def test_readings_still_to_come_say_when_they_are_due(planned, call, capsys):
    definition = planned / "study.toml"
    text = definition.read_text(encoding="utf-8")
    definition.write_text(text.replace('name = "pH"', 'name = "pH"\nafter_h = 48', 1), encoding="utf-8")
    record(planned, "trial,made_at,Viscosity,pH\nT01,2031-05-14 10:30,15000,\nT02,2031-05-14 14:00,16000,5.2\n")
    _, document = call("status", planned)
    assert document["due"] == [{"batch": "T01-1", "response": "pH", "due": "2031-05-16T10:30"}]
    assert main(["status", str(planned)]) == 0
    assert "Due 2031-05-16 10:30: pH of T01-1." in capsys.readouterr().out
    record(planned, "trial,made_at,Viscosity,pH\nT03,2031-05-15 10:30,15000,\n")
    capsys.readouterr()
    assert main(["status", str(planned)]) == 0
    # 2031-05-14 is a Wednesday (any calendar), so 48 h after the 15th is a Saturday.
    assert "Due 2031-05-17 10:30, a Saturday: pH of T03-1." in capsys.readouterr().out


def test_withdrawn_trials_are_not_missing(planned, call):
    assert call("plan", planned, "--withdraw", "T04", "--why", "too thick to pump")[0] == 0
    assert "T04" not in [one["trial"] for one in call("status", planned)[1]["missing"]]


@pytest.mark.parametrize("command", ["record", "status"])
def test_oddities_are_said_before_anything_is_fitted(command, planned, call):
    rows = "".join(f"T{n:02d},{15000 + 100 * n},{5.2 + n / 100}\n" for n in range(1, 9))
    table = planned.parent / "odd.csv"
    table.write_text("trial,Viscosity,pH\n" + rows + "T09,15,5.25\n", encoding="utf-8")
    document = call("record", planned, table)[1]
    if command == "status":
        document = call("status", planned)[1]
    slip = next(problem for problem in document["problems"] if problem["code"] == "slip")
    assert "T09-1 15 (1000 times too little?)" in slip["got"]


def test_a_trial_that_could_not_be_made_counts_as_tried(planned, call):
    code, document = call("record", planned, "--set-aside", "T04", "--state", "unmakeable", "--why", "set solid")
    assert code == 0
    assert document["states"] == {"unmakeable": 1}
    assert "T04-1 unmakeable: set solid" in str(document["problems"])
    record(planned, "trial,Viscosity,pH\nT01,15000,5.2\n")
    waits = [one["trial"] for one in call("status", planned)[1]["missing"]]
    assert "T04" not in waits
    assert "T01" not in waits
    # What failed may turn out to be unmakeable, and be restored.
    assert call("record", planned, "--set-aside", "T04,T01", "--state", "failed", "--why", "wrong wax")[0] == 0
    assert call("record", planned, "--set-aside", "T04", "--state", "failed", "--why", "again")[0] == 2
    assert call("record", planned, "--restore", "T01", "--why", "right wax after all")[0] == 0
    assert call("record", planned, "--set-aside", "T77", "--why", "x")[0] == 2
    assert call("record", planned, "--set-aside", "T05")[0] == 2


def test_a_table_may_say_only_what_became_of_batches(planned, call):
    table = planned.parent / "states.csv"
    table.write_text("trial,state,why\nT02,unmakeable,curdled\nT03,failed,spilt\n", encoding="utf-8")
    assert call("record", planned, table)[1]["states"] == {"unmakeable": 1, "failed": 1}


def test_flagged_readings_are_listed(planned, call):
    text = "trial,response,value,flag,note\nT01,pH,5.2,doubtful,\nT02,pH,5.2,do not use,dry probe\nT03,pH,5.2,,\n"
    record(planned, text)
    said = [one["got"] + one["do"] for one in call("status", planned)[1]["problems"] if one["code"] == "flagged"]
    assert said == ["do not use: pH of T02-1not used", "doubtful: pH of T01-1used; look at it in the fit"]


def test_a_failed_batch_is_tried_and_not_made(planned, call, capsys):
    record(planned, "trial,Viscosity,pH,state,why\nT01,15000,5.2,,\nT02,,,failed,spilt\nT03,,,unmakeable,set solid\n")
    row = call("status", planned)[1]["rounds"][0]
    assert [row[key] for key in ("trials", "made", "out", "waiting")] == [9, 1, 2, 6]
    assert main(["status", str(planned)]) == 0
    assert "1 of 9 made  2 failed or not makeable" in capsys.readouterr().out


def test_a_second_batch_of_a_failed_trial_makes_it_made(planned, call):
    record(planned, "trial,batch,Viscosity,pH,state,why\nT01,1,,,failed,spilt\nT01,2,15000,5.2,remade,\n")
    row = call("status", planned)[1]["rounds"][0]
    assert (row["made"], row["out"]) == (1, 0)


def test_every_command_names_the_same_next_step(planned, call, table_of, capsys):
    def last(*words):
        capsys.readouterr()
        main([*map(str, words)])
        return capsys.readouterr().out.strip().splitlines()[-1]

    _, plan = call("status", planned)
    runs = call("plan", planned, "--replace")[1]["runs"]
    table = planned.parent / "returned.csv"
    lines = table_of(runs).splitlines()
    table.write_text("\n".join(lines[:6]) + "\n", encoding="utf-8")
    first = last("record", planned, table)
    assert first == last("status", planned) == last("check", planned) == f"Next: {plan['next']}"
    table.write_text("\n".join(lines) + "\n", encoding="utf-8")
    for words, step in (
        (["record", planned, table], "fit"), (["fit", planned], "optimise"), (["optimise", planned], "next"),
    ):  # fmt: skip
        said = last(*words)
        assert said.startswith(f"Next: blendwright {step} ")
        assert said == last("status", planned)


def test_a_batch_that_was_set_aside_was_made(planned, call, capsys):
    record(planned, "trial,Viscosity,pH\nT01,15000,5.2\nT02,15500,5.3\n")
    assert call("record", planned, "--set-aside", "T02", "--why", "wrong spindle")[0] == 0
    row = call("status", planned)[1]["rounds"][0]
    assert [row[key] for key in ("made", "aside", "out", "waiting")] == [2, 1, 0, 7]
    assert main(["status", str(planned)]) == 0
    assert "2 of 9 made  1 of these set aside" in capsys.readouterr().out


def test_a_corrected_reading_is_one_reading_and_is_corrected_once(planned, call, capsys):
    record(planned, "trial,Viscosity,pH\nT01,15000,5.2\nT02,15500,5.3\n")
    correct = ("record", planned, "--correct", "T01", "pH")
    assert call(*correct, "5.4", "--why", "slip of the pen")[1]["readings"] == 4
    code, document = call(*correct, "5.4", "--why", "slip of the pen")
    assert code == 2
    assert "it is 5.4 already" in str(document["problems"])
    assert call(*correct, "not measured", "--why", "probe was dry")[0] == 0
    assert call(*correct, "not measured", "--why", "probe was dry")[0] == 2
    assert call(*correct, "5.4", "--why", "it was not")[1]["readings"] == 4


def test_trials_of_a_historical_table_go_by_their_own_names_too(small, call):
    rows = "".join(f"A{n},{0.3 + n / 10:.1f},4,1,{15000 + n},5.2\n" for n in range(9))
    table = small.parent / "before.csv"
    table.write_text("trial,Gum,Wax,Preservative,Viscosity,pH\n" + rows, encoding="utf-8")
    far = next(one for one in call("record", small, table)[1]["problems"] if one["where"] == "Gum")
    assert "T09-1 (A8)" in far["got"]
    assert "T09-1 (A8)" in str(call("status", small)[1]["problems"])
    assert call("record", small, "--correct", "A8", "Viscosity", "16000", "--why", "slip")[0] == 0
