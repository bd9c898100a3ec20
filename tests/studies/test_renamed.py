"""What a study found before a rename goes on under the new names. Data invented."""

import shutil

import pytest

from studies.cli import main


@pytest.fixture(scope="module")
def confirmed_once(recorded_once, tmp_path_factory):
    """The small study with F1 found, kept, and confirmed by three batches as predicted."""
    place = shutil.copytree(recorded_once, tmp_path_factory.mktemp("renamed") / "small")
    assert main(["optimise", str(place), "--keep", "F1"]) in (0, 1)
    return place


@pytest.fixture
def confirmed(confirmed_once, tmp_path, call):
    place = shutil.copytree(confirmed_once, tmp_path / "small")
    upcoming = call("next", place, "--confirm", "3", "--formula", "F1")[1]
    low, high = upcoming["limits"]["Viscosity"]
    value = (max(low, 12000) + min(high, 30000)) / 2
    table = tmp_path / "back.csv"
    rows = [f"{run['trial']},{value:.0f},5.40" for run in upcoming["runs"]]
    table.write_text("trial,Viscosity,pH\n" + "\n".join(rows) + "\n", encoding="utf-8")
    assert call("record", place, table)[0] == 0
    return place


def test_a_renamed_ingredient_keeps_its_formulas_and_what_confirmed_them(confirmed, edit, call):
    """`was` follows a rename: the same recipe, the same label, the same chance, and it stays confirmed."""
    before = call("predict", confirmed, "--at", "F1")[1]["points"][0]
    label = call("optimise", confirmed)[1]["label"]
    assert call("status", confirmed)[1]["formula"]["confirmed"] is True
    edit(confirmed, 'name = "Gum"', 'name = "Thickener"\nwas = ["Gum"]')
    edit(confirmed, "Wax + Gum", "Wax + Thickener")
    for words in (["optimise"], ["next"], ["card"], ["report"], ["card", "--formula", "F1"]):
        code, document = call(words[0], confirmed, *words[1:])
        assert code in (0, 1), document["problems"]
    assert call("status", confirmed)[1]["formula"]["confirmed"] is True
    found = call("optimise", confirmed)[1]
    assert found["label"] == label
    (kept,) = found["kept"]
    assert kept["now"] == pytest.approx(before["chance_all"], rel=1e-9)
    after = call("predict", confirmed, "--at", "F1")[1]["points"][0]
    assert after["levels"]["Thickener"] == before["levels"]["Gum"]
    assert after["chance_all"] == pytest.approx(before["chance_all"], rel=1e-9)
    # By what was asked then, of what it was called then.
    edit(confirmed, "high = 30000", "high = 12500")
    said = call("status", confirmed)[1]["formula"]["says"]
    assert "By what was asked when its batches were planned, they confirmed it." in said


def test_a_new_ingredient_was_not_in_formulas_of_before(confirmed, edit, call):
    """An ingredient that is absent in an earlier round was 0 there."""
    edit(confirmed, "[plan]", '[[ingredient]]\nname = "Oil"\nlow = 0\nhigh = 2\nprice_per_kg = 4.0\n\n[plan]')
    for words in (["optimise"], ["next"], ["card"], ["report"], ["card", "--formula", "F1"]):
        code, document = call(words[0], confirmed, *words[1:])
        assert code in (0, 1), document["problems"]
    assert call("status", confirmed)[1]["formula"]["confirmed"] is True
    assert call("predict", confirmed, "--at", "F1")[1]["points"][0]["levels"]["Oil"] == 0
