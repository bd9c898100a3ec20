"""Wrong input: exit 2, every problem listed in words, and the folder byte for byte as it was."""

import json
import os
import shutil
import tempfile
from pathlib import Path

import pytest

from studies.cli import main

KEYS = {"code", "level", "where", "got", "allowed", "do"}


@pytest.fixture
def refused(call, snapshot):
    """Run a command that must be refused; the text of its problems."""

    def run(folder, *words):
        before = snapshot(folder)
        code, document = call(words[0], folder, *words[1:])
        assert code == 2, document
        assert document["ok"] is False
        assert snapshot(folder) == before
        stops = [p for p in document["problems"] if p["level"] == "stop"]
        assert stops
        for problem in document["problems"]:
            assert set(problem) == KEYS
            assert problem["where"]
            assert problem["got"]
        return "\n".join(" ".join(p.values()) for p in stops)

    return run


DEFINITIONS = {
    "levels that cannot add up": ("low = 2\nhigh = 6", "low = 101\nhigh = 102", ["102.3", "at most 100"]),
    "unknown key": ("price_per_kg = 9.0", "prize_per_kg = 9.0", ["prize_per_kg", "price_per_kg"]),
    "misspelt ingredient in a limit": ("Wax + Gum <= 6.5", "Wacks + Gum <= 6.5", ["Wacks", "Wax"]),
    "two fills": ("low = 2\nhigh = 6", "qs = true", ["Water", "Wax"]),
    "low above high": ("low = 0.3\nhigh = 0.8", "low = 0.8\nhigh = 0.3", ["Gum", "0.8", "0.3"]),
    "decimal comma": ("low = 0.3", "low = 0,3", ["line", "point"]),
    "text in a number": ("high = 0.8", 'high = "much"', ["Gum", "high", "number"]),
    "limits that leave nothing": ("Wax + Gum <= 6.5", "Wax + Gum >= 20", ["Wax + Gum >= 20"]),
    "a limit that is no rule": ("Wax + Gum <= 6.5", "Wax is nice", ["Wax is nice"]),
}


@pytest.mark.parametrize("name", DEFINITIONS)
@pytest.mark.parametrize("command", ["check", "plan"])
def test_definitions(name, command, small, edit, refused):
    old, new, words = DEFINITIONS[name]
    edit(small, old, new)
    said = refused(small, command)
    for word in words:
        assert word in said, said


def test_every_problem_is_listed_at_once(small, edit, refused):
    edit(small, "price_per_kg = 9.0", "prize_per_kg = 9.0")
    edit(small, "low = 0.3\nhigh = 0.8", "low = 0.8\nhigh = 0.3")
    edit(small, "Wax + Gum <= 6.5", "Wacks + Gum <= 6.5")
    said = refused(small, "check")
    for word in ("prize_per_kg", "0.8", "Wacks"):
        assert word in said


def test_fewer_runs_than_terms(small, refused):
    said = refused(small, "plan", "--runs", "2")
    assert "2" in said


def test_a_round_is_not_replaced_unless_told(planned, refused, call):
    assert "--replace" in refused(planned, "plan")
    code, document = call("plan", planned, "--replace", "--seed", "11")
    assert code == 0
    assert document["round"] == 1
    assert document["runs"][0]["trial"] == "T01"


def test_a_round_with_results_is_not_replaced(recorded, refused):
    assert "T01" in refused(recorded, "plan", "--replace")


TABLES = {
    "no response": ("trial,note\nT01,fine\n", ["bad.csv", "pH"]),
    "one response, with faults": ("trial,pH,Gloss\nT01,56,3\nT02,sour,3\n", ["56", "sour", "Gloss"]),
    "text in a number": ("trial,Viscosity,pH\nT01,thick,5.2\nT02,15000,acid\n", ["thick", "acid"]),
    "decimal comma beside a point": ('trial,Viscosity,pH\nT01,15000,"5,41"\nT02,15000,5.42\n', ["5,41"]),
    "unknown trial": ("trial,Viscosity,pH\nT01,15000,5.2\nT77,15000,5.2\n", ["T77"]),
    "misspelt column": ("trial,Viscosty,pH\nT01,15000,5.2\n", ["Viscosty", "Viscosity"]),
    "no trial": ("Viscosity,pH\n15000,5.2\n", ["trial"]),
    "empty file": ("", ["bad.csv"]),
    "header only": ("trial,Viscosity,pH\n", ["bad.csv"]),
}


@pytest.mark.parametrize("name", TABLES)
def test_tables(name, planned, tmp_path, refused):
    text, words = TABLES[name]
    table = tmp_path / "bad.csv"
    table.write_text(text, encoding="utf-8")
    said = refused(planned, "record", table)
    for word in words:
        assert word in said, said


@pytest.mark.parametrize("content", [b"this is not a workbook", b"PK\x03\x04 nor this", b""])
def test_not_a_workbook(content, planned, tmp_path, refused):
    book = tmp_path / "bad.xlsx"
    book.write_bytes(content)
    assert "bad.xlsx" in refused(planned, "record", book)


def test_no_such_file_and_a_folder_in_its_place(planned, tmp_path, refused):
    said = refused(planned, "record", tmp_path / "nowhere.csv", tmp_path)
    assert "nowhere.csv" in said
    assert tmp_path.name in said


def test_several_bad_files_are_all_named(planned, tmp_path, refused):
    (tmp_path / "one.csv").write_text("")
    (tmp_path / "two.xlsx").write_text("no")
    said = refused(planned, "record", tmp_path / "one.csv", tmp_path / "two.xlsx")
    assert "one.csv" in said
    assert "two.xlsx" in said


