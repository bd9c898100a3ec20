"""The whole job on a small study: keys of the documents, changes of mind after results, the same bytes again."""

import json
import re
import shutil
import subprocess
import sys

import pytest

from studies.cli import main

AT = "Gum=0.55,Wax=4"
ENVELOPE = {"command", "version", "ok", "problems", "digests"}
NO_NUMBER = {"unavailable", "do"}


def test_check_document(small, call):
    code, document = call("check", small)
    assert code == 0
    assert set(document) >= ENVELOPE
    assert set(document["digests"]) == {"tried", "measured", "wanted", "facts"}
    region = document["region"]
    assert set(region) >= {"dimension", "vertices", "reach", "centroid"}
    assert region["dimension"] == 2
    assert region["reach"]["Wax"] == pytest.approx([2, 6])
    # Gum and Wax at their lowest: 0.3 * 18 + 2 * 9 + 1 * 12 + 96.7 * 0.1, over 100.
    assert document["cost_per_kg"]["low"] == pytest.approx(0.4507)


def test_plan_document_and_papers(planned, call):
    assert sorted(p.name for p in (planned / "plan/round-1").iterdir()) == [
        "plan.csv", "plan.json", "sheets.html", "store-room.html"
    ]  # fmt: skip
    assert (planned / "bench/round-1.xlsx").is_file()
    code, document = call("plan", planned, "--replace")
    assert code == 0
    assert set(document) >= ENVELOPE | {"round", "runs", "quality"}
    assert len(document["runs"]) == 9
    replicates = [run for run in document["runs"] if "replicate_of" in run]
    assert len(replicates) >= 2
    for run in document["runs"]:
        levels = run["levels"]
        assert sum(levels.values()) == pytest.approx(100, abs=1e-9)
        assert levels["Gum"] + levels["Wax"] <= 6.5 + 1e-9
        assert levels["Preservative"] == 1.0
    quality = document["quality"]
    assert set(quality) >= {
        "terms", "rank", "condition", "d_efficiency", "i_efficiency", "best_possible", "df", "prediction_sd", "fds",
        "aliases", "can_see", "days", "cost",
    }  # fmt: skip
    price = {"Water": 0.1, "Gum": 18.0, "Wax": 9.0, "Preservative": 12.0}
    materials = sum(
        0.4 * level / 100 * price[name] for run in document["runs"] for name, level in run["levels"].items()
    )
    assert quality["cost"] == pytest.approx(9 * 45.0 + materials)


def test_plan_compare_writes_one_page(small, call, snapshot):
    before = snapshot(small)
    code, document = call("plan", small, "--compare", "7,9")
    assert code == 0
    own = [row for row in document["compare"] if row["own"]]
    assert [row["runs"] for row in own] == [7, 9]
    assert {row["plan"] for row in document["compare"]} >= {"optimal for terms (D)", "extreme vertices"}
    assert set(document) >= ENVELOPE | {"reaches", "stops_paying", "measure", "file"}
    after = snapshot(small)
    assert set(after) - set(before) == {"plan/compare.html", "journal.jsonl"} - set(before)
    assert "<script" not in (small / document["file"]).read_text(encoding="utf-8")
    # The page does not stand in the way of the plan itself.
    assert call("plan", small)[0] == 0


def test_fit_document(recorded, call):
    code, document = call("fit", recorded)
    assert code in (0, 1)
    assert set(document["responses"]) == {"Viscosity", "pH"}
    one = document["responses"]["Viscosity"]
    assert set(one) >= {
        "scale", "model", "coding", "n", "excluded", "terms", "residual_sd", "df_residual", "variance", "anova", "r2",
        "r2_adjusted", "r2_predicted", "press", "log_likelihood", "lack_of_fit", "stationary", "trials", "selection",
        "findings",
    }  # fmt: skip
    assert one["scale"] == "log"
    assert one["n"] == 9
    assert set(one["terms"][0]) >= {"term", "powers", "estimate", "se", "t", "df", "p"}
    assert set(one["trials"][0]) >= {
        "trial", "observed", "fitted", "residual", "leverage", "studentised", "deleted", "cook",
    }  # fmt: skip
    stored = json.loads((recorded / "analysis/models.json").read_text(encoding="utf-8"))
    assert stored["asked"] == {"terms": "select", "coding": "units"}


