"""Plans as a chemist gets them: every recipe can be made, and the same plan comes again."""

import json

import numpy as np
import pandas as pd
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from doe import Design, PlanError, Study, StudyError, plan

WASH = """
[study]
name = "invented wash"
batches_per_day = 4
batch_cost = 45.0
[[ingredient]]
name = "Water"
qs = true
low = 70
high = 95
[[ingredient]]
name = "Gum"
low = 0.2
high = 1.2
price_per_kg = 18
{gum}
[[ingredient]]
name = "Humectant"
low = 2
high = 6
price_per_kg = 2
{humectant}
[[ingredient]]
name = "Wax"
low = 3
high = 12
price_per_kg = 4
[[ingredient]]
name = "Chelator"
level = 0.1
price_per_kg = 6
{more}
[[limit]]
rule = "Wax + Humectant <= 15"
[[response]]
name = "Viscosity"
scale = "log"
aim = "watch"
sd = "10 %"
matters = "20 %"
[plan]
model = "quadratic"
seed = 3
{plan}
"""
FACTORS = """
[[factor]]
name = "Mixing"
low = 2
high = 8
hard_to_change = {hard}
[[factor]]
name = "Wetting"
levels = ["in humectant", "dry"]
"""


def wash(gum="", humectant="", more="", plan=""):
    return Study.from_toml(WASH.format(gum=gum, humectant=humectant, more=more, plan=plan))


def obeys(study, design):
    table = design.table
    amounts = table[[i.name for i in study.ingredients]]
    assert np.allclose(amounts.sum(axis=1), study.total, atol=1e-9, rtol=0)
    assert study.region.contains(table[list(study.region.names)].to_numpy(dtype=float)).all()
    assert list(table.columns) == list(study.columns)
    return table


def test_a_plan_is_whole_recipes_in_the_order_to_make_them():
    study = wash(plan="runs = 18")
    design = plan(study)
    table = obeys(study, design)
    assert list(table.index) == [f"T{i:02d}" for i in range(1, 19)]
    assert (table["Chelator"] == 0.1).all()
    assert list(design.runs["order"]) == list(range(1, 19))
    df = design.quality.df
    assert df["model"] == 10
    assert df["lack_of_fit"] + df["pure_error"] == 8
    assert df["pure_error"] >= 3
    repeats = design.runs["replicate_of"].dropna()
    assert len(repeats) == df["pure_error"]
    assert all((table.loc[a] == table.loc[b]).all() for a, b in repeats.items())
    assert design.quality.d_efficiency > 0.6
    assert design.quality.i_efficiency > 0.8


def test_same_arguments_same_bytes():
    one, two = (json.dumps(plan(wash(plan="runs = 14")).to_dict(), sort_keys=True) for _ in range(2))
    assert one == two
    assert json.dumps(plan(wash(plan="runs = 14"), seed=4).to_dict(), sort_keys=True) != one


def test_plan_json_round_trips_and_shows_tampering():
    design = plan(wash(plan="runs = 12"), round=2, first_trial=13)
    held = json.loads(json.dumps(design.to_dict(), allow_nan=False))
    again = Design.from_dict(held)
    assert again.digest == design.digest == held["digest"]
    assert again.table.equals(design.table)
    assert again.runs.equals(design.runs)
    assert (again.round, again.seed, again.terms.labels) == (2, 3, design.terms.labels)
    assert design.table.index[0] == "T13"
    held["runs"][0]["levels"]["Gum"] += 0.01
    with pytest.raises(PlanError, match="changed"):
        Design.from_dict(held)


def test_weighable_steps_and_the_fill_takes_the_residue():
    study = wash(gum="step = 0.05", humectant="step = 0.5", plan="runs = 16")
    table = obeys(study, plan(study))
    for name, step in (("Gum", 0.05), ("Humectant", 0.5)):
        places = table[name] / step
        assert np.allclose(places, places.round(), atol=1e-7)


