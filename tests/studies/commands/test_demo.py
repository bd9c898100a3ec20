"""The demo: the whole job from an empty folder to a report, within its promise of processor time."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

import studies
from studies.cli import main
from studies.commands import demo


@pytest.fixture(scope="module")
def shown(tmp_path_factory):
    place = tmp_path_factory.mktemp("demo") / "first look"
    done = subprocess.run(
        [sys.executable, "-m", "studies.cli", "demo", str(place)],
        capture_output=True,
        text=True,
        check=False,
        cwd=Path(studies.__file__).parents[1],
    )
    return place, done


def test_demo_ends_with_where_the_report_is(shown):
    place, done = shown
    assert done.returncode in (0, 1), done.stderr
    assert done.stdout.strip().splitlines()[-1] == f"The report: {place / 'report.html'}"
    assert (place / "report.html").stat().st_size > 10_000
    assert "invented" in done.stdout
    assert done.stderr == ""


def test_every_step_of_the_demo_is_a_command(shown):
    _, done = shown
    typed = [line.strip()[2:] for line in done.stdout.splitlines() if line.strip().startswith("$ ")]
    words = [line.split()[1] for line in typed]
    assert words == ["new", "check", "plan", "record", "fit", "optimise", "next", "record", "next", "report", "card"]


def test_the_demo_finds_a_good_formula(shown, capsys):
    place, _ = shown
    optimum = json.loads((place / "formulas/F1.json").read_text(encoding="utf-8"))
    assert optimum["feasible"]
    assert optimum["chance_all"] > 0.5
    assert main(["verify", str(place)]) == 0


def test_the_card_is_of_the_formula_that_the_report_says_to_make(shown, capsys):
    place, _ = shown
    confirmed = "Make formula F1<" in (place / "report.html").read_text(encoding="utf-8")
    assert main(["card", str(place), "--batch", "20kg", "--json"]) in (0, 1)
    document = json.loads(capsys.readouterr().out)
    assert (document["confirmed"] is not None) == confirmed
    assert sum(line["grams"] for line in document["lines"]) == pytest.approx(20_000, abs=1e-6)
    page = (place / document["file"]).read_text(encoding="utf-8")
    assert f"Formula F1, {'confirmed' if confirmed else 'predicted'}" in page
    assert main(["verify", str(place)]) == 0


def test_demo_runs_again_into_its_own_folder_and_spares_others(shown, tmp_path, capsys):
    place, _ = shown
    (place / "my notes.txt").write_text("mine")
    assert main(["demo", str(place)]) == 2
    assert "my notes.txt" in capsys.readouterr().err
    assert (place / "my notes.txt").read_text() == "mine"
    (place / "my notes.txt").unlink()
    other = tmp_path / "other"
    other.mkdir()
    (other / "thing").write_text("theirs")
    assert main(["demo", str(other)]) == 2
    assert [p.name for p in other.iterdir()] == ["thing"]
    study = (place / "study.toml").read_text(encoding="utf-8")
    (place / "study.toml").write_text(study + "# mine\n", encoding="utf-8")
    assert main(["demo", str(place)]) == 2
    assert "study.toml" in capsys.readouterr().err
    (place / "study.toml").write_text(study, encoding="utf-8")
    demo.make_room(place)
    assert not place.exists()
