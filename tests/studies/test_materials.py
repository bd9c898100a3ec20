"""A study with three materials in one place, and none of them, taken through the whole job by its commands.

Data are invented: log viscosity = 6.6 + slope x gum + 0.05 oil, slope 3.6, 3.0 and 7.0 for the three materials.
"""

import csv
import json
import math
import shutil

import numpy as np
import pytest
from openpyxl import load_workbook

from studies.cli import main

STUDY = """
[study]
name = "Shower gel (invented for tests)"
batch_g = 300

[[ingredient]]
name = "Water"
qs = true
inci = "Aqua"
price_per_kg = 0.1

[[ingredient]]
name = "Gum"
or_none = true
choice = [
  { name = "Xanthan A", inci = "Xanthan Gum", low = 0.3, high = 0.8, price_per_kg = 18 },
  { name = "Xanthan B", inci = "Xanthan Gum", low = 0.4, high = 1.0, price_per_kg = 7 },
  { name = "Gellan", inci = "Gellan Gum", low = 0.1, high = 0.3, price_per_kg = 45 },
]

[[ingredient]]
name = "Oil"
low = 2
high = 6
price_per_kg = 3

[[limit]]
rule = "Oil >= 3"
when = "Gum is Gellan"

[[response]]
name = "Viscosity"
unit = "mPa.s"
method = "invented"
scale = "log"
aim = "within"
low = 3000
high = 9000
sd = "8 %"

[[response]]
name = "Cost"
from = "cost_per_kg"
aim = "below"
high = 0.30

[plan]
terms = ["Gum", "Oil", "[Gum: Xanthan A]", "[Gum: Xanthan B]", "Gum × [Gum: Xanthan A]", "Gum × [Gum: Xanthan B]"]
runs = 20
seed = 5
"""
SLOPE = {"Xanthan A": 3.6, "Xanthan B": 3.0, "Gellan": 7.0, "none": 0.0}
LIMITS = {"Xanthan A": (0.3, 0.8), "Xanthan B": (0.4, 1.0), "Gellan": (0.1, 0.3), "none": (0.0, 0.0)}


def viscosity(levels, noise):
    return math.exp(6.6 + SLOPE[levels["material: Gum"]] * levels["Gum"] + 0.05 * levels["Oil"] + noise)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    place = tmp_path_factory.mktemp("materials") / "gel"
    place.mkdir()
    (place / "study.toml").write_text(STUDY, encoding="utf-8")
    assert main(["plan", str(place)]) == 0
    rng = np.random.default_rng(3)
    runs = json.loads((place / "plan/round-1/plan.json").read_text(encoding="utf-8"))["runs"]
    rows = [f"{run['trial']},{viscosity(run['levels'], rng.normal(0, 0.07)):.0f}" for run in runs]
    table = place.parent / "back.csv"
    table.write_text("trial,Viscosity\n" + "\n".join(rows) + "\n", encoding="utf-8")
    shutil.copytree(place, place.parent / "planned")
    assert main(["record", str(place), str(table)]) == 0
    return place


@pytest.fixture
def planned(made, tmp_path):
    return shutil.copytree(made.parent / "planned", tmp_path / "gel")


def test_check_shows_each_material(made, call, capsys):
    code, told = call("check", made)
    assert code == 0
    assert told["region"]["reach"]["Gum"] == [0.0, 1.0]
    assert told["region"]["vertices"] == 4 + 4 + 4 + 2
    # Cheapest without gum and with oil 2; dearest 0.8 of A, 0.3 of Gellan, each with oil 6.
    assert told["cost_per_kg"]["low"] == pytest.approx((98 * 0.1 + 6) / 100)
    assert told["cost_per_kg"]["high"] == pytest.approx(max(93.2 * 0.1 + 0.8 * 18, 93.7 * 0.1 + 0.3 * 45) / 100 + 0.18)
    main(["check", str(made)])
    shown = capsys.readouterr().out
    assert "Xanthan B" in shown
    assert "0.4 to 1" in shown


def test_the_plan_knows_the_material_of_every_trial(made):
    plan = json.loads((made / "plan/round-1/plan.json").read_text(encoding="utf-8"))
    for run in plan["runs"]:
        levels = run["levels"]
        low, high = LIMITS[levels["material: Gum"]]
        assert low - 1e-9 <= levels["Gum"] <= high + 1e-9
        assert levels["material: Gum"] != "Gellan" or levels["Oil"] >= 3 - 1e-9
    assert {run["levels"]["material: Gum"] for run in plan["runs"]} == set(LIMITS)
    with (made / "plan/round-1/plan.csv").open(encoding="utf-8") as file:
        assert "material: Gum" in next(csv.reader(file))
    sheets = (made / "plan/round-1/sheets.html").read_text(encoding="utf-8")
    assert "Gum: Xanthan A" in sheets
    assert "Gum: Gellan" in sheets


def test_fit_and_optimise_find_what_was_put_in(made, call):
    code, fitted = call("fit", made, "--terms", "all")
    terms = {row["term"]: row for row in fitted["responses"]["Viscosity"]["terms"]}
    mean = (3.6 + 3.0 + 7.0) / 3
    for name in ("Xanthan A", "Xanthan B"):
        row = terms[f"Gum × [Gum: {name}]"]
        assert row["estimate"] == pytest.approx(SLOPE[name] - mean, abs=4 * row["se"])
    code, best = call("optimise", made)
    assert code == 0
    chosen = best["factors"]["material: Gum"]
    assert chosen in ("Xanthan A", "Xanthan B", "Gellan")
    low, high = LIMITS[chosen]
    assert low - 1e-9 <= best["blend"]["Gum"] <= high + 1e-9
    assert best["chance_all"] > 0.9
    assert best["cost_per_kg"] <= 0.30 + 1e-9
    code, held = call("optimise", made, "--hold", "material: Gum=Gellan")
    assert held["factors"]["material: Gum"] == "Gellan"
    assert held["blend"]["Oil"] >= 3 - 1e-6


