"""Particles: against the published criterion, closed forms and geometry."""

import numpy as np
import pandas as pd
import pytest

from doe import Study
from doe.definition.parts import Response
from doe.recipes.costs import exact_values
from doe.trade import Given, TradeChecks, study_findings
from doe.trade.composition import Stock
from doe.trade.forms import spacing_mm
from doe.trade.quantities import form_of
from doe.trade.settling import GRAVITY, yield_to_hold
from doe.trade.suspension import base_density

BEADS = {"name": "Beads", "low": 0.5, "high": 6.0, "density": 0.90, "d50_um": 500, "d90_um": 700}


def test_the_yield_value_that_just_holds_a_sphere_is_that_of_the_published_criterion():
    """Beris et al. (1985), J. Fluid Mech. 158, 219: 2 pi R^2 tau / F = 0.143 with F the net weight of the sphere."""
    d, gap = 1.2e-3, 400.0
    force = 4 / 3 * np.pi * (d / 2) ** 3 * gap * GRAVITY
    assert 2 * np.pi * (d / 2) ** 2 * float(yield_to_hold(d, gap)) / force == pytest.approx(0.143)
    assert float(yield_to_hold(d, -gap)) == pytest.approx(0.143 / 3 * gap * GRAVITY * d)
    assert float(yield_to_hold(d, gap)) == pytest.approx(gap * GRAVITY * d / 21, rel=0.01)


def test_density_of_a_base_by_mass_balance(study):
    made = study(BEADS, {"name": "Oil", "level": 20.0, "density": 0.8})
    whole = made.complete(pd.DataFrame([{"Beads": 2.0}]))
    found = base_density(Stock.of(made), whole[[i.name for i in made.ingredients]].to_numpy(float))
    # 78 g of water at 0.998 (20 C) and 20 g of oil: 98 / (78.156 + 25).
    assert found[0] == pytest.approx(98 / (78 / 0.998 + 25))


def test_beads_that_rise_are_told_and_the_direction_may_turn_within_a_study(study, findings):
    found = findings(study(BEADS), Beads=2.0)["K21"]
    assert found.level == "warn"
    assert "98 kg/m3 lighter" in found.got
    assert "K21" not in findings(study({**BEADS, "density": 1.3}), Beads=2.0)
    varied = study(BEADS, {"name": "Oil", "low": 0, "high": 70, "density": 0.8})
    rows = varied.complete(pd.DataFrame([{"Beads": 2.0, "Oil": 0.0}, {"Beads": 2.0, "Oil": 70.0}]))
    told = TradeChecks(varied).each(rows)
    assert ["K21" in {p.code for p in row} for row in told] == [True, False]


def test_an_unknown_base_is_silent(study, findings):
    unknown = {"name": "Mystery", "low": 0, "high": 80}
    assert "K21" not in findings(study(BEADS, unknown), Beads=2.0, Mystery=40.0)
    assert "K21" in findings(study(BEADS, unknown), Beads=2.0, Mystery=10.0)
    assert "K22" not in findings(study({k: v for k, v in BEADS.items() if k != "density"}), Beads=2.0)


def test_what_is_needed_is_told_until_a_yield_value_is_known(study, findings):
    made = study(BEADS)
    need = 5 * 0.143 / 3 * 98.0 * GRAVITY * 700e-6
    told = findings(made, Beads=2.0)["K22"]
    assert told.level == "inform"
    assert dict(told.numbers)["yield_needed_pa"] == pytest.approx(need)
    weak = findings(made, Beads=2.0, given=Given(yield_pa=np.array([0.9 * need])))["K22"]
    assert weak.level == "warn"
    assert dict(weak.numbers) == pytest.approx({"yield_pa": 0.9 * need, "low": need})
    assert "K22" not in findings(made, Beads=2.0, given=Given(yield_pa=np.array([1.1 * need])))


def test_without_a_yield_value_the_rate_comes_from_low_shear_viscosity(study, findings):
    """Trade notes K23: less than 1 mm in 90 days needs about 64 000 Pa.s for 500 um and 60 kg/m3 (computed there)."""
    beads = {"name": "Beads", "low": 0.5, "high": 6, "density": 0.938, "d50_um": 500}
    thin = findings(study(beads), Beads=2.0, given=Given(low_shear=np.array([10.0])))["K23"]
    assert dict(thin.numbers)["mm_per_day"] == pytest.approx(70.6, rel=1e-3)  # 71 mm a day there
    assert "K23" in findings(study(beads), Beads=2.0, given=Given(low_shear=np.array([63_000.0])))
    assert "K23" not in findings(study(beads), Beads=2.0, given=Given(low_shear=np.array([65_000.0])))


