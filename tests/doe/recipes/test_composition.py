"""The mass balance of one batch, worked by hand on paper; every number below is a sum of grams."""

from types import SimpleNamespace

import pandas as pd
import pytest

from doe import Study
from doe.bench import bench
from doe.problems import ResultsError, StudyError
from doe.recipes.composition import Weighed, as_made, fitted_levels, parts_of
from doe.results.lots import of_record
from doe.results.results import joined, take_in
from doe.tables.rawtable import RawTable


def study(solution, extra=()):
    return Study.from_dict(
        {
            "study": {"name": "Invented", "batch_g": 400},
            "ingredient": [
                {"name": "Water", "qs": True},
                {"name": "Gum", "low": 0.5, "high": 1.5},
                {"name": "Wax", "low": 10, "high": 18},
                *extra,
                {"name": "Citric solution", "level": 0.45, "adjusts": "pH", **solution},
            ],
            "response": [{"name": "pH", "method": "meter", "aim": "watch"}],
        }
    )


# 400 g charged; 6 % of the batch boils off as water: 24 g, 376 g are left. Water is made up to 98 % of 400 g = 392 g:
# 16 g. Then 1.8 g of citric acid solution, 10 % acid: 0.18 g acid and 1.62 g water. 393.8 g in all.
WEIGHED = Weighed({"Water": 340.0, "Gum": 4.0, "Wax": 56.0}, 376.0, 392.0, {"Citric solution": 1.8})
PERCENT = 100 / 393.8


def test_the_solution_as_one_ingredient():
    made = as_made(study({}), WEIGHED)
    assert made.total_g == pytest.approx(393.8, abs=1e-9)
    assert made.water_lost_g == pytest.approx(24, abs=1e-9)
    assert made.water_made_up_g == pytest.approx(16, abs=1e-9)
    by_hand = {"Water": 332.0, "Gum": 4.0, "Wax": 56.0, "Citric solution": 1.8}
    assert made.grams == pytest.approx(by_hand, abs=1e-9)
    levels = made.levels(100)
    assert levels == pytest.approx({name: grams * PERCENT for name, grams in by_hand.items()}, abs=1e-9)
    assert sum(levels.values()) == pytest.approx(100, abs=1e-9)
    assert levels["Gum"] == pytest.approx(1.0157440325, abs=1e-9)  # 4 / 393.8


def test_the_solution_as_its_acid_and_its_water():
    parts = {"made_of": {"Citric acid": 0.10, "Water": 0.90}}
    acid = {"name": "Citric acid", "level": 0.0}
    made = as_made(study(parts, [acid]), WEIGHED)
    by_hand = {"Water": 333.62, "Gum": 4.0, "Wax": 56.0, "Citric acid": 0.18, "Citric solution": 0.0}
    assert made.grams == pytest.approx(by_hand, abs=1e-9)
    # Where the acid is no ingredient of its own it stays under the solution's name.
    alone = as_made(study(parts), WEIGHED)
    assert alone.grams == pytest.approx({"Water": 333.62, "Gum": 4, "Wax": 56, "Citric solution": 0.18}, abs=1e-9)


def test_one_weight_only():
    made = as_made(study({}), Weighed({"Water": 340.0, "Gum": 4.0, "Wax": 56.0}, made_up_to_g=390.0))
    assert (made.water_lost_g, made.water_made_up_g) == (10.0, 0.0)
    assert made.grams["Water"] == pytest.approx(330)
    untouched = as_made(study({}), Weighed({"Water": 340.0, "Gum": 4.0, "Wax": 56.0}))
    assert untouched.total_g == 400


@pytest.mark.parametrize(
    "weighed, words",
    [
        (Weighed({"Water": 340.0, "Gum": 4.0}, 350.0), "heavier after heating"),
        (Weighed({"Water": 340.0, "Gum": 4.0}, 330.0, 320.0), "lighter after make-up"),
        (Weighed({"Water": 10.0, "Wax": 50.0}, 40.0), "20 g lost, with 10 g of Water"),
        (Weighed({}), "nothing was weighed in"),
    ],
)
def test_weights_that_contradict_each_other(weighed, words):
    with pytest.raises(ResultsError, match=words):
        as_made(study({}), weighed)