def test_predict_takes_the_material_and_asks_for_it(made, call):
    code, told = call("predict", made, "--at", "Gum=0.5, material: Gum=Xanthan B, Oil=4")
    (point,) = told["points"]
    assert point["levels"]["material: Gum"] == "Xanthan B"
    assert point["cost_per_kg"] == pytest.approx((95.5 * 0.1 + 0.5 * 7 + 12) / 100)
    expected = viscosity({"Gum": 0.5, "Oil": 4, "material: Gum": "Xanthan B"}, 0)
    low, high = point["responses"]["Viscosity"]["prediction"]
    assert low < expected < high
    code, told = call("predict", made, "--at", "Gum=0.5, Oil=4")
    assert code == 2
    assert "nothing says which material" in told["problems"][0]["got"]
    code, told = call("predict", made, "--at", "Gum=0, Oil=4")
    assert code == 0
    assert told["points"][0]["levels"]["material: Gum"] == "none"
    code, told = call("predict", made, "--at", "Gum=0.5, material: Gum=Agar, Oil=4")
    assert code == 2
    assert "Xanthan A, Xanthan B, Gellan" in told["problems"][0]["allowed"]


def test_the_card_declares_the_chosen_material(made, call, tmp_path):
    place = shutil.copytree(made, tmp_path / "gel")
    # A search that holds something is a look: what it found is kept by name to have a card.
    assert call("optimise", place, "--hold", "material: Gum=Gellan", "--keep", "Jelly")[0] == 0
    _, card = call("card", place, "--formula", "Jelly")
    gum = next(line for line in card["lines"] if line["name"] == "Gum")
    assert gum["material"] == "Gellan"
    assert "Gellan Gum" in {row["inci"] for row in card["declaration"]}
    assert "Xanthan Gum" not in {row["inci"] for row in card["declaration"]}
    assert main(["report", str(place)]) == 0
    page = (place / "report.html").read_text(encoding="utf-8")
    assert "Gum: Gellan" in page


def test_a_workbook_says_which_material_to_weigh_and_takes_another_one(planned, call):
    path = planned / "bench/round-1.xlsx"
    book = load_workbook(path)
    sheet = next(s for s in book if "ingredient" in [c.value for c in s[1]] and "actual g" in [c.value for c in s[1]])
    at = {cell.value: cell.column for cell in sheet[1]}
    rows = [r for r in range(2, sheet.max_row + 1) if str(sheet.cell(r, at["ingredient"]).value).startswith("Gum: Xan")]
    trial = sheet.cell(rows[0], at["trial"]).value
    said = sheet.cell(rows[0], at["ingredient"]).value
    other = {"Gum: Xanthan A": "Gum: Xanthan B", "Gum: Xanthan B": "Gum: Xanthan A"}[said]
    for row in range(2, sheet.max_row + 1):
        if sheet.cell(row, at["trial"]).value == trial and sheet.cell(row, at["target g"]).value is not None:
            sheet.cell(row, at["actual g"]).value = sheet.cell(row, at["target g"]).value
    sheet.cell(rows[0], at["ingredient"]).value = other
    book.save(path)
    code, _ = call("record", planned, path)
    assert code in (0, 1)
    with (planned / "results/batches.csv").open(encoding="utf-8") as file:
        (batch,) = [row for row in csv.DictReader(file) if row["trial"] == trial]
    assert batch["material: Gum"] == other.removeprefix("Gum: ")


def test_a_historical_table_carries_the_material(tmp_path, call):
    place = tmp_path / "gel"
    place.mkdir()
    (place / "study.toml").write_text(STUDY, encoding="utf-8")
    table = tmp_path / "old.csv"
    table.write_text(
        "trial,Gum,Oil,material: Gum,Viscosity\nA1,0.5,4,xanthan a,5400\nA2,0.2,4,Gellan,3700\nA3,0,4,,900\n",
        encoding="utf-8",
    )
    code, _ = call("record", place, table)
    assert code in (0, 1)
    with (place / "results/batches.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["material: Gum"] for row in rows] == ["Xanthan A", "Gellan", "none"]
    table.write_text("trial,Gum,Oil,material: Gum,Viscosity\nB1,0.5,4,,5400\nB2,0.5,4,Agar,5400\n", encoding="utf-8")
    code, told = call("record", place, table)
    assert code == 2
    said = " ".join(f"{p['got']} {p['allowed']}" for p in told["problems"])
    assert "material: Gum" in said
    assert "Agar" in said


def test_everything_that_does_not_fit_a_material_is_told_of_a_formula(made, call):
    code, told = call("predict", made, "--at", "Gum=0.5, material: Gum=none, Oil=4")
    assert code == 2
    assert "Gum is 0.5, and its material none" in told["problems"][0]["got"]
    # Allowed to be asked, and said to lie outside.
    code, told = call("predict", made, "--at", "Gum=0.9, material: Gum=Gellan, Oil=4")
    assert told["points"][0]["inside"] is False
