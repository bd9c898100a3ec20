"""What the trade limits is a limit of the search: legal maxima, and specs on exact sums and ratios. Data invented."""

import numpy as np
import pandas as pd
import pytest

from doe import Study
from doe.trade.stops import stop_limits
from optimise import find, fit
from optimise.formula.exact import exact_form
from optimise.formula.space import Space

SOURCE = {
    "study": {"name": "Invented", "product": "rinse-off", "market": "EU"},
    "ingredient": [
        {"name": "Water", "qs": True},
        {"name": "Gum", "low": 0.2, "high": 1.0},
        {"name": "Glycerin", "low": 2.0, "high": 6.0},
        {"name": "Preservative", "low": 0.4, "high": 1.5, "inci": "Phenoxyethanol"},
        {"name": "Beads", "low": 0.5, "high": 4.0, "density": 1.2, "d50_um": 500},
    ],
    "response": [{"name": "Wanted", "method": "invented", "aim": "above", "low": 8.0, "sd": 0.1}],
}


def models_of(**more):
    """A study whose response rises with gum, preservative and beads, fitted to exact-looking trials."""
    source = {**SOURCE, **more, "response": [*SOURCE["response"], *more.get("response", [])]}
    study = Study.from_dict(source)
    rng = np.random.default_rng(3)
    X = study.region.sample(30, 5)
    table = study.complete(pd.DataFrame(X, columns=list(study.region.names)))
    value = 4 + 3 * table["Gum"] + 2 * table["Preservative"] + 0.5 * table["Beads"] + 0.05 * rng.normal(size=30)
    results = study.results(table.assign(Wanted=value))
    return study, fit(study, results)


def test_the_search_keeps_a_legal_maximum_and_says_nothing_then():
    """Phenoxyethanol: 1.0 % (Regulation (EC) No 1223/2009, Annex V, entry 29)."""
    study, models = models_of()
    best = find(study, models)
    assert best.blend["Preservative"] <= 1.0 + 1e-9
    assert "K11" not in {finding.code for finding in best.findings}


def test_a_maximum_that_is_taken_on_purpose_does_not_hold_the_search():
    accept = [{"finding": "K11", "why": "a trial of the limit, not for skin", "by": "A. Nother"}]
    study, models = models_of(accept=accept)
    best = find(study, models, {"Preservative": 1.4})
    (found,) = [finding for finding in best.findings if finding.code == "K11"]
    assert "taken on purpose" in found.do


@pytest.mark.parametrize(
    "asked, within",
    [
        ({"from": "humectant_to_gum", "aim": "above", "low": 8.0}, (8.0, np.inf)),
        ({"from": "bead_spacing", "of": "Beads", "aim": "above", "low": 1.6}, (1.6, np.inf)),
        ({"from": "bead_volume", "of": "Beads", "aim": "within", "low": 1.0, "high": 1.2}, (1.0, 1.2)),
        ({"from": "beads_per_gram", "of": "Beads", "aim": "below", "high": 200}, (-np.inf, 200)),
    ],
)
def test_specs_on_exact_quantities_are_kept_exactly(asked, within):
    study, models = models_of(response=[{"name": "Exact", **asked}])
    best = find(study, models)
    value = best.responses["Exact"]["predicted"]
    assert within[0] * (1 - 1e-9) <= value <= within[1] * (1 + 1e-9)
    assert best.responses["Exact"]["chance"] == 1.0


def test_slopes_of_ratios_are_those_of_their_values():
    asked = [
        {"name": name, "from": name, "of": "Beads", "aim": "watch"}
        for name in ("bead_spacing", "bead_volume", "density_difference", "yield_needed", "beads_per_gram")
    ]
    study = Study.from_dict({**SOURCE, "response": [*SOURCE["response"], *asked]})
    x = study.region.interior
    for response in study.exact_responses:
        exact = exact_form(study, response).at({})
        slope = exact.with_slopes(x[None])[1][0]
        steps = 1e-6 * np.eye(len(x))
        seen = (exact.values(x + steps) - exact.values(x - steps)) / 2e-6
        assert slope == pytest.approx(seen, rel=1e-5, abs=1e-7), response.name


def test_a_space_with_a_spec_that_nothing_can_meet_says_which():
    asked = {"name": "Dense", "from": "bead_volume", "of": "Beads", "aim": "above", "low": 50}
    study = Study.from_dict({**SOURCE, "response": [*SOURCE["response"], asked]})
    with pytest.raises(Exception, match="Dense at least 50"):
        Space.build(study, None, (study.response("Dense"),))


CLASH = [
    {"name": "Preservative", "low": 0.4, "high": 0.9, "choice": [
        {"name": "Sour", "inci": "Sorbic Acid", "low": 0.4, "high": 0.55, "ph_high": 5.0},
        {"name": "Mild", "inci": "Phenoxyethanol", "low": 0.4, "high": 0.9}]},
    {"name": "Beads", "low": 0.5, "high": 4.0, "choice": [
        {"name": "Blue", "ph_low": 6.5, "d50_um": 500}, {"name": "Hard", "inci": "Polyethylene", "d50_um": 400},
        {"name": "Stone", "d50_um": 400}]},
]  # fmt: skip


def test_what_the_trade_stops_at_a_choice_is_no_choice_of_the_search():
    """K15: windows up to 5.0 and from 6.5 do not meet. K17: no scrubbing polyethylene in the EU."""
    source = {**SOURCE, "ingredient": [*SOURCE["ingredient"][:3], *CLASH]}
    study = Study.from_dict(source)
    names = {limit.name for limit in stop_limits(study)}
    assert names >= {"particles of a synthetic polymer", "materials whose pH window does not meet the others'"}
    space = Space.build(study, None, stop_limits(study))
    pairs = {(c["material: Preservative"], c["material: Beads"]) for c in space.combos}
    assert pairs == {("Sour", "Stone"), ("Mild", "Blue"), ("Mild", "Stone")}
    accept = [{"finding": code, "why": "bench only", "by": "A. Nother"} for code in ("K11", "K15", "K17")]
    free = Study.from_dict({**source, "accept": accept})
    assert stop_limits(free) == ()


def test_what_may_be_left_out_is_left_out_where_windows_do_not_meet():
    items = [*SOURCE["ingredient"][:3], {"name": "Sour", "level": 0.5, "ph_high": 5.0},
             {"name": "Blue", "low": 0.0, "high": 3.0, "ph_low": 6.5}]  # fmt: skip
    study = Study.from_dict({**SOURCE, "ingredient": items})
    space = Space.build(study, None, stop_limits(study))
    assert space.region.reach["Blue"] == (0.0, 0.0)
    always = [*items[:4], {**items[4], "low": 1.0}]
    assert stop_limits(Study.from_dict({**SOURCE, "ingredient": always})) == ()  # no recipe keeps it: check says so