def test_the_terms_choice_of_the_last_fit_is_what_predicts(recorded, call):
    def predicted():
        return call("predict", recorded, "--at", AT)[1]["points"][0]["responses"]["pH"]["predicted"]

    selected = predicted()
    call("fit", recorded, "--terms", "all", "--coding", "coded")
    whole = predicted()
    assert whole != selected
    assert call("fit", recorded, "--terms", "select")[0] in (0, 1)
    assert predicted() == selected


def test_fit_without_is_a_look_only(recorded, call, snapshot):
    call("fit", recorded)
    before = snapshot(recorded)
    code, document = call("fit", recorded, "--without", "T02")
    assert code in (0, 1)
    assert document["responses"]["pH"]["n"] == 8
    # Of one response, all there is without that trial.
    assert call("fit", recorded, "--without", "T02", "--of", "pH")[1] == document
    assert snapshot(recorded) == before


def test_predict_document(recorded, call, snapshot):
    before = snapshot(recorded)
    code, document = call("predict", recorded, "--at", AT)
    assert code in (0, 1)
    (point,) = document["points"]
    assert set(point) >= {
        "levels", "inside", "in_hull", "leverage", "cost_per_kg", "chance_all", "chance_interval", "responses",
        "findings",
    }  # fmt: skip
    assert point["inside"] is True
    assert point["levels"]["Water"] == pytest.approx(94.45)
    one = point["responses"]["Viscosity"]
    assert set(one) >= {"predicted", "confidence", "prediction", "tolerance", "chance"}
    assert one["prediction"][0] < one["confidence"][0] < one["predicted"] < one["confidence"][1] < one["prediction"][1]
    assert snapshot(recorded) == before


def test_predict_a_table(recorded, tmp_path, call):
    table = tmp_path / "formulas.csv"
    table.write_text("name,Gum,Wax\nours,0.55,4\nfar,2.0,4\n")
    document = call("predict", recorded, "--at", table)[1]
    assert [point["inside"] for point in document["points"]] == [True, False]


def test_optimise_document_and_kept_formula(recorded, call):
    code, document = call("optimise", recorded, "--keep", "F1", "--hold", "Wax=4")
    assert code in (0, 1)
    assert set(document) >= ENVELOPE | {
        "blend", "factors", "feasible", "responses", "chance_all", "chance_interval", "desirability", "cost_per_kg",
        "certificate", "alternatives", "front", "tolerances", "limited_by", "clash", "findings",
    }  # fmt: skip
    assert document["blend"]["Wax"] == pytest.approx(4)
    assert set(document["certificate"]) >= {"objective", "value", "upper_bound", "gap", "proved"}
    stored = json.loads((recorded / "formulas/F1.json").read_text(encoding="utf-8"))
    assert stored["blend"] == document["blend"]
    again = call("predict", recorded, "--at", ",".join(f"{k}={v!r}" for k, v in document["blend"].items()))[1]
    assert again["points"][0]["chance_all"] == pytest.approx(document["chance_all"], abs=1e-9)


def test_a_spec_that_cannot_be_met_is_exit_1(recorded, edit, call):
    edit(recorded, "low = 5.0\nhigh = 5.8", "low = 9.0\nhigh = 9.5")
    code, document = call("optimise", recorded)
    assert code == 1
    assert document["feasible"] is False


def test_next_document(recorded, call):
    call("optimise", recorded, "--keep", "F1")
    code, document = call("next", recorded, "--confirm", "3", "--formula", "F1")
    assert code == 0
    assert set(document) >= ENVELOPE | {"purpose", "runs", "gain", "cost", "stop", "verdict"}
    assert document["purpose"] == "confirm"
    assert [run["trial"] for run in document["runs"]] == ["T10", "T11", "T12"]
    assert all(set(run) >= {"trial", "order", "block", "whole_plot", "levels"} for run in document["runs"])
    assert set(document["gain"]["chance"]) == set(document["gain"]["per_batch"]) == NO_NUMBER
    assert (recorded / "plan/round-2/plan.json").is_file()
    assert (recorded / "bench/round-2.xlsx").is_file()
    assert call("verify", recorded)[0] == 0


