"""The whole main job, through the commands, on trials really made. Sources: SOURCE.md beside each study."""

import json
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from studies.cli import main

HERE = Path(__file__).parent
SETS = ("yarn", "flare", "tyre-tread", "fish-patties", "concrete")


@pytest.fixture
def run(capsys):
    def command(*words, code=0):
        got = main([*map(str, words), "--json"])
        out = capsys.readouterr().out
        document = json.loads(out)
        assert got == code, document["problems"]
        return document

    return command


@pytest.fixture
def study(tmp_path):
    def copied(name):
        folder = tmp_path / name
        folder.mkdir()
        shutil.copy(HERE / name / "study.toml", folder / "study.toml")
        return folder, HERE / name / "trials.csv"

    return copied


def estimates(fitted, response):
    return {row["term"]: row["estimate"] for row in fitted["responses"][response]["terms"]}


def close(got, published, digits):
    """Agreement to the digits published: half a unit of the last printed place (and 2 % for ties)."""
    return abs(got - published) <= 0.5 * 10.0**-digits * 1.02


@pytest.mark.parametrize("name", SETS)
def test_every_command_does_its_job(name, study, run):
    folder, trials = study(name)
    checked = run("check", folder)
    assert (
        checked["region"]["dimension"]
        == {"yarn": 2, "flare": 3, "tyre-tread": 3, "fish-patties": 5, "concrete": 7}[name]
    )
    taken = run("record", folder, trials)
    assert taken["ok"]
    assert (folder / "results").is_dir()
    fitted = run("fit", folder)
    rows = pd.read_csv(trials)
    for response in fitted["responses"].values():
        assert response["n"] == len(rows)
    best = main(["optimise", str(folder)])
    assert best in (0, 1)
    assert main(["report", str(folder)]) in (0, 1)
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert "http://" not in page.replace("http://www.w3.org", "")
    assert main(["status", str(folder)]) in (0, 1)
    assert main(["verify", str(folder)]) == 0


def test_yarn_agrees_with_the_handbook(study, run):
    folder, trials = study("yarn")
    run("record", folder, trials)
    model = run("fit", folder, "--terms", "all")["responses"]["Elongation"]
    got = {row["term"]: row for row in model["terms"]}
    names = ("Polyethylene", "Polystyrene", "Polypropylene")
    cross = ("Polyethylene × Polystyrene", "Polyethylene × Polypropylene", "Polystyrene × Polypropylene")
    for term, value in zip(names + cross, (11.7, 9.4, 16.4, 19.0, 11.4, -9.6), strict=True):
        assert close(got[term]["estimate"], value, 1)
    assert all(close(got[term]["se"], 0.603692, 6) for term in names[:1])
    assert all(close(got[term]["se"], 2.608249, 6) for term in cross)
    assert close(model["residual_sd"], 0.85375, 5)
    assert close(model["r2"], 0.951356, 6)
    assert close(model["r2_adjusted"], 0.924331, 6)
    # The maximum that follows from the printed coefficients: x3 = 0.706, x1 = 0.294, 17.384.
    best = run("predict", folder, "--at", "Polyethylene=0.294,Polystyrene=0,Polypropylene=0.706")
    assert close(best["points"][0]["responses"]["Elongation"]["predicted"], 17.384, 3)
    # It lies on the edge without polystyrene: the way up from the middle, which stays within the triangle, ends there.
    end = model["way"][-1]
    assert list(end["at"].values()) == pytest.approx([0.294, 0, 0.706], abs=2e-3)
    assert close(end["predicted"], 17.384, 3)
    assert model["stationary"]["kind"] == "saddle"