def test_fewer_runs_than_terms_makes_them_potential_and_says_so():
    design = plan(wash(plan="runs = 8"))
    assert design.quality.rank <= 8 < design.quality.terms == 10
    assert sum(design.terms.sure) == 4
    assert any(f.code == "maybe-terms" for f in design.findings)
    obeys(wash(), design)


def test_everything_wrong_is_said_at_once():
    bad = """
runs = 9
maybe = "linear"
replicate_batches = 3
[[plan.must_make]]
Gum = 5
Humectant = 3
Wax = 5
[plan.standard]
Gum = 0.5
Humectant = 3
"""
    with pytest.raises(PlanError) as caught:
        plan(wash(plan=bad))
    codes = {p.code for p in caught.value.problems}
    assert {"too-few-runs", "outside", "missing-level"} <= codes
    assert "at least 10 runs" in str(caught.value)


@pytest.mark.parametrize(
    "given_", [{"runs": 0}, {"runs": -3}, {"criterion": "Q"}, {"design": "star"}, {"runz": 9}, {"blocks": -1}]
)
def test_wrong_wishes_are_refused_in_words(given_):
    with pytest.raises(StudyError) as caught:
        plan(wash(), **given_)
    assert next(iter(given_)) in str(caught.value)


def test_recipes_that_must_be_made_are_in_the_plan():
    asked = {"Gum": 0.5, "Humectant": 3.0, "Wax": 5.0}
    design = plan(wash(plan="runs = 14"), must_make=[asked])
    assert (np.isclose(design.table[list(asked)], list(asked.values())).all(axis=1)).any()


def test_blocks_are_even_and_terms_hardly_differ_between_them():
    study = wash(plan='runs = 18\nblocks = ["Monday", "Tuesday", "Wednesday"]')
    design = plan(study)
    assert design.runs["block"].value_counts().to_dict() == {"Monday": 6, "Tuesday": 6, "Wednesday": 6}
    assert design.quality.df["blocks"] == 2
    assert list(design.runs["block"].drop_duplicates()) == ["Monday", "Tuesday", "Wednesday"]
    U = study.region.coded(design.table[list(study.region.names)].to_numpy(dtype=float))
    F = np.column_stack([U, U**2, U[:, :1] * U[:, 1:], U[:, 1] * U[:, 2]])
    Q = np.linalg.qr(F - F.mean(axis=0))[0]

    def apart(blocks):
        return (pd.DataFrame(Q).groupby(blocks).mean() ** 2).to_numpy().sum()

    rng = np.random.default_rng(2)
    chance = [apart(rng.permutation(np.arange(18) % 3)) for _ in range(500)]
    assert apart(design.runs["block"].to_numpy()) < min(chance)


def test_what_a_standard_takes_of_the_trials_is_said():
    wish = "runs = {}\nblocks = {}\n[plan.standard]\nGum = 0.5\nHumectant = 3\nWax = 5"
    told = {f.code: f.got for f in plan(wash(plan=wish.format(20, 3))).findings}
    assert told["standard"] == "9 of 20 trials are the standard recipe (three a block, 3 blocks)"
    assert "standard" not in {f.code for f in plan(wash(plan=wish.format(20, 0))).findings}  # 3 of 20


def test_a_standard_is_made_first_in_the_middle_and_last_of_each_block():
    study = wash(plan="runs = 20\nblocks = 2\n[plan.standard]\nGum = 0.5\nHumectant = 3\nWax = 5")
    design = plan(study)
    is_standard = np.isclose(design.table[["Gum", "Humectant", "Wax"]], [0.5, 3, 5]).all(axis=1)
    for _, rows in design.runs.groupby("block"):
        watch = is_standard[design.table.index.get_indexer(rows.index)]
        assert watch[0]
        assert watch[-1]
        assert watch.sum() == 3
        assert watch[3:-3].any()


