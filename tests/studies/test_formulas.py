"""Formulas by name and batch sizes as people write them."""

import json
from types import SimpleNamespace

import pandas as pd
import pytest

from doe import StudyError
from studies.cli import main
from studies.formulas import batch_grams, in_confirmation, levels_of


@pytest.mark.parametrize(
    ("text", "grams"), [("20kg", 20000), ("400g", 400), ("1,5 kg", 1500), ("2.5 KG", 2500), (None, 500)]
)
def test_batch_sizes(text, grams, shipped):
    assert batch_grams(text, shipped) == grams


@pytest.mark.parametrize("text", ["20", "heavy", "-3kg", "0 g", "20 lb", "nan kg", "1e9kg", "9999999999kg"])
def test_batch_sizes_that_are_none(text, shipped):
    with pytest.raises(StudyError, match="a weight with its unit"):
        batch_grams(text, shipped)


def test_a_stored_formula_in_terms_of_the_present_study(shipped):
    row = {
        "blend": {"Water": 50, "Gum": 0.5, "Humectant": 4, "Wax": 2.5, "Stone": 3, "Gone": 0.0},
        "factors": {"Homogenise": 5},
    }
    frame = levels_of(row, shipped, "F1")
    assert frame.loc["F1", "Water"] == pytest.approx(84.9)
    row["blend"]["Gone"] = 1.0
    with pytest.raises(StudyError, match="Gone"):
        levels_of(row, shipped, "F1")


def test_a_name_means_one_recipe(recorded, call):
    first = call("optimise", recorded, "--keep", "F1", "--hold", "Wax=4")[1]
    other = call("optimise", recorded, "--hold", "Wax=3")[1]
    assert first["label"] == "F1"
    own, later = ({row["label"] for row in (found, *found["alternatives"])} for found in (first, other))
    assert own.isdisjoint(later)
    refused = call("optimise", recorded, "--hold", "Wax=3", "--keep", "F1")
    assert refused[0] == 2
    assert refused[1]["problems"][0]["code"] == "kept"
    assert call("optimise", recorded, "--hold", "Wax=4", "--keep", "F1")[1]["label"] == "F1"
    call("optimise", recorded, "--hold", "Wax=3")
    held, best = (call("card", recorded, *words)[1] for words in (("--formula", other["label"]), ()))
    assert held["formula"] == other["label"]
    # What the looks came out with are no names of what the search finds.
    assert best["formula"] not in own | later
    assert held["lines"] != best["lines"]
    assert call("card", recorded, "--formula", "F1")[1]["lines"] != held["lines"]


def test_what_is_kept_under_a_name_is_said(recorded, capsys):
    def said(name):
        capsys.readouterr()
        assert main(["optimise", str(recorded), "--keep", name]) in (0, 1)
        return " ".join(capsys.readouterr().out.split())

    assert "Kept as Summer, the formula above: formulas/Summer.json." in said("Summer")
    assert "Kept as F2, one of the others: formulas/F2.json." in said("F2")
    blends = [json.loads((recorded / f"formulas/{name}.json").read_text("utf-8"))["blend"] for name in ("Summer", "F2")]
    assert blends[0] != blends[1]


def test_a_look_at_what_if_never_becomes_the_formula_of_the_study(recorded, call, capsys, snapshot):
    best = call("optimise", recorded, "--keep", "F1")[1]
    before = snapshot(recorded)
    assert main(["optimise", str(recorded), "--hold", "Wax=3"]) in (0, 1)
    said = " ".join(capsys.readouterr().out.split())
    assert ", the best with Wax=3 held: " in said
    assert "the formula of the study stays what it was" in said
    look = json.loads((recorded / "analysis/what-if.json").read_text(encoding="utf-8"))
    assert look["asked"]["hold"] == "Wax=3"
    # No label of the look is one of the search.
    labels = [{row["label"] for row in (found, *found["alternatives"])} for found in (best, look)]
    assert labels[0].isdisjoint(labels[1])
    after = snapshot(recorded)
    changed = {name for name in {*before, *after} if before.get(name) != after.get(name)}
    assert changed == {"analysis/what-if.json", "analysis/named.json", "journal.jsonl"}
    assert call("status", recorded)[1]["formula"]["name"] == "F1"
    assert call("report", recorded)[0] == 0
    assert "The best formula so far, F1, would" in (recorded / "report.html").read_text(encoding="utf-8")
    assert call("card", recorded)[1]["formula"] == "F1"
    runs = call("next", recorded, "--confirm", "2")[1]["runs"]
    assert runs[0]["levels"]["Wax"] == pytest.approx(best["blend"]["Wax"])
    assert call("status", recorded)[1]["formulas"] == ["F1"]