def test_verdict_on_the_formula_that_was_confirmed(recorded, tmp_path, call, table_of, snapshot):
    call("optimise", recorded, "--keep", "F1")
    before = snapshot(recorded)
    assert call("next", recorded)[0] == 0
    assert snapshot(recorded) == before
    runs = call("next", recorded, "--confirm", "3", "--formula", "F1")[1]["runs"]
    waiting = call("next", recorded, "--confirm", "3")[1]["problems"][0]
    assert waiting["code"] == "waiting"
    table = tmp_path / "confirmation.csv"
    table.write_text(table_of(runs, seed=8), encoding="utf-8")
    assert call("record", recorded, table)[0] == 0
    assert call("status", recorded)[1]["next"] == f"blendwright next {recorded}"
    verdict = call("next", recorded)[1]["verdict"]
    assert verdict["batches"] == ["T10-1", "T11-1", "T12-1"]
    assert isinstance(verdict["confirmed"], bool)
    assert set(verdict["responses"]) == {"Viscosity", "pH"}


def test_next_learn_runs_on(recorded, call):
    code, document = call("next", recorded, "--learn", "2")
    assert code == 0
    assert [run["trial"] for run in document["runs"]] == ["T10", "T11"]


def test_card_status_and_report(recorded, call):
    code, document = call("card", recorded, "--batch", "20kg")
    assert code in (0, 1)
    rests_on = set(document["digests"])
    assert rests_on == {"tried", "measured", "wanted", "facts", "results"}
    assert "20" in json.dumps(document)
    assert main(["card", str(recorded)]) in (0, 1)
    code, document = call("status", recorded)
    assert code in (0, 1)
    assert document["rounds"][0]["made"] == 9
    assert set(document["digests"]) == rests_on
    assert document["analyses"]["models"] == "none"
    code, document = call("report", recorded)
    assert (code, set(document["digests"])) == (0, rests_on)
    assert (recorded / "report.html").stat().st_size > 10_000
    code, document = call("status", recorded)
    assert document["analyses"]["models"] == "fresh"
    assert call("verify", recorded)[0] == 0


def test_report_before_there_are_results(planned, call):
    assert call("report", planned)[0] == 0
    assert (planned / "report.html").is_file()


def test_a_change_of_target_keeps_the_results(recorded, edit, call):
    call("fit", recorded)
    edit(recorded, "high = 30000", "high = 26000")
    code, document = call("status", recorded)
    assert code == 0
    assert document["batches"] == 9
    assert document["analyses"]["models"] == "stale"
    assert document["rounds"][0]["changed"] == ["wanted"]
    code, document = call("fit", recorded)
    assert code in (0, 1)
    assert document["responses"]["Viscosity"]["n"] == 9


def test_a_change_of_limit_keeps_what_it_can_express_and_says_so(recorded, edit, call):
    edit(recorded, "low = 2\nhigh = 6", "low = 3\nhigh = 6")
    code, document = call("fit", recorded)
    assert code in (0, 1)
    # The new limit still expresses every recipe: those outside it stay in the fit, and it says so.
    assert document["responses"]["pH"]["n"] == 9
    status = call("status", recorded)[1]
    said = json.dumps(status["problems"])
    assert "what is tried" in said
    assert "Wax" in said


def test_a_dropped_ingredient_keeps_what_it_can_express_and_says_so(recorded, edit, call):
    edit(recorded, '[[ingredient]]\nname = "Wax"\nlow = 2\nhigh = 6\nphase = "B"\nprice_per_kg = 9.0\n', "")
    edit(recorded, '[[limit]]\nrule = "Wax + Gum <= 6.5"\n', "")
    status = call("status", recorded)[1]
    said = json.dumps(status["problems"])
    assert "Wax" in said
    assert "no longer in the study" in said
    assert (recorded / "results/batches.csv").read_text(encoding="utf-8").count("\n") == 10


def test_a_new_response_is_allowed_at_any_time(recorded, edit, call):
    more = '\n[[response]]\nname = "Feel"\nunit = "score"\nmethod = "invented"\naim = "watch"\n\n[plan]'
    edit(recorded, "\n[plan]", more)
    code, document = call("status", recorded)
    assert code == 0
    assert document["batches"] == 9