def test_results_for_another_plan(planned, tmp_path, refused, edit):
    other = shutil.copytree(planned, tmp_path / "other")
    assert main(["plan", str(other), "--replace", "--seed", "99"]) == 0
    said = refused(planned, "record", other / "bench/round-1.xlsx")
    assert "another plan" in said


def test_the_same_reading_with_another_value_asks_for_a_correction(recorded, tmp_path, refused):
    table = tmp_path / "again.csv"
    table.write_text("trial,Viscosity,pH\nT01,99999,5.2\n")
    assert "--correct" in refused(recorded, "record", table)


@pytest.mark.parametrize(
    "words",
    [
        ("--set-aside", "T01"),
        ("--restore", "T01"),
        ("--correct", "T01", "pH", "5.3"),
        ("--set-aside", "T77", "--why", "x"),
        ("--correct", "T01", "Viscosty", "5", "--why", "x"),
        ("--correct", "T01", "pH", "five", "--why", "x"),
        (),
        ("--set-aside", "T01", "--restore", "T02", "--why", "x"),
    ],
)
def test_changes_of_the_record_need_a_reason_and_a_clear_target(words, recorded, refused):
    refused(recorded, "record", *words)


@pytest.mark.parametrize(
    ("command", "words"),
    [
        ("fit", ()),
        ("predict", ("--at", "Gum=0.5,Wax=3")),
        ("optimise", ()),
        ("next", ("--confirm", "3")),
        ("card", ()),
        ("record", ("--set-aside", "T01", "--why", "x")),
    ],
)
def test_before_there_are_results(command, words, planned, refused):
    said = refused(planned, command, *words)
    assert "results" in said or "record" in said


@pytest.mark.parametrize(
    ("command", "words", "said"),
    [
        ("predict", ("--at", "Gun=0.5,Wax=3"), "Gun"),
        ("predict", ("--at", "Gum=0.5"), "Wax"),
        ("predict", ("--at", "Gum=0.5,Wax=-3"), "Wax = -3"),
        ("predict", ("--at", "nowhere.csv"), "nowhere.csv"),
        ("optimise", ("--hold", "Gun=0.5"), "Gun"),
        ("optimise", ("--keep", "../F1"), "formula name"),
        ("optimise", ("--keep", "CON"), "formula name"),
        ("next", ("--confirm", "3", "--formula", "F77"), "F77"),
        ("next", ("--learn", "1000"), "1000"),
        ("card", ("--formula", "F77"), "F77"),
        ("card", ("--batch", "heavy"), "heavy"),
        ("fit", ("--without", "T77"), "T77"),
        ("plan", ("--withdraw", "T01", "--why", "x"), "T01"),
        ("plan", ("--compare", "many"), "many"),
    ],
)
def test_flags_with_wrong_values(command, words, said, recorded, refused):
    assert said in refused(recorded, command, *words)


def test_all_that_is_wrong_with_what_is_asked_for_is_said_at_once(recorded, refused):
    said = refused(recorded, "optimise", "--hold", "Gun=0.5", "--keep", "../F1", "--against", "Froth")
    assert all(wrong in said for wrong in ("'Gun'", "'../F1'", "Froth"))


def test_a_name_that_is_unknown_and_a_level_out_of_reach_are_said_at_once(recorded, refused):
    said = refused(recorded, "optimise", "--hold", "Gun=0.5,Wax=50,Gum=some")
    assert all(wrong in said for wrong in ("'Gun'", "50", "its reach", "'some'")), said
    assert "column note" not in said


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="POSIX permissions")
@pytest.mark.parametrize("words", [("plan", "--replace"), ("report",)])
def test_folder_not_writable(words, planned, refused):
    # Not under pytest's own folder: nobody else may look into that one.
    with tempfile.TemporaryDirectory() as place:
        Path(place).chmod(0o755)
        folder = shutil.copytree(planned, Path(place) / "small")
        folder.chmod(0o555)
        root = os.geteuid() == 0
        if root:
            os.seteuid(65534)
        try:
            said = refused(folder, *words)
        finally:
            if root:
                os.seteuid(0)
            folder.chmod(0o755)
        assert "cannot be written" in said


def test_a_damaged_plan_is_said_in_words(planned, refused):
    (planned / "plan/round-1/plan.json").write_text("{")
    assert "verify" in refused(planned, "status")


def test_damaged_results_are_said_in_words(recorded, refused):
    (recorded / "results/readings.csv").write_text("trial\n")
    assert "readings.csv" in refused(recorded, "fit")


def test_a_half_written_analysis_is_deleted_and_worked_out_anew(recorded, refused, call):
    call("optimise", recorded)
    found = recorded / "analysis/optimum.json"
    found.write_bytes(found.read_bytes()[:99])
    assert "delete it" in refused(recorded, "optimise")
    found.unlink()
    assert call("optimise", recorded)[0] == 0


def test_a_kept_formula_without_a_number_is_named(recorded, refused, call):
    call("optimise", recorded, "--keep", "F1")
    kept = recorded / "formulas/F1.json"
    text = kept.read_text(encoding="utf-8")
    level = json.loads(text)["blend"]["Gum"]
    kept.write_text(text.replace(f'"Gum": {level}', '"Gum": NaN', 1), encoding="utf-8")
    assert "'nan' in recipe F1" in refused(recorded, "predict", "--at", "F1")