def test_a_longer_look_proves_no_less_and_is_no_other_formula(recorded, call, capsys):
    short, long = (call("optimise", recorded, "--prove", str(n))[1] for n in (1, 4))
    assert short["certificate"] == call("optimise", recorded)[1]["certificate"]
    assert long["certificate"]["upper_bound"] <= short["certificate"]["upper_bound"]
    assert long["certificate"]["boxes"] >= short["certificate"]["boxes"]
    assert (long["blend"], long["asked"]["prove"], long["is_look"]) == (short["blend"], 4, False)
    assert main(["optimise", str(recorded)]) in (0, 1)
    known = short["certificate"]["proved"] or short["certificate"]["finished"]
    assert ("optimise --prove 10" in " ".join(capsys.readouterr().out.split())) is not known
    assert call("optimise", recorded, "--prove", "0")[0] == 2


def test_another_objective_is_a_look_too(recorded, call, capsys):
    best = call("optimise", recorded)[1]
    look = call("optimise", recorded, "--objective", "desirability")[1]
    assert (best["is_look"], look["is_look"]) == (False, True)
    assert look["certificate"]["objective"] == "desirability"
    assert main(["optimise", str(recorded), "--objective", "desirability"]) in (0, 1)
    said = " ".join(capsys.readouterr().out.split())
    assert ", the best by desirability: " in said
    # Of this brief the most desirable formula is the likeliest too.
    assert "This is a look, and it finds the formula of the study: F1." in said
    assert call("card", recorded)[1]["formula"] == best["label"] == "F1"
    # Where nothing is a must, desirability is what the study is searched by.
    text = (recorded / "study.toml").read_text(encoding="utf-8")
    (recorded / "study.toml").write_text(text.replace("aim = ", "must = false\naim = "), encoding="utf-8")
    asked = call("optimise", recorded, "--objective", "desirability")[1]
    assert asked["is_look"] is False
    assert call("card", recorded)[1]["formula"] == asked["label"]


def test_a_label_is_never_another_recipe_whatever_moves_on(recorded, edit, call):
    """What a report of Monday calls F2 is F2 on Friday, though nobody kept it."""
    monday = call("optimise", recorded)[1]
    labels = {row["label"]: {**row["blend"], **row["factors"]} for row in (monday, *monday["alternatives"])}
    assert len(labels) > 1
    edit(recorded, "high = 30000", "high = 19000")
    friday = call("optimise", recorded)[1]
    for row in (friday, *friday["alternatives"]):
        assert labels.get(row["label"], {**row["blend"], **row["factors"]}) == {**row["blend"], **row["factors"]}
    assert friday["label"] not in labels
    point = call("predict", recorded, "--at", "F2")[1]["points"][0]
    assert point["levels"] == pytest.approx(labels["F2"])
    code, refused = call("optimise", recorded, "--keep", "F2")
    assert (code, refused["problems"][0]["code"]) == (2, "kept")
    assert "which a search came out with before" in refused["problems"][0]["got"]
    assert call("card", recorded, "--formula", "F2")[1]["formula"] == "F2"
    kept = json.loads((recorded / "formulas/F2.json").read_text(encoding="utf-8"))
    assert kept["blend"] == pytest.approx({name: labels["F2"][name] for name in kept["blend"]})


