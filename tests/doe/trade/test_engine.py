"""The engine: many recipes as one, choices of materials, what is accepted, what plan refuses, the table of checks."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from doe import Study, plan
from doe.definition.parts import CURVE_QUANTITIES
from doe.definition.process import PROCESS_CODES
from doe.problems import PlanError, Problem
from doe.trade import TradeChecks, quantities, study_findings
from doe.trade import engine as engine_module
from doe.trade.live import live_checks, told_by_presence
from doe.trade.recipes import extreme_recipes
from doe.trade.rulebook import RULES, table
from doe.trade.stops import KEPT_CODES

README = Path(engine_module.__file__).parent / "README.md"
ITEMS = (
    {"name": "Gum", "low": 0.1, "high": 1.0, "inci": "Xanthan Gum"},
    {"name": "Glycerin", "low": 0.0, "high": 5.0},
    {"name": "Preservative", "low": 0.5, "high": 1.5, "inci": "Phenoxyethanol"},
    {"name": "Beads", "low": 0.5, "high": 5.0, "density": 0.95, "d50_um": 500},
)


def test_the_table_in_the_readme_is_that_of_the_code():
    assert table() in README.read_text(encoding="utf-8")


def test_the_quantities_in_the_readme_are_those_of_the_code():
    told = quantities.table()
    assert told in README.read_text(encoding="utf-8")
    for name in (*quantities.QUANTITIES, *CURVE_QUANTITIES):
        assert f"| `{name}` |" in told


def test_a_quantity_without_a_unit_has_its_own(study):
    # Prices are given per kilogram (the manual of the study file); a lattice has distances in mm, a share a percentage.
    cost = {"name": "Cost", "from": "cost_per_kg", "aim": "below", "high": 3}
    own = [cost, {"name": "Apart", "from": "bead_spacing", "of": "Beads"}, {"name": "Born", "from": "natural_origin"}]
    made = study(*ITEMS, response=own, head={"currency": "CHF"})
    assert [r.unit for r in made.responses] == ["CHF/kg", "mm", "%"]
    written = study(*ITEMS, response=[{**cost, "unit": "francs a kilo"}, *own[1:]], head={"currency": "CHF"})
    assert written.response("Cost").unit == "francs a kilo"
    assert "unit" not in made.to_dict()["response"][0], "what was written stays as it was"


def test_a_search_keeps_what_every_check_may_stop():
    assert set(KEPT_CODES) == {rule.code for rule in RULES.values() if "stop" in rule.levels}


def test_every_check_of_making_stands_in_the_table():
    assert set(PROCESS_CODES) <= set(RULES)


def test_many_recipes_give_what_each_gives_alone(study):
    made = study(*ITEMS)
    rows = made.complete(pd.DataFrame(made.region.sample(40, 3), columns=list(made.region.names)))
    checks = TradeChecks(made)
    together = checks.each(rows)
    assert together == [checks.each(rows.iloc[[i]])[0] for i in range(len(rows))]
    stops = [not any(p.level == "stop" for p in row) for row in together]
    assert checks.allowed(rows).tolist() == stops
    assert len(set(stops)) == 2


def test_together_names_the_worst_and_where(study):
    made = study(*ITEMS)
    rows = made.complete(pd.DataFrame({"Gum": 0.5, "Glycerin": 2.0, "Preservative": [0.9, 1.2, 1.4], "Beads": 2.0}))
    (found,) = [p for p in TradeChecks(made).together(rows, names=["T01", "T02", "T03"]) if p.code == "K11"]
    assert found.got == "1.4 % of phenoxyethanol, in T02, T03"


def test_a_finding_of_one_material_names_its_recipes_whatever_is_chosen_beside_it(study):
    beads = {"name": "Beads", "low": 1, "high": 4, "density": 0.9, "d50_um": 500}
    made = study(
        beads, {"name": "Oil", "low": 1, "high": 9, "choice": [{"name": "Light"}, {"name": "Dense", "density": 1.2}]}
    )
    rows = made.complete(
        pd.DataFrame(
            {"Beads": [2.0] * 4, "Oil": [1.0, 9.0, 1.0, 9.0], "material: Oil": ["Light", "Light", "Dense", "Dense"]}
        )
    )
    (found,) = [p for p in TradeChecks(made).together(rows, names=["T1", "T2", "T3", "T4"]) if p.code == "K21"]
    assert ", in T" not in found.got  # all of them
    # The worst stands where the base is densest: 9 % of 1.2 g/ml and 89 % of water at 0.998, beads apart.
    assert dict(found.numbers)["density_difference"] == pytest.approx(900 - 1000 * 98 / (9 / 1.2 + 89 / 0.998))


def test_materials_have_their_own_facts(study):
    choice = [{"name": "Rising", "density": 0.9}, {"name": "Sinking", "density": 1.4}]
    made = study({"name": "Beads", "low": 1, "high": 3, "d50_um": 400, "choice": choice})
    rows = made.complete(pd.DataFrame({"Beads": [2.0, 2.0], "material: Beads": ["Rising", "Sinking"]}))
    assert [{p.code for p in row} for row in TradeChecks(made).each(rows)] == [{"K21", "K22"}, {"K22"}]


def test_without_ingredients_there_is_nothing_to_say():
    made = Study.from_dict(
        {"study": {"name": "box"}, "factor": [{"name": "A", "low": 0, "high": 1}],
         "response": [{"name": "y", "method": "m"}]}
    )  # fmt: skip
    assert study_findings(made) == ()
    assert TradeChecks(made).each(pd.DataFrame({"A": [0.5]})) == [()]


def source(high, **more):
    return {
        "study": {"name": "Invented", "product": "rinse-off", "market": "EU"},
        "ingredient": [
            {"name": "Water", "qs": True}, {"name": "Gum", "low": 0.1, "high": 1.0},
            {"name": "Preservative", "low": 0.5, "high": high, "inci": "Phenoxyethanol"},
        ],
        "response": [{"name": "pH", "method": "meter"}],
        "plan": {"model": "linear", "runs": 6},
        **more,
    }  # fmt: skip


def test_plan_refuses_what_the_trade_stops_until_it_is_taken_on_purpose():
    with pytest.raises(PlanError) as caught:
        plan(Study.from_dict(source(1.4)))
    (problem,) = caught.value.problems
    assert problem.code == "K11"
    assert "in T0" in problem.got
    assert "[[accept]]" in problem.do
    accept = [{"finding": "K11", "why": "a trial of the limit, not for skin", "by": "A. Nother"}]
    design = plan(Study.from_dict(source(1.4, accept=accept)))
    (kept,) = [p for p in design.findings if p.code == "K11"]
    assert kept.level == "stop"
    assert "taken on purpose by A. Nother" in kept.do
    assert not [p for p in plan(Study.from_dict(source(1.0))).findings if p.code == "K11"]


def test_an_accept_of_nothing_known_is_told():
    accept = [{"finding": "K99", "why": "?", "by": "?"}]
    assert "accept-unknown" in {p.code for p in study_findings(Study.from_dict(source(1.0, accept=accept)))}


def test_findings_survive_being_stored(study):
    for problem in study_findings(study(*ITEMS)):
        assert Problem.from_dict(problem.to_dict()) == problem
        assert problem.code == "K12" or problem.source


def test_extremes_of_sums_are_found_where_corners_are_too_many_to_list():
    items = [{"name": f"x{i}", "low": 0.0, "high": 1.0 + i / 10} for i in range(17)]
    items[3] |= {"inci": "Phenoxyethanol"}
    items[5] |= {"inci": "Phenoxyethanol"}
    made = Study.from_dict(
        {"study": {"name": "many", "product": "rinse-off", "market": "EU"},
         "ingredient": [{"name": "Water", "qs": True}, *items], "response": [{"name": "pH", "method": "meter"}]}
    )  # fmt: skip
    rows = extreme_recipes(made)
    assert (rows["x3"] + rows["x5"]).max() == pytest.approx(1.3 + 1.5)
    assert np.allclose(rows[[i.name for i in made.ingredients]].sum(axis=1), 100)
    assert any(p.code == "K11" and "2.8 %" in p.got for p in study_findings(made))


EVERY = {
    "study": {"name": "Invented, every fact given", "product": "rinse-off", "market": "EU"},
    "ingredient": [
        {"name": "Water", "qs": True, "inci": "Aqua"},
        {"name": "Gum", "low": 0.1, "high": 1.0, "inci": "Xanthan Gum", "use_low": 0.2, "use_high": 0.9},
        {"name": "Glycerin", "low": 0.0, "high": 6.0, "density": 1.26},
        {"name": "Oil", "low": 0.0, "high": 15.0, "required_hlb": 11, "density": 0.92},
        {"name": "Emulsifier A", "low": 0.0, "high": 1.0, "hlb": 15, "ph_low": 4, "ph_high": 6},
        {"name": "Emulsifier B", "low": 0.0, "high": 1.0, "hlb": 5, "charge": "anionic"},
        {"name": "Conditioner", "low": 0.0, "high": 2.0, "or_none": False, "inci": "Behentrimonium Chloride"},
        {"name": "Beads", "low": 0.0, "high": 5.0, "density": 0.99, "d50_um": 500, "polymer": "synthetic"},
        {"name": "Salt", "low": 0.0, "high": 1.5, "inci": "Potassium Sorbate"},
        {"name": "Scent", "low": 0.0, "high": 1.0, "allergens": {"Linalool": 0.02, "Citral": 0.01}},
    ],
    "response": [
        {"name": "pH", "unit": "pH", "method": "meter"},
        {"name": "Yield", "unit": "mPa", "method": "yield stress, invented"},
    ],
}  # fmt: skip


def test_checks_for_a_live_page_miss_where_the_checks_do():
    made = Study.from_dict(EVERY)
    X = made.region.sample(300, 4)
    X[::7, made.region.names.index("Conditioner")] = 0.0
    X[::5, made.region.names.index("Oil")] = 0.0
    rows = made.complete(pd.DataFrame(X, columns=list(made.region.names)))
    values = {"pH": np.linspace(3.5, 8, 300), "Yield": np.geomspace(1, 2000, 300)}
    checks = TradeChecks(made)
    given = checks.given(values, "predicted")
    assert given.yield_pa == pytest.approx(values["Yield"] / 1000)
    told = checks.each(rows, given)
    columns = {str(name): rows[name].to_numpy() for name in rows}
    live = live_checks(made)[()]
    seen = [check.missed(columns, {"ph": given.ph, "yield_pa": given.yield_pa}) for check in live]
    codes = {check.code for check in live}
    assert codes == {
        "K11", "K13", "K16", "K17", "K18", "K19", "K21", "K22", "K46", "ph-outside", "emulsifier-share", "use-range",
        "bead-load",
    }  # fmt: skip
    for i, row in enumerate(told):
        # A note on free acid where there is enough of it is no miss.
        known = sorted((p.code, p.where) for p in row if p.code in codes and (p.code, p.level) != ("K13", "inform"))
        assert sorted((c.code, c.where) for c, hits in zip(live, seen, strict=True) if hits[i]) == known


def test_a_live_page_says_where_it_does_not_ask_which_windows_meet():
    def told(count):
        left_out = [{"name": f"Acid {i}", "low": 0.0, "high": 1.0, "ph_low": 3.0 + i, "ph_high": 3.5 + i}
                    for i in range(count)]  # fmt: skip
        items = [{"name": "Water", "qs": True}, *left_out]
        response = {"name": "pH", "method": "meter"}
        made = Study.from_dict({"study": {"name": "Invented"}, "ingredient": items, "response": [response]})
        return told_by_presence(made)[()]

    asked, silent = told(6), told(7)
    assert len(asked.names) == 6
    assert silent.names == ()
    (problem,) = silent.findings[""]
    assert (problem.code, problem.level) == ("K15", "inform")
    assert "not asked on this page: 7 materials" in problem.got


def once(made):
    """The findings of a study by code, each told once only."""
    found = study_findings(made)
    codes = [p.code for p in found]
    assert len(codes) == len(set(codes)), codes
    return {p.code: p for p in found}


def test_what_is_given_against_what_a_name_tells_is_said_and_counts(study):
    found = once(study({"name": "Gum", "low": 0.1, "high": 1.0, "inci": "Xanthan Gum", "charge": "none"}))
    assert "given as none, and its INCI name tells anionic" in found["name-differs"].got
    assert "name-differs" not in once(study({"name": "Gum", "low": 0.1, "high": 1.0, "inci": "Xanthan Gum"}))


def test_a_synthetic_polymer_without_a_size_is_asked_about_once(study):
    """Regulation (EU) 2023/2055 is about solid particles up to 5 mm: without a size nothing can be said."""
    found = once(study({"name": "Beads", "low": 1, "high": 3, "inci": "Polyethylene"}))["K17"]
    assert found.level == "inform"
    assert "d50_um or d90_um" in found.do
    assert "K17" not in once(study({"name": "Beads", "low": 1, "high": 3, "inci": "Pumice"}))


def test_densities_that_lack_are_told_once_where_particles_need_them(study):
    beads = {"name": "Grit", "low": 1, "high": 3, "density": 2.0, "d50_um": 100}
    oils = [
        {"name": "Oil", "level": 12.0},
        {"name": "Wax", "level": 5.0, "density": 0.9},
        {"name": "Salt", "level": 0.5},
    ]
    found = once(study(beads, *oils))["density-unknown"]
    assert "no density of Oil:" in found.got
    assert "density-unknown" not in once(study(*oils, {"name": "Gum", "low": 0.1, "high": 1.0}))