def test_beads_in_a_gram_and_their_distance_are_geometry(study):
    made = study({**BEADS, "density": 0.998, "d50_um": 1000, "d90_um": 1000})
    source = made.to_dict()
    source["response"] += [
        {"name": name, "from": name, "of": "Beads"} for name in ("beads_per_gram", "bead_volume", "bead_spacing")
    ]
    again = Study.from_dict(source)
    row = again.complete(pd.DataFrame([{"Beads": 2.0}]))
    found = {r.name: float(exact_values(again, r, row)[0]) for r in again.exact_responses}
    # 0.02 g of spheres of 1 mm and 0.998 g/ml: 0.02 / (0.998 x pi/6 x 0.001 ml).
    assert found["beads_per_gram"] == pytest.approx(0.02 / (0.998 * np.pi / 6 * 1e-3))
    assert found["bead_volume"] == pytest.approx(2.0)  # as heavy as water
    # One sphere in a cube of side a: pi/6 d^3 = phi a^3.
    assert np.pi / 6 * 1.0**3 == pytest.approx(0.02 * found["bead_spacing"] ** 3)


def test_spheres_that_touch_are_a_diameter_apart():
    assert float(spacing_mm(np.pi / 6, 800)) == pytest.approx(0.8)


def test_the_load_is_told_outside_common_practice_only(study, findings):
    assert "bead-load" not in findings(study(BEADS), Beads=2.0)
    assert "3 times" in findings(study(BEADS), Beads=6.0)["bead-load"].got
    assert "bead-load" not in findings(study({**BEADS, "name": "Grit"}), Grit=6.0)


def test_what_is_as_heavy_as_its_base_neither_sinks_nor_rises(study, findings):
    told = findings(study({**BEADS, "density": 0.998}), Beads=2.0)
    assert not {"K21", "K22"} & set(told)


def test_particles_in_a_premix_are_held_and_counted_as_those_added_by_themselves(study, findings):
    """By hand: 10 % of a slurry of 20 % beads in water is 2 % beads in 98 % water."""
    slurry = {"name": "Slurry", "low": 0.0, "high": 40.0, "made_of": {"Beads": 0.2, "Water": 0.8}}
    made = study({**BEADS, "low": 0.0}, slurry)
    given = {"given": Given(low_shear=np.array([10.0]))}
    alone = findings(study(BEADS), Beads=2.0, **given)
    inside = findings(made, Beads=0.0, Slurry=10.0, **given)
    assert {"K21", "K22", "K23"} <= set(alone)
    for code in ("K21", "K22", "K23"):
        assert inside[code].where == "Slurry: Beads"
        assert dict(inside[code].numbers) == pytest.approx(dict(alone[code].numbers))
    # 40 % of the slurry is 8 % of beads.
    assert dict(findings(made, Beads=0.0, Slurry=40.0)["bead-load"].numbers)["percent"] == pytest.approx(8.0)
    assert "density-unknown" not in {p.code for p in study_findings(made)}


def test_quantities_of_particles_see_into_a_premix(study):
    names = ("beads_per_gram", "bead_volume", "bead_spacing", "density_difference", "yield_needed")
    slurry = {"name": "Slurry", "low": 0.0, "high": 40.0, "made_of": {"Beads": 0.2, "Water": 0.8}}
    found = []
    for of, row in (("Beads", {"Beads": 2.0, "Slurry": 0.0}), ("Slurry", {"Beads": 0.0, "Slurry": 10.0})):
        source = study({**BEADS, "low": 0.0}, slurry).to_dict()
        source["response"] += [{"name": name, "from": name, "of": of} for name in names]
        again = Study.from_dict(source)
        whole = again.complete(pd.DataFrame([row]))
        found.append([float(exact_values(again, r, whole)[0]) for r in again.exact_responses])
    assert found[0] == pytest.approx(found[1])
    two = {**slurry, "made_of": {"Beads": 0.1, "Grit": 0.1, "Water": 0.8}}
    grit = {"name": "Grit", "low": 0.0, "high": 1.0, "density": 2.0, "d50_um": 100}
    made = study({**BEADS, "low": 0.0}, grit, two)
    form = form_of(made, Response("", source="bead_volume", of="Slurry"))
    assert "several kinds of particles: Beads, Grit" in form.reason


def test_the_load_is_that_of_all_particles_together(study):
    """By hand: 2.5 % of one kind and 2 % of another are 4.5 %, above the 4 % that neither reaches alone."""

    def load(made, **levels):
        (found,) = TradeChecks(made).each(made.complete(pd.DataFrame([levels])))
        return [(p.where, round(dict(p.numbers)["percent"], 9)) for p in found if p.code == "bead-load"]

    pearls = {"name": "Pearls", "low": 0.4, "high": 6.0, "density": 1.4, "d50_um": 300}
    made = study(BEADS, pearls)
    assert load(made, Beads=2.5, Pearls=2.0) == [("Beads, Pearls", 4.5)]
    assert load(made, Beads=0.6, Pearls=0.6) == []
    assert load(made, Beads=0.5, Pearls=0.4) == [("Beads, Pearls", 0.9)]
    optional = study({**BEADS, "low": 0.0}, {**pearls, "low": 0.0})
    assert load(optional, Beads=0.0, Pearls=0.0) == []
    assert load(optional, Beads=3.0, Pearls=1.5) == [("Beads, Pearls", 4.5)]
