"""A small invented study taken through the whole job once; tests work on copies of it."""

import json
import shutil

import numpy as np
import pytest

from studies.cli import main

SMALL = """
[study]
name = "Small wash (invented for tests)"
batch_g = 400
batches_per_day = 4
batch_cost = 45.0

[[balance]]
name = "bench"
step_g = 0.01
repeat_g = 0.01
max_g = 4000

[[ingredient]]
name = "Water"
qs = true
phase = "A"
price_per_kg = 0.1

[[ingredient]]
name = "Gum"
low = 0.3
high = 0.8
phase = "A"
price_per_kg = 18.0

[[ingredient]]
name = "Wax"
low = 2
high = 6
phase = "B"
price_per_kg = 9.0

[[ingredient]]
name = "Preservative"
level = 1.0
phase = "C"
price_per_kg = 12.0

[[limit]]
rule = "Wax + Gum <= 6.5"

[[response]]
name = "Viscosity"
unit = "mPa.s"
method = "invented"
scale = "log"
aim = "within"
low = 12000
high = 30000
sd = "8 %"
matters = "20 %"

[[response]]
name = "pH"
unit = "pH"
method = "invented"
aim = "within"
low = 5.0
high = 5.8
sd = 0.06
matters = 0.2

[plan]
design = "optimal"
model = "linear"
runs = 9
replicate_batches = 2
seed = 5
"""


def _table_of(design_runs, seed=3):
    """An invented table of results for the runs of a plan document."""
    rng = np.random.default_rng(seed)
    rows = ["trial,Viscosity,pH"]
    for run in design_runs:
        gum, wax = run["levels"]["Gum"], run["levels"]["Wax"]
        viscosity = 18000 * (gum / 0.55) ** 2 * np.exp(0.05 * (wax - 4) + 0.05 * rng.standard_normal())
        rows.append(f"{run['trial']},{viscosity:.0f},{5.4 - 0.05 * (wax - 4) + 0.03 * rng.standard_normal():.2f}")
    return "\n".join(rows) + "\n"


def _snapshot(folder):
    """Every file of a folder with its bytes."""
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


@pytest.fixture
def snapshot():
    return _snapshot


@pytest.fixture
def table_of():
    return _table_of


@pytest.fixture
def small_toml():
    return SMALL


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
    table.write_text(_table_of(runs), encoding="utf-8")
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