def test_what_a_report_shows_has_a_card(recorded, edit, call):
    call("optimise", recorded)
    edit(recorded, "high = 30000", "high = 19000")
    assert call("report", recorded)[0] in (0, 1)
    noted = json.loads((recorded / "analysis/named.json").read_text(encoding="utf-8"))
    newest = max(noted, key=lambda label: int(label.removeprefix("F")))
    page = (recorded / "report.html").read_text(encoding="utf-8")
    assert f"{newest}<" in page
    lines = {line["name"]: line["level"] for line in call("card", recorded, "--formula", newest)[1]["lines"]}
    assert lines["Gum"] == pytest.approx(noted[newest]["blend"]["Gum"])
    # And the search that is made then calls its formulas as the report did.
    assert set(noted) >= {row["label"] for row in call("optimise", recorded)[1]["alternatives"]}


def test_a_look_that_is_gone_on_with_says_under_what_it_is_the_best(recorded, call, capsys):
    call("optimise", recorded, "--keep", "F1")
    look = call("optimise", recorded, "--hold", "Wax=3")[1]
    label = look["label"]
    runs = call("next", recorded, "--confirm", "2", "--formula", label)[1]["runs"]
    assert runs[0]["levels"]["Wax"] == pytest.approx(3)
    assert call("status", recorded)[1]["held"] == {label: "with Wax=3 held"}
    assert main(["status", str(recorded)]) == 0
    assert f"Formulas kept: F1 and {label} (the best with Wax=3 held)." in capsys.readouterr().out


def test_a_printed_label_is_never_another_recipe_later(recorded, call):
    found = call("optimise", recorded)[1]
    second = found["alternatives"][0] if found["alternatives"] else found
    label = second["label"]
    card = call("card", recorded, "--formula", label)[1]
    kept = json.loads((recorded / f"formulas/{label}.json").read_text(encoding="utf-8"))
    assert kept["blend"] == pytest.approx(second["blend"])
    look = call("optimise", recorded, "--hold", "Wax=2.5")[1]
    assert label not in {row["label"] for row in (look, *look["alternatives"])}
    assert call("card", recorded, "--formula", label)[1]["lines"] == card["lines"]


def test_a_formula_to_confirm_is_kept(recorded, call):
    call("optimise", recorded)
    assert call("next", recorded, "--confirm", "2")[0] == 0
    assert (recorded / "formulas/F1.json").is_file()


def test_a_kept_formula_that_breaks_a_later_limit_is_said(recorded, edit, call):
    kept = call("optimise", recorded, "--keep", "F1", "--hold", "Wax=5")[1]
    assert kept["blend"]["Wax"] == pytest.approx(5)
    edit(recorded, 'rule = "Wax + Gum <= 6.5"', 'rule = "Wax + Gum <= 4.5"')
    code, document = call("card", recorded, "--formula", "F1")
    assert code == 1, document["problems"]
    assert "breaks-a-limit" in [problem["code"] for problem in document["problems"]]
    assert "breaks a limit" in (recorded / "formulas/F1-card.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("purposes", "came", "expected"),
    [
        (("plan", "confirm"), (1, 2), "F7"),
        (("plan", "confirm"), (1,), None),
        (("plan", "confirm", "learn"), (1, 2), "F7"),  # issued, or retired: nothing of it came back
        (("plan", "confirm", "learn"), (1, 2, 3), None),
    ],
)
def test_a_round_only_issued_takes_no_confirmation_back(purposes, came, expected, shipped):
    table = {n: pd.DataFrame({"Gum": [0.5]}, index=[f"T{n}"]) for n in range(1, len(purposes) + 1)}
    folder = SimpleNamespace(
        study=shipped,
        results=SimpleNamespace(batches=pd.DataFrame({"trial": [f"T{n}" for n in came]})),
        rounds=lambda: list(table),
        design=lambda n: SimpleNamespace(table=table[n]),
        round_note=lambda n: {"purpose": purposes[n - 1], "formula": "F7"},
    )
    found = in_confirmation(folder)
    assert (None if found is None else found.index[0]) == expected