def test_set_aside_restore_and_correct_add_rows(recorded, call):
    before = (recorded / "results/batches.csv").read_text(encoding="utf-8")
    assert call("record", recorded, "--set-aside", "T02", "--why", "wrong gum lot")[0] == 0
    assert call("fit", recorded)[1]["responses"]["pH"]["n"] == 8
    assert call("record", recorded, "--restore", "T02", "--why", "the lot was right")[0] == 0
    assert call("fit", recorded)[1]["responses"]["pH"]["n"] == 9
    after = (recorded / "results/batches.csv").read_text(encoding="utf-8")
    assert after.startswith(before)
    assert "wrong gum lot" in after
    readings = (recorded / "results/readings.csv").read_text(encoding="utf-8")
    assert call("record", recorded, "--correct", "T02", "pH", "5.31", "--why", "misread")[0] == 0
    now = (recorded / "results/readings.csv").read_text(encoding="utf-8")
    assert now.startswith(readings)
    assert "5.31" in now
    assert call("verify", recorded)[0] == 0


def test_originals_are_kept_byte_for_byte(planned, tmp_path, call, table_of):
    runs = call("plan", planned, "--replace")[1]["runs"]
    table = tmp_path / "Back: from bench (1).csv"
    table.write_text(table_of(runs), encoding="utf-8")
    assert call("record", planned, table)[0] == 0
    (original,) = (planned / "results/originals").iterdir()
    assert original.read_bytes() == table.read_bytes()
    assert original.name.endswith("-Back-from-bench-1.csv")
    entry = json.loads((planned / "journal.jsonl").read_text(encoding="utf-8").splitlines()[-1])
    assert table.name in entry["read"]
    assert str(tmp_path) not in json.dumps(entry)


def test_half_a_table_and_then_the_rest(planned, tmp_path, call, table_of):
    runs = call("plan", planned, "--replace")[1]["runs"]
    whole = table_of(runs)
    lines = whole.splitlines(keepends=True)
    first, second = tmp_path / "first.csv", tmp_path / "second.csv"
    first.write_text("".join(lines[:5]), encoding="utf-8")
    second.write_text(whole, encoding="utf-8")
    assert call("record", planned, first)[1]["batches"] == 4
    assert call("record", planned, second)[1]["batches"] == 9
    assert call("status", planned)[1]["rounds"][0]["made"] == 9


def test_withdrawn_trials(planned, call):
    code, document = call("plan", planned, "--withdraw", "T08-T09", "--why", "out of time")
    assert code == 0
    assert document["withdrawn"] == ["T08", "T09"]
    status = call("status", planned)[1]
    assert status["rounds"][0]["withdrawn"] == 2
    assert call("verify", planned)[0] == 0


def test_the_same_study_gives_the_same_bytes(tmp_path, snapshot, small_toml):
    places = []
    for name in ("one", "two"):
        place = tmp_path / name
        place.mkdir()
        (place / "study.toml").write_text(small_toml, encoding="utf-8")
        assert main(["plan", str(place)]) == 0
        places.append(place)
    one, two = (snapshot(place) for place in places)
    del one["journal.jsonl"], two["journal.jsonl"]
    assert one == two
    for name, content in one.items():
        assert str(tmp_path).encode() not in content, name


def test_analysis_files_are_the_same_bytes_and_name_no_path(recorded, tmp_path):
    copy = shutil.copytree(recorded, tmp_path / "elsewhere")
    for place in (recorded, copy):
        assert main(["optimise", str(place)]) in (0, 1)
    for name in ("models.json", "optimum.json"):
        content = (recorded / "analysis" / name).read_bytes()
        assert content == (copy / "analysis" / name).read_bytes()
        assert str(tmp_path).encode() not in content


def test_a_historical_table_without_a_plan(small, tmp_path, call):
    rows = ["trial,Gum,Wax,Preservative,Viscosity,pH"]
    for i in range(8):
        gum, wax = 0.3 + 0.06 * i, 2 + (3 * i) % 5 * 0.8
        rows.append(f"old-{i},{gum:.2f},{wax:.1f},1.0,{9000 + 2500 * i},{5.6 - 0.02 * i:.2f}")
    table = tmp_path / "last-year.csv"
    table.write_text("\n".join(rows) + "\n", encoding="utf-8")
    code, document = call("record", small, table)
    assert code == 0
    assert document["batches"] == 8
    batches = (small / "results/batches.csv").read_text(encoding="utf-8")
    assert "T01" in batches
    assert "old-0" in batches
    assert call("fit", small, "--terms", "all")[1]["responses"]["pH"]["n"] == 8
    _, before = call("plan", small, "--compare", "8")
    _, planned = call("plan", small)
    assert next(run["trial"] for run in planned["runs"]) == "T09"
    # What was made before counts in every plan, and as much once the round is issued.
    assert sum(name.startswith("made ") for name in planned["quality"]["leverage"]) == 8
    _, after = call("plan", small, "--compare", "8")
    assert after["compare"] == before["compare"]
    _, again = call("plan", small, "--replace")
    assert again["runs"] == planned["runs"]