def test_hard_to_change_factors_are_set_once_a_whole_plot():
    study = wash(more=FACTORS.format(hard="true"), plan="runs = 26\nwhole_plots = 5")
    design = plan(study)
    obeys(study, design)
    plots = design.runs["whole_plot"]
    assert plots.nunique() == 5
    assert all(len(set(rows["Mixing"])) == 1 for _, rows in design.table.groupby(plots.to_numpy()))
    assert (plots.ne(plots.shift()).sum()) == 5
    assert any(f.code == "whole-plots" for f in design.findings)
    assert set(design.table["Wetting"]) == {"in humectant", "dry"}


def test_trials_already_made_are_built_on():
    study = wash(plan="runs = 12")
    first = plan(study)
    more = plan(study, runs=6, round=2, first_trial=13, existing=first.table)
    assert list(more.table.index) == [f"T{i}" for i in range(13, 19)]
    assert sum(more.quality.df.values()) == 18
    alone, both = first.quality.prediction_sd["mean"], more.quality.prediction_sd["mean"]
    assert both < alone
    obeys(study, more)


def test_more_terms_asked_for_than_all_trials_can_carry():
    with pytest.raises(PlanError, match="sure terms"):
        plan(wash(plan='runs = 6\nmaybe = "linear"'))


limits = st.lists(st.tuples(st.sampled_from([0, 1, 2]), st.floats(0.3, 0.9)), max_size=2)


@settings(max_examples=25)
@given(
    lows=st.lists(st.floats(0, 4), min_size=3, max_size=3),
    widths=st.lists(st.floats(0.5, 8), min_size=3, max_size=3),
    cut=limits,
    fill=st.booleans(),
    steps=st.booleans(),
    total=st.sampled_from([1.0, 100.0]),
    seed=st.integers(0, 5),
)
# All runs at corners: what rounding left of their moves was once scaled up and carried them through the limits.
@example(
    lows=[0.0, 1.25, 0.0],
    widths=[3.65625, 2.125, 1.0],
    cut=[(0, 0.4375)],
    fill=False,
    steps=False,
    total=1.0,
    seed=0,
)
def test_every_recipe_of_any_region_obeys_every_limit_and_adds_up(lows, widths, cut, fill, steps, total, seed):
    unit = total / 100
    rows = []
    for j, (low, width) in enumerate(zip(lows, widths, strict=True)):
        row = {"name": "ABC"[j], "low": round(low, 2) * unit, "high": round(low + width, 2) * unit}
        if steps and j == 0:
            row["step"] = 0.1 * unit
        rows.append(row)
    rest = {"name": "Rest", "qs": True} if fill else {"name": "Rest", "low": 50 * unit, "high": 100 * unit}
    limits = []
    for j, share in cut:
        a, b = rows[j], rows[(j + 1) % 3]
        top = a["low"] + b["low"] + share * (a["high"] + b["high"] - a["low"] - b["low"])
        limits.append({"rule": f"{a['name']} + {b['name']} <= {top!r}"})
    study = Study.from_dict(
        {
            "study": {"name": "any", "total": total},
            "ingredient": [*rows, rest],
            "limit": limits,
            "response": [{"name": "y", "aim": "watch"}],
            "plan": {"model": "linear", "runs": 8, "seed": seed},
        }
    )
    design = plan(study)
    obeys(study, design)
    assert 0 < design.quality.d_efficiency <= 1
    low, high = design.quality.best_possible["d"]
    assert low <= design.quality.d_efficiency <= high


def test_order_of_ingredients_does_not_change_how_good_the_plan_is():
    source = wash(plan="runs = 16").to_dict()
    turned = {**source, "ingredient": source["ingredient"][::-1]}
    one, two = (plan(Study.from_dict(s)).quality for s in (source, turned))
    assert one.i_efficiency == pytest.approx(two.i_efficiency, abs=0.01)


def test_a_region_of_one_recipe_is_refused_in_words():
    study = Study.from_dict(
        {
            "study": {"name": "One"},
            "ingredient": [{"name": "Water", "qs": True}, {"name": "Gum", "low": 0.5, "high": 0.5}],
            "response": [{"name": "Y", "aim": "watch", "method": "any"}],
        }
    )
    with pytest.raises(PlanError, match="nothing to choose"):
        plan(study, runs=6)
