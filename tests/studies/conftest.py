"""A small invented study taken through the whole job once; tests work on copies of it."""

import json
import shutil

import pytest
from small_study import SMALL, snapshot_of, table_of_runs

from doe import Study
from studies.cli import main
from studies.commands.new import example_toml


@pytest.fixture
def snapshot():
    return snapshot_of


@pytest.fixture
def table_of():
    return table_of_runs


@pytest.fixture
def small_toml():
    return SMALL


@pytest.fixture(scope="session")
def shipped():
    """The study of the shipped example potting-shed."""
    return Study.from_toml(example_toml("potting-shed"))


@pytest.fixture
def call(capsys):
    """Run a command with --json: (exit code, document). Nothing else may stand on standard output."""

    def run(*words):
        capsys.readouterr()
        code = main([*map(str, words), "--json"])
        return code, json.loads(capsys.readouterr().out)

    return run


@pytest.fixture(scope="session")
def planned_once(tmp_path_factory):
    place = tmp_path_factory.mktemp("job") / "small"
    place.mkdir()
    (place / "study.toml").write_text(SMALL, encoding="utf-8")
    assert main(["plan", str(place)]) == 0
    return place


@pytest.fixture(scope="session")
def recorded_once(planned_once, tmp_path_factory):
    place = tmp_path_factory.mktemp("job") / "small"
    shutil.copytree(planned_once, place)
    runs = json.loads((place / "plan/round-1/plan.json").read_text(encoding="utf-8"))["runs"]
    table = place.parent / "returned.csv"
    table.write_text(table_of_runs(runs), encoding="utf-8")
    assert main(["record", str(place), str(table)]) == 0
    return place


@pytest.fixture
def planned(planned_once, tmp_path):
    return shutil.copytree(planned_once, tmp_path / "small")


@pytest.fixture
def recorded(recorded_once, tmp_path):
    return shutil.copytree(recorded_once, tmp_path / "small")


@pytest.fixture
def small(tmp_path):
    place = tmp_path / "small"
    place.mkdir()
    (place / "study.toml").write_text(SMALL, encoding="utf-8")
    return place


@pytest.fixture
def edit():
    """Change the text of a study.toml."""

    def change(folder, old, new):
        path = folder / "study.toml"
        text = path.read_text(encoding="utf-8")
        assert old in text
        path.write_text(text.replace(old, new, 1), encoding="utf-8")

    return change
