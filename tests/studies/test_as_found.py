"""Going on from result tables that someone changed by hand and of which no copy is left."""

import json

import pytest

from studies import journal
from studies.cli import main
from studies.inspection import inspect

READINGS, BATCHES = "results/readings.csv", "results/batches.csv"
WHY = ("--why", "mended in the table, no copy is left")


def edited(folder, old, new, name=READINGS):
    table = folder / name
    text = table.read_text(encoding="utf-8")
    assert old in text
    table.write_text(text.replace(old, new, 1), encoding="utf-8", newline="")
    return table.read_bytes()


def first_value(folder):
    return (folder / READINGS).read_text(encoding="utf-8").splitlines()[1].split(",")[4]


def test_a_table_changed_by_hand_is_taken_as_it_stands_and_that_stays_known(recorded, call):
    content = edited(recorded, first_value(recorded), "21234.0")
    code, document = call("fit", recorded)
    assert code == 2
    assert "--take-as-is" in document["problems"][0]["do"]
    assert "--take-as-is" in next(p.do for p in inspect(recorded) if p.code == "file-changed")
    code, document = call("record", recorded, "--take-as-is", *WHY)
    assert code == 0
    assert document["readings"] == 18
    assert (recorded / READINGS).read_bytes() == content
    (copy,) = (recorded / "results/originals").glob("*-readings-by-hand.csv")
    assert copy.read_bytes() == content
    last = journal.read(recorded)[-1]
    assert last.command == "record --take-as-is"
    assert last.why == "changed by hand, taken as it stood: mended in the table, no copy is left"
    assert last.wrote[READINGS] == journal.digest_of(content)
    code, document = call("verify", recorded)
    assert code == 0
    (said,) = [p for p in document["problems"] if p["code"] == "taken-as-is"]
    assert (said["where"], said["level"]) == (READINGS, "warn")
    assert last.user in said["got"]
    assert last.when in said["got"]
    assert call("fit", recorded)[0] == 0


@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_a_table_saved_by_another_program_is_still_read(recorded, mark, call):
    table = recorded / READINGS
    text = table.read_bytes().decode("utf-8").replace("\r\n", "\n")
    table.write_bytes((mark + text.replace(first_value(recorded), "21234")).encode("utf-8"))
    assert call("record", recorded, "--take-as-is", *WHY)[0] == 0
    assert call("record", recorded, "--correct", "T02", "pH", "5.31", "--why", "slip")[0] == 0
    assert call("verify", recorded)[0] == 0
    assert "21234" in table.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("old", "new", "name", "said"),
    [
        (",none,", ",perhaps,", READINGS, "bound perhaps"),
        (",none,", ",between,", READINGS, "value_to without between"),
        ("T01,T01-1,", "T01,T01-7,", READINGS, "batch T01-7 of trial T01"),
        ("T01,T01-1,1,", "T01,T01-1,0,", READINGS, "reading 0"),
        (",made,", ",lost,", BATCHES, "state lost"),
        ("T01,T01-1,1,", "T77,T01-1,1,", BATCHES, "trial T77 of round 1"),
        ("value,bound", "value,limit", READINGS, "not as it was written"),
    ],
)
def test_what_is_no_record_is_not_taken(recorded, old, new, name, said, call):
    edited(recorded, old, new, name)
    log = (recorded / journal.NAME).read_bytes()
    code, document = call("record", recorded, "--take-as-is", *WHY)
    assert code == 2
    assert any(said in problem["got"] for problem in document["problems"]), document["problems"]
    assert (recorded / journal.NAME).read_bytes() == log


@pytest.mark.parametrize("value", ["inf", "-inf", "1e999", "much"])
def test_a_number_that_is_none_is_not_taken(recorded, value, call):
    edited(recorded, first_value(recorded), value)
    assert call("record", recorded, "--take-as-is", *WHY)[0] == 2


def test_it_needs_a_change_and_a_reason(recorded, call):
    assert call("record", recorded, "--take-as-is", *WHY)[1]["problems"][0]["code"] == "nothing-to-do"
    edited(recorded, first_value(recorded), "21234.0")
    assert call("record", recorded, "--take-as-is")[1]["problems"][0]["code"] == "no-reason"
    assert call("record", recorded, "--take-as-is", "--restore", "T01", *WHY)[1]["problems"][0]["code"] == "usage"