def test_flare_agrees_with_mclean_and_anderson(study, run):
    folder, trials = study("flare")
    checked = run("check", folder)
    assert checked["region"]["vertices"] == 8
    run("record", folder, trials)
    got = estimates(run("fit", folder, "--terms", "all"), "Brightness")
    m, n, s, b = "Magnesium", "Sodium nitrate", "Strontium nitrate", "Binder"
    recalled = {
        m: -1558, n: -2351, s: -2426, b: 14372,
        f"{m} × {n}": 8300, f"{m} × {s}": 8076, f"{m} × {b}": -6625,
        f"{n} × {s}": 3213, f"{n} × {b}": -16998, f"{s} × {b}": -17127,
    }  # fmt: skip
    assert set(got) == set(recalled)
    for term, value in recalled.items():
        assert got[term] == pytest.approx(value, rel=3e-3)
    best = run("optimise", folder, "--objective", "desirability")
    assert best["blend"][m] == pytest.approx(0.5233, abs=5e-3)
    assert best["blend"][b] == pytest.approx(0.08, abs=1e-6)
    assert best["responses"]["Brightness"]["predicted"] == pytest.approx(397.48, rel=1e-3)
    assert sum(best["blend"].values()) == pytest.approx(1, abs=1e-9)


def test_tyre_tread_desirability_optimum(study, run):
    folder, trials = study("tyre-tread")
    run("record", folder, trials)
    fitted = run("fit", folder, "--terms", "all")
    order = (
        "1", "Silica", "Silane", "Sulfur", "Silica²", "Silane²", "Sulfur²",
        "Silica × Silane", "Silica × Sulfur", "Silane × Sulfur",
    )  # fmt: skip
    published = {
        "Abrasion": "139.12 16.49 17.88 2.21 -4.01 -3.45 -1.57 5.12 -7.88 -7.13",
        "Modulus": "1261.13 268.15 246.5 -102.6 -83.57 -124.82 199.2 69.37 -104.38 -94.13",
        "Elongation": "417.5 -99.67 -31.4 -27.42",
        "Hardness": "68.91 -1.41 4.32 0.21 1.56 0.058 -0.32 -1.62 0.25 -0.12",
    }
    for response, printed in published.items():
        got = estimates(fitted, response)
        values = printed.split()
        for term, value in zip(order, values, strict=False):
            assert close(got[term], float(value), len(value.partition(".")[2])), (response, term)
        assert len(got) == len(values)
    r2 = {"Abrasion": 0.8369, "Modulus": 0.7137, "Elongation": 0.682, "Hardness": 0.8667}
    for response, value in r2.items():
        assert fitted["responses"][response]["r2"] == pytest.approx(value, abs=1.5e-4)
    best = run("optimise", folder, "--objective", "desirability")
    assert close(best["desirability"], 0.596, 3)
    found = [best["factors"][name] for name in ("Silica", "Silane", "Sulfur")]
    assert np.allclose(found, (-0.10, 0.15, -1.0), atol=5e-3)
    predicted = {name: entry["predicted"] for name, entry in best["responses"].items()}
    assert close(predicted["Abrasion"], 136.4, 1)
    assert close(predicted["Modulus"], 1571, 0)
    assert predicted["Elongation"] == pytest.approx(450.56, abs=0.1)
    assert close(predicted["Hardness"], 69.27, 2)


def test_fish_patties_give_cornells_28_coefficients(study, run):
    folder, trials = study("fish-patties")
    run("record", folder, trials)
    got = estimates(run("fit", folder, "--terms", "all"), "Texture")
    blends = (
        "Mullet", "Sheepshead", "Croaker", "Mullet × Sheepshead", "Mullet × Croaker",
        "Sheepshead × Croaker", "Mullet × Sheepshead × Croaker",
    )  # fmt: skip
    recalled = {
        "": (2.87, 1.08, 2.01, -1.14, -1.0, 0.2, 3.18),
        " × Cooking temperature": (0.49, 0.18, 0.25, -0.81, -0.54, -0.14, 0.07),
        " × Cooking time": (0.71, 0.25, 0.4, -0.59, -0.05, 0.07, -1.41),
        " × Frying time": (-0.09, -0.08, 0.01, 0.1, -0.03, -0.19, 0.11),
    }
    assert len(got) == 28
    for factor, values in recalled.items():
        for blend, value in zip(blends, values, strict=True):
            assert got[blend + factor] == pytest.approx(value, abs=0.012), blend + factor


def test_concrete_batches_fit_as_computed_elsewhere(study, run):
    folder, trials = study("concrete")
    run("record", folder, trials)
    model = run("fit", folder, "--terms", "all")["responses"]["Strength"]
    assert model["n"] == 103
    assert close(model["r2"], 0.896838, 6)
    assert close(model["residual_sd"], 2.608658, 6)