def test_levels_for_the_fit_take_solutions_apart_and_keep_what_is_varied():
    parts = {"made_of": {"Citric acid": 0.10, "Water": 0.90}}
    levels = fitted_levels(study(parts), {"Water": 84.55, "Gum": 1.0, "Wax": 14.0, "Citric solution": 0.45})
    # 0.45 % of solution is 0.405 % of water and 0.045 % of acid.
    assert levels == pytest.approx({"Water": 84.955, "Gum": 1.0, "Wax": 14.0, "Citric solution": 0.045}, abs=1e-12)
    assert sum(levels.values()) == pytest.approx(100, abs=1e-12)


def test_parts_without_a_name_of_their_own_stay():
    item = study({"made_of": {"Water": 0.6, "Sugar": 0.4}}).ingredient("Citric solution")
    assert parts_of(item, frozenset({"Water", "Citric solution"}), "Water") == {"Citric solution": 0.4, "Water": 0.6}


def test_what_a_fixed_premix_brings_of_a_varied_ingredient_counts_with_it():
    premix = {"name": "Gum premix", "level": 5.0, "made_of": {"Gum": 0.1, "Water": 0.9}}
    blend = study({}, [premix])
    expected = {"Water": 79.55, "Gum": 1.0, "Wax": 14.0, "Gum premix": 5.0, "Citric solution": 0.45}
    # At its level the premix changes nothing: the models are in terms of gum beside it.
    assert fitted_levels(blend, expected)["Gum"] == pytest.approx(1.0, abs=1e-12)
    # 8 % instead of 5 % of premix: 3 % more of it, so 0.3 % more gum and 2.7 % more water.
    made = fitted_levels(blend, expected | {"Gum premix": 8.0, "Water": 76.55})
    assert made["Gum"] == pytest.approx(1.3, abs=1e-12)
    assert made["Wax"] == pytest.approx(14.0, abs=1e-12)
    assert sum(made.values()) == pytest.approx(100, abs=1e-12)


def test_a_varied_solution_stays_as_supplied_and_what_others_bring_of_it_is_counted_so():
    parts = [
        {"name": "Water", "qs": True},
        {"name": "Betaine solution", "low": 10, "high": 30, "made_of": {"Betaine": 0.3, "Salt": 0.05, "Water": 0.65}},
        {"name": "Salt", "low": 0, "high": 2},
        {"name": "Brine", "level": 1.0, "adjusts": "salt", "made_of": {"Salt": 0.2, "Water": 0.8}},
    ]
    wash = Study.from_dict({"study": {"name": "Invented"}, "ingredient": parts, "response": [{"name": "pH"}]})
    levels = {"Water": 78.0, "Betaine solution": 20.0, "Salt": 1.0, "Brine": 1.0}
    at_its_level = fitted_levels(wash, levels)
    assert at_its_level["Betaine solution"] == pytest.approx(20.0, abs=1e-12)
    assert at_its_level["Salt"] == pytest.approx(1.0, abs=1e-12)
    # 2 % more brine brings 0.4 % more salt.
    assert fitted_levels(wash, levels | {"Brine": 3.0, "Water": 76.0})["Salt"] == pytest.approx(1.4, abs=1e-12)