def test_both_tables_gone_is_taken_too_and_the_originals_are_recorded_again(recorded, call):
    kept = {name: (recorded / name).read_bytes() for name in (READINGS, BATCHES)}
    (recorded / READINGS).unlink()
    code, document = call("record", recorded, "--take-as-is", *WHY)
    assert code == 2
    assert "take the other table away too" in document["problems"][0]["do"]
    (recorded / BATCHES).unlink()
    code, document = call("record", recorded, "--take-as-is", *WHY)
    assert code == 0
    original = recorded / "results/originals" / document["originals"][0]
    assert call("status", recorded)[0] == 0
    assert call("record", recorded, original)[0] == 0
    assert {name: (recorded / name).read_bytes() for name in kept} == kept
    assert [p.code for p in inspect(recorded)] == ["taken-as-is"]


def test_tables_that_no_journal_knows_are_not_built_on(recorded, call):
    (recorded / journal.NAME).unlink()
    edited(recorded, first_value(recorded), "21234.0")
    for words in (["fit"], ["record", "--correct", "T02", "pH", "5.2", "--why", "slip"], ["status"]):
        code, document = call(words[0], recorded, *words[1:])
        assert (code, document["problems"][0]["code"]) == (2, "results-changed")
    assert call("record", recorded, "--take-as-is", *WHY)[0] == 0
    assert "taken-as-is" in [p.code for p in inspect(recorded)]


@pytest.mark.parametrize("name", ["missing", "folder", "link"])
def test_verify_misses_the_definition(recorded, name, tmp_path, call):
    study = recorded / "study.toml"
    study.rename(recorded / "kept.toml")
    if name == "folder":
        study.mkdir()
    elif name == "link":
        study.symlink_to(recorded / "nowhere.toml")
    code, document = call("verify", recorded)
    assert code == 1
    assert [p["where"] for p in document["problems"] if p["level"] == "stop"] == ["study.toml"]


def test_a_folder_that_is_no_study_is_not_called_in_order(tmp_path, call):
    code, document = call("verify", tmp_path)
    assert (code, document["problems"][0]["code"]) == (2, "no-study")


def test_a_digest_of_zeros_tells_nothing_and_known_heads_are_named(recorded, call):
    entries = journal.read(recorded)
    for digest, code in (("0" * 64, "head-empty"), ("0" * 12, "head-empty"), ("12345678", "head-unknown")):
        ended, document = call("verify", recorded, "--head", digest)
        assert ended == 1
        (said,) = [p for p in document["problems"] if p["code"] == code]
        assert all(
            f"{entry.digest[:16]} (entry {entry.number}, {entry.command})" in said["allowed"] for entry in entries
        )


def test_entries_cut_off_with_their_files_are_found_by_paper_only_and_verify_says_so(recorded, call, capsys):
    call("fit", recorded)
    log = recorded / journal.NAME
    *rows, last = log.read_bytes().splitlines(keepends=True)
    head = json.loads(last)["digest"]
    log.write_bytes(b"".join(rows))
    for name in json.loads(last)["wrote"]:
        (recorded / name).unlink()
    assert call("verify", recorded)[0] == 0
    assert call("verify", recorded, "--head", head[:16])[0] == 1
    main(["verify", str(recorded)])
    assert "nothing was cut off the end together with its files" in capsys.readouterr().out


def test_a_workbook_that_was_recorded_is_not_asked_for_again(planned, call):
    book = planned / "bench/round-1.xlsx"
    import openpyxl

    sheets = openpyxl.load_workbook(book)
    sheets.properties.title = "typed into"
    sheets.save(book)
    (said,) = [p for p in inspect(planned) if p.code == "typed-into"]
    assert said.do == "record it when it is filled in"
    with_entry = journal.written(journal.read(planned)[-1], "record", {"round-1.xlsx": journal.fingerprint(book)}, {})
    with (planned / journal.NAME).open("ab") as log:
        log.write(journal.line_of(with_entry))
    (said,) = [p for p in inspect(planned) if p.code == "typed-into"]
    assert said.got.startswith("typed into, and recorded as it stands on ")
    assert not said.do