def test_every_digest_printed_on_paper_is_known_to_verify(recorded, call):
    sheets = (recorded / "plan/round-1/sheets.html").read_text(encoding="utf-8")
    plan = re.search(r"Plan ([0-9a-f]{12})", sheets)[1]
    assert call("card", recorded, "--batch", "2kg")[0] in (0, 1)
    card = next((recorded / "formulas").glob("*-card.html")).read_text(encoding="utf-8")
    results = re.search(r"verify --head ([0-9a-f]{16})", card)[1]
    for digest, words in ((plan, "the plan of round 1"), (results, "the results as")):
        code, document = call("verify", recorded, "--head", digest)
        assert code == 0
        (said,) = [p["got"] for p in document["problems"] if p["code"] == "head-known"]
        assert said.startswith(f"{digest} is found: {words}")
    # The first entry of three: plan, record, card.
    first = json.loads((recorded / "journal.jsonl").read_text(encoding="utf-8").splitlines()[0])
    (said,) = [p["got"] for p in call("verify", recorded, "--head", first["digest"])[1]["problems"]
               if p["code"] == "head-known"]  # fmt: skip
    assert "is found: the head of the journal after entry 1 of 3, plan, on " in said
    assert said.endswith("; 2 entries made since")
    kept = json.loads((recorded / "plan/round-1/plan.json").read_text(encoding="utf-8"))
    (recorded / "plan/round-1/plan.json").write_text(json.dumps({**kept, "seed": 99}), encoding="utf-8")
    code, document = call("verify", recorded, "--head", plan)
    assert code == 1
    assert "head-unknown" in [p["code"] for p in document["problems"]]


def test_results_files_tell_where_the_chain_stands(recorded, call):
    head = call("verify", recorded)[1]["head"]
    assert call("verify", recorded, "--head", head[:16])[0] == 0
    assert call("verify", recorded, "--head", "f" * 16)[0] == 1
    target = recorded / "results/readings.csv"
    target.write_bytes(target.read_bytes().replace(b"T01", b"T02", 1))
    code, document = call("verify", recorded)
    assert code == 1
    assert document["problems"][0]["where"] == "results/readings.csv"


def test_every_byte_of_a_recorded_file_counts(recorded, call):
    assert main(["optimise", str(recorded), "--keep", "F1"]) in (0, 1)
    files = [p for p in recorded.rglob("*") if p.is_file() and p.parent.name != "bench" and p.name != "study.toml"]
    for number, path in enumerate(sorted(files)):
        content = path.read_bytes()
        for place in (0, len(content) // 2 + number, len(content) - 1):
            changed = bytearray(content)
            changed[place % len(content)] ^= 4
            path.write_bytes(bytes(changed))
            assert call("verify", recorded)[0] == 1, f"{path.name}, byte {place}"
        path.write_bytes(content)
    assert call("verify", recorded)[0] == 0


def test_workers_change_nothing(recorded, tmp_path):
    copy = shutil.copytree(recorded, tmp_path / "elsewhere")
    assert main(["optimise", str(recorded)]) in (0, 1)
    assert main(["optimise", str(copy), "--workers", "2"]) in (0, 1)
    for name in ("models.json", "optimum.json"):
        assert (recorded / "analysis" / name).read_bytes() == (copy / "analysis" / name).read_bytes()


def test_two_processes_recording_at_once(planned, tmp_path, table_of):
    runs = json.loads((planned / "plan/round-1/plan.json").read_text(encoding="utf-8"))["runs"]
    lines = table_of(runs).splitlines()
    jobs = []
    for number in range(3):
        table = tmp_path / f"part-{number}.csv"
        table.write_text("\n".join([lines[0], *lines[1 + number :: 3]]) + "\n", encoding="utf-8")
        words = [sys.executable, "-m", "studies.cli", "record", str(planned), str(table)]
        jobs.append(subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE))
    for job in jobs:
        assert job.wait(60) == 0, job.stderr.read()
        job.stderr.close()
    assert main(["verify", str(planned)]) == 0
    batches = (planned / "results/batches.csv").read_text(encoding="utf-8")
    assert batches.count("\n") == 10