@pytest.mark.parametrize("apart", [False, True])
def test_the_worked_balance_reaches_the_fit(apart):
    """The same 393.8 g, from the sheets as typed to the levels that are fitted, the solution declared both ways."""

    extra = [{"name": "Citric acid", "level": 0.0}] if apart else []
    one = study({"made_of": {"Citric acid": 0.10, "Water": 0.90}} if apart else {}, extra)
    planned = {"Water": 84.55, "Gum": 1.0, "Wax": 14.0, "Citric acid": 0.0, "Citric solution": 0.45}
    table = pd.DataFrame([planned], index=["T01"])[list(one.columns)]
    runs = pd.DataFrame({"order": [1], "block": [None], "whole_plot": [None], "replicate_of": [None]}, index=["T01"])
    plan = SimpleNamespace(round=1, digest="0" * 64, study_digests={}, table=table, runs=runs)
    grams = {"Water": 340.0, "Gum": 4.0, "Wax": 56.0, "Citric acid": 0.0, "Citric solution": 1.8}
    weigh = [("T01", 1, name, grams[name]) for name in one.columns]
    make = [("T01", 1, 376.0, 392.0, "", "")]
    weighed = (bench.TRIAL, bench.BATCH, bench.INGREDIENT, bench.ACTUAL)
    heated = (bench.TRIAL, bench.BATCH, bench.AFTER_HEAT, bench.MADE_UP, bench.PH_BEFORE, bench.SET_ASIDE)
    sheets = [
        RawTable("", "Weigh", weighed, tuple(weigh), tuple(range(2, 2 + len(weigh))), ()),
        RawTable("", "Make", heated, tuple(make), (2,), ()),
        RawTable("", "Readings", ("trial", "pH"), (("T01", 5.5),), (2,), ()),
    ]
    made = take_in(one, sheets, design=plan).levels().loc["T01-1"]
    acid = {"Citric acid": 0.18, "Citric solution": 0.0, "Water": 333.62} if apart else {"Citric solution": 1.8}
    by_hand = {"Water": 332.0, "Gum": 4.0, "Wax": 56.0} | acid
    assert made.to_dict() == pytest.approx({name: g * PERCENT for name, g in by_hand.items()}, abs=1e-9)


def test_a_lot_counts_by_its_own_active_part():
    """By hand: 1.0 % of a lot with 0.81 where 0.90 is declared is as 0.9 % of the declared; 0.1 % counts as water."""
    lots = {"lot_assay": {"L17": 0.81, "L18": "90 %"}, "assay": 0.9}
    made = Study.from_dict(made_source(lots))
    table = pd.DataFrame(
        {
            "trial": ["T01", "T02", "T03"],
            "Gum": [1.0, 1.0, 1.0],
            "lot: Gum": ["L17", "L18", "L99"],
            "pH": [5.0, 5.1, 5.2],
        }
    )
    results = made.results(table)
    assert list(results.levels()["Gum"]) == pytest.approx([0.9, 1.0, 1.0], abs=1e-12)
    assert list(results.levels()["Water"]) == pytest.approx([99.1, 99.0, 99.0], abs=1e-12)
    said = [f for f in results.findings if f.code == "lot-assay"]
    assert [(f.where, f.got) for f in said] == [("lot: Gum", "L17 in T01-1 has its own active part (lot_assay)")]
    # Said again of what is on record, long after it was taken in.
    again = of_record(made, results)
    assert [(f.where, f.got) for f in again] == [(f.where, f.got) for f in said]
    assert again[0].do.startswith(said[0].do)
    with pytest.raises(StudyError, match="a fraction above 0, up to 1"):
        Study.from_dict(made_source({"lot_assay": {"L17": 1.2}}))


def made_source(lots):
    return {
        "study": {"name": "Invented"},
        "ingredient": [{"name": "Water", "qs": True}, {"name": "Gum", "low": 0.5, "high": 1.5, **lots}],
        "response": [{"name": "pH", "method": "meter"}],
    }


def test_a_lot_that_is_recorded_again_counts_once():
    study = Study.from_dict(made_source({"lot_assay": {"L17": 0.9}}))
    table = pd.DataFrame([[99.0, 1.0]], index=["T01"], columns=["Water", "Gum"])
    runs = pd.DataFrame({"order": [1], "block": None, "whole_plot": None, "replicate_of": None}, index=["T01"])
    plan = SimpleNamespace(round=1, digest="0" * 64, study_digests={}, table=table, runs=runs)
    lot = pd.DataFrame({"trial": ["T01"], "lot: Gum": ["L17"], "pH": [5.0]})
    first = take_in(study, lot, design=plan)
    assert first.levels()["Gum"]["T01-1"] == pytest.approx(0.9, abs=1e-12)  # 1 % of a lot with 0.9 of what is declared
    for later in (lot, pd.DataFrame({"trial": ["T01"], "pH": [5.0]})):
        again = joined(first, take_in(study, later, design=plan, earlier=first))
        assert again.levels()["Gum"]["T01-1"] == pytest.approx(0.9, abs=1e-12)
    weighed = take_in(study, pd.DataFrame({"trial": ["T01"], "Gum": [1.1], "pH": [5.0]}), design=plan, earlier=first)
    assert weighed.levels()["Gum"]["T01-1"] == pytest.approx(0.99, abs=1e-12)
