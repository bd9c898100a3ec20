"""The simulated bench: physical in its trends, noisy as said, seeded, with a formula to be found."""

import numpy as np
import pandas as pd
import pytest

from doe import Study
from studies.commands.new import example_toml
from studies.examples.potting_shed.bench import BENCH, truth

GOOD = {"Gum": 0.64, "Humectant": 4.8, "Emulsifier": 3.5, "Wax": 3.4, "Stone": 2.0, "Homogenise": 5.0}


def varied(**change):
    rows = max((len(np.atleast_1d(value)) for value in change.values()), default=1)
    return pd.DataFrame({**{name: np.full(rows, value) for name, value in GOOD.items()}, **change})


def test_more_gum_is_thicker_and_holds_the_stone():
    got = truth(varied(Gum=np.linspace(0.3, 0.8, 11)))
    assert np.all(np.diff(got["Viscosity"]) > 0)
    assert np.all(np.diff(got["Settled"]) < 0)


def test_viscosity_follows_a_power_of_gum():
    # Exponents of 2 to 4 are common practice for entangled gums (no source); 2.1 is what this bench was given.
    got = truth(varied(Gum=np.array([0.40, 0.41])))["Viscosity"].to_numpy()
    assert np.log(got[1] / got[0]) / np.log(0.41 / 0.40) == pytest.approx(2.1, abs=0.05)


def test_homogenising_has_a_best_time_inside_its_range():
    minutes = np.linspace(2, 8, 61)
    best = minutes[np.argmax(truth(varied(Homogenise=minutes))["Viscosity"])]
    assert 2.5 < best < 7.5


def test_values_stay_physical_over_the_whole_region():
    study = Study.from_toml(example_toml("potting-shed"))
    points = pd.DataFrame(study.region.sample(500, seed=3), columns=list(study.region.names))
    points = study.complete(pd.concat([points, study.region.vertices()], ignore_index=True))
    got = truth(points)
    assert np.isfinite(got.to_numpy()).all()
    assert (got["Settled"] > 0).all()
    assert got["pH"].between(4, 7).all()
    assert got["Spread"].between(0, 10).all()


def test_scatter_between_batches_is_what_the_study_expects():
    many = BENCH.batches(varied(Gum=np.full(4000, 0.6)), np.random.default_rng(5))
    assert np.log(many["Viscosity"]).std() == pytest.approx(0.08, rel=0.1)
    assert many["pH"].std() == pytest.approx(0.06, rel=0.1)
    assert np.corrcoef(np.log(many["Viscosity"]), np.log(many["Settled"]))[0, 1] < -0.15


def test_a_batch_is_the_same_whatever_is_made_beside_it():
    frame = varied(Gum=np.array([0.5, 0.6, 0.7]))
    frame.index = ["T01", "T02", "T03"]
    whole = BENCH.readings(frame)
    alone = BENCH.readings(frame.loc[["T02"]])
    pd.testing.assert_frame_equal(whole[whole["trial"] == "T02"].reset_index(drop=True), alone)
    again = BENCH.readings(frame, batch=2)
    assert not np.array_equal(whole["pH"].dropna().to_numpy(), again["pH"].dropna().to_numpy())


def test_a_good_formula_exists_and_not_everywhere():
    study = Study.from_toml(example_toml("potting-shed"))
    assert 0.85 <= BENCH.chance(study, varied()) <= 0.97
    middle = study.complete(pd.DataFrame([dict(study.region.centroid)]))
    assert BENCH.chance(study, middle) < 0.2
