"""Plans in whole plots and blocks as a chemist gets them."""

import json
import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe import Design, PlanError, Study, plan
from doe.design.findings import plan_findings
from doe.design.groundwork import Groundwork
from doe.design.power import _shift
from doe.design.trials import Trials
from doe.search.strata import Strata


def study(factors, plan_keys="", ingredients="", limits=""):
    text = '[study]\nname = "invented set-ups"\nbatches_per_day = 6\n' + ingredients
    for name, keys in factors.items():
        text += f'[[factor]]\nname = "{name}"\n{keys}\n'
    text += limits + '[[response]]\nname = "y"\naim = "watch"\nsd = 1\nmatters = 3\n'
    return Study.from_toml(text + f"[plan]\n{plan_keys}\n")


HARD, EASY = "low = 20\nhigh = 80\nhard_to_change = true", "low = 0\nhigh = 10"
NAMED = 'levels = ["a", "b", "c"]'
BLEND = "".join(
    f'[[ingredient]]\nname = "{n}"\n{keys}\n'
    for n, keys in {"Water": "qs = true", "Gum": "low = 0.2\nhigh = 1.2", "Wax": "low = 3\nhigh = 12"}.items()
)


def together(design, names):
    """What is hard to change stays within every whole plot, and whole plots and blocks are made in one go."""
    runs, table = design.runs, design.table
    plot = runs["whole_plot"]
    assert plot.notna().all()
    for name in names:
        assert table.groupby(plot.to_numpy())[name].nunique().max() == 1
    assert plot.ne(plot.shift()).sum() == plot.nunique()
    if runs["block"].notna().all():
        assert runs.groupby("whole_plot")["block"].nunique().max() == 1
        assert runs["block"].ne(runs["block"].shift()).sum() == runs["block"].nunique()


def test_default_leaves_three_set_ups_to_judge_by():
    # 1, w, w^2 between set-ups of the one hard factor: six, of which three are left.
    design = plan(study({"Heat": HARD, "Speed": EASY}, 'model = "quadratic"\nruns = 18'))
    together(design, ["Heat"])
    told = design.quality.whole_plots
    assert (told["resets"], told["terms"], told["error_df"]) == (6, 3, 3)
    assert sum(told["sizes"]) == 18
    assert design.quality.df["whole_plot_error"] == 3
    seen = design.quality.can_see["y"]
    assert seen["worst_for"] == "Heat"
    assert seen["df_by_column"]["Heat"] < 6 < seen["df_by_column"]["Speed"]
    assert any("set up 6 times" in f.got for f in design.findings)


def test_settings_are_those_a_chemist_sets_up():
    # Low, middle and high where another setting gains next to nothing.
    design = plan(study({"Heat": HARD, "Speed": EASY}, 'model = "quadratic"\nruns = 20\nreplicate_batches = 2'))
    assert set(design.table["Heat"]) == {20, 50, 80}


def test_effects_of_a_balanced_split_plot_are_judged_in_their_stratum():
    # 2^2 with eight trials in four set-ups: the difference from low to high of the hard factor has variance
    # 4 s2 (1 + 2 ratio) / 8 on 2 degrees of freedom, of the other 4 s2 / 8 on 4 - 1 = 3 within set-ups.
    design = plan(
        study({"Heat": HARD, "Speed": EASY}, 'model = "linear"\nruns = 8\nwhole_plots = 4\nwhole_plot_ratio = 2\n'
              'criterion = "D"\nreplicate_batches = 0')
    )  # fmt: skip
    told = design.quality
    assert told.d_efficiency == pytest.approx(1, abs=1e-6)
    assert told.df["whole_plot_error"] == 2
    seen = told.can_see["y"]
    assert seen["df_by_column"] == {"Heat": 2, "Speed": 3}
    ratio = seen["by_column"]["Heat"] / seen["by_column"]["Speed"]
    assert ratio == pytest.approx(math.sqrt(5) * _shift(2) / _shift(3))
    assert told.prediction_sd["max"] == pytest.approx(math.sqrt((5 + 5 + 1) / 8))


def test_what_is_hard_to_change_may_be_all_that_varies():
    for factors in ({"Heat": HARD}, {"Vessel": NAMED + "\nhard_to_change = true"}):
        design = plan(study(factors, 'model = "linear"\nruns = 9\nwhole_plots = 5'))
        together(design, factors)
        assert sum(design.quality.df.values()) == 9


def test_a_standard_is_set_up_on_its_own_and_parts_no_whole_plot():
    keys = 'model = "linear"\nruns = 14\nwhole_plots = 4\n[plan.standard]\nHeat = 50\nSpeed = 5'
    design = plan(study({"Heat": HARD, "Speed": EASY}, keys))
    together(design, ["Heat"])
    watch = np.isclose(design.table[["Heat", "Speed"]], [50, 5]).all(axis=1)
    assert watch[0]
    assert watch[-1]
    assert design.runs["whole_plot"].nunique() == 7


def test_no_spread_between_set_ups_is_no_spread():
    one = study({"Heat": HARD, "Speed": EASY}, 'model = "linear"\nruns = 12\nwhole_plots = 4\nwhole_plot_ratio = 0')
    design = plan(one)
    together(design, ["Heat"])
    seen = design.quality.can_see["y"]["by_column"]
    assert seen["Heat"] == pytest.approx(seen["Speed"], rel=0.05)


def test_too_few_set_ups_say_so():
    design = plan(study({"Heat": HARD, "Speed": EASY}, 'model = "quadratic"\nruns = 14\nwhole_plots = 3'))
    assert any(f.code == "few-whole-plots" for f in design.findings)
    assert "whole plots" in design.quality.can_see["y"].reason


VESSEL = NAMED + "\nhard_to_change = true"
CROSSED = 'model = {blend = "linear", process = "linear", cross = "linear"}'


@pytest.mark.parametrize(
    "factors,keys,blend,hard",
    [
        ({"Heat": HARD, "Mill": HARD, "Speed": EASY}, 'model = "quadratic"\nruns = 20', "", ["Heat", "Mill"]),
        ({"Vessel": VESSEL, "Speed": EASY}, 'model = "linear"\nruns = 13', "", ["Vessel"]),
        ({"Vessel": VESSEL, "Wetting": NAMED}, 'model = "linear"\nruns = 14', "", ["Vessel"]),
        ({"Heat": HARD + "\nstep = 5", "Wetting": NAMED}, 'model = "linear"\nruns = 14\nblocks = 2', BLEND, ["Heat"]),
        ({"Heat": HARD}, CROSSED + "\nruns = 13", BLEND, ["Heat"]),
    ],
)
def test_any_kind_of_hard_factor(factors, keys, blend, hard):
    one = study(factors, keys + '\nreplicate_batches = 2\ncriterion = "D"', blend)
    design = plan(one)
    together(design, hard)
    assert one.region.contains(design.table[list(one.region.names)].to_numpy(dtype=float)).all()
    assert design.quality.df["pure_error"] >= 2
    assert sum(design.quality.df.values()) == len(design.table)
    if "step" in factors.get("Heat", ""):
        assert (design.table["Heat"] % 5 == 0).all()
    again = Design.from_dict(json.loads(json.dumps(design.to_dict(), allow_nan=False)))
    assert again.quality.whole_plots["resets"] == design.runs["whole_plot"].nunique()


def test_recipes_that_must_be_made_sit_in_a_set_up_of_their_own_setting():
    asked = [{"Heat": 33.0, "Speed": 2.0}, {"Heat": 33.0, "Speed": 9.0}, {"Heat": 60.0, "Speed": 5.0}]
    one = study({"Heat": HARD, "Speed": EASY}, 'model = "quadratic"\nruns = 16')
    design = plan(one, must_make=asked)
    together(design, ["Heat"])
    rows = [tuple(row) for row in design.table[["Heat", "Speed"]].to_numpy()]
    assert all((want["Heat"], want["Speed"]) in rows for want in asked)
    alone = plan(one, runs=3, must_make=asked)
    assert alone.runs["whole_plot"].nunique() == 2


def test_what_is_hard_to_change_is_set_anew_in_each_block_or_refused():
    # A factor set once a block cannot be told from the block.
    keys = 'model = "linear"\nruns = 12\nblocks = 3\nwhole_plots = {}'
    with pytest.raises(PlanError) as caught:
        plan(study({"Heat": HARD, "Speed": EASY}, keys.format(2)))
    (problem,) = caught.value.problems
    assert problem.code == "too-few-whole-plots"
    assert "Heat would be set 3 times in 3 blocks" in problem.got
    assert "4 or more" in problem.allowed
    design = plan(study({"Heat": HARD, "Speed": EASY}, keys.format(4)))
    together(design, ["Heat"])
    within = design.table.groupby(design.runs["block"])["Heat"].nunique()
    assert within.max() > 1
    assert not any(f.code in ("never-moves", "moves-between-blocks") for f in design.findings)


def test_two_hard_factors_that_never_move_are_no_plan():
    keys = "runs = 12\nwhole_plots = 2\nblocks = 2"
    for model in ("linear", "quadratic"):
        with pytest.raises(PlanError, match="Heat and Oven would be set 2 times in 2 blocks"):
            plan(study({"Heat": HARD, "Oven": HARD}, f'{keys}\nmodel = "{model}"'))


def test_a_factor_that_moves_only_between_blocks_is_told():
    made = [{"Heat": h, "Speed": s} for h in (20, 80) for s in (0, 5, 10)]
    one = study({"Heat": EASY.replace("0\n", "20\n").replace("10", "80"), "Speed": EASY}, 'model = "linear"')
    frame = pd.DataFrame(made).assign(block=["a"] * 3 + ["b"] * 3)
    ground = Groundwork.of(one, {"runs": 6}, existing=frame)
    strata = Strata.of(range(6), [0] * 3 + [1] * 3, 0.0)
    levels = frame[["Heat", "Speed"]]
    trials = Trials(*ground.existing, [f"T{i}" for i in range(6)], levels, [3, 3], strata)
    told = {p.code: p for p in plan_findings(ground, trials, plan(one).quality, chosen=True, in_plots=False)}
    assert "Heat moves only between blocks" in told["moves-between-blocks"].got
    still = Trials(ground.existing[0] * [[1, 0]], *([ground.existing[1]]), [str(i) for i in range(6)], levels, [6],
                   Strata.none(6))  # fmt: skip
    told = {p.code: p for p in plan_findings(ground, still, plan(one).quality, chosen=True, in_plots=False)}
    assert told["never-moves"].got.startswith("Speed never moves")
    assert told["never-moves"].level == "warn"


def test_textbook_plans_are_made_set_up_by_set_up():
    one = study({"Heat": HARD, "Speed": EASY, "Time": EASY}, 'design = "factorial"\nmodel = "linear"\nruns = 8')
    together(plan(one), ["Heat"])
    assert plan(one).runs["whole_plot"].nunique() == 2
    assert plan(one, whole_plots=4).runs["whole_plot"].nunique() == 4


def test_trials_already_made_count_with_their_set_up_and_block():
    one = study({"Heat": HARD, "Speed": EASY}, 'model = "quadratic"\nruns = 10\nwhole_plots = 4\ncriterion = "D"')
    first = plan(one, blocks=["Monday", "Tuesday"])
    made = first.table.join(first.runs[["block", "whole_plot"]])
    more = plan(one, runs=6, whole_plots=3, round=2, first_trial=11, existing=made)
    together(more, ["Heat"])
    assert list(more.runs["whole_plot"].unique()) == [5, 6, 7]
    assert set(more.runs["block"]) == {"round 2"}
    assert more.quality.df["blocks"] == 2
    assert sum(more.quality.df.values()) == 16
    assert more.quality.whole_plots["resets"] == 3


def test_results_bring_their_set_ups_along():
    one = study({"Heat": HARD, "Speed": EASY}, 'model = "linear"\nruns = 8\nwhole_plots = 4')
    first = plan(one)
    frame = first.table.assign(y=np.arange(8.0), trial=first.table.index)
    results = one.results(frame.reset_index(drop=True), design=first)
    made = results.made()
    assert made.groupby("whole_plot")["Heat"].nunique().max() == 1
    more = plan(one, runs=4, whole_plots=2, round=2, first_trial=9, existing=made)
    assert list(more.runs["whole_plot"].unique()) == [5, 6]
    # All twelve trials in six set-ups, of which two carry the mean and the effect of the hard factor.
    assert more.quality.df["whole_plot_error"] == 4


def test_a_higher_ratio_makes_effects_of_the_hard_factor_less_sure():
    one = study({"Heat": HARD, "Speed": EASY}, 'model = "linear"\nruns = 12\nwhole_plots = 4')
    seen = [plan(one, whole_plot_ratio=r).quality.can_see["y"]["by_column"]["Heat"] for r in (0.5, 1, 4)]
    assert seen == sorted(seen)
    assert seen[0] < seen[2]


def test_same_arguments_same_bytes():
    one = study({"Heat": HARD, "Speed": EASY}, 'model = "linear"\nruns = 12\nblocks = 2')
    first, second = (json.dumps(plan(one).to_dict(), sort_keys=True) for _ in range(2))
    assert first == second
    other = study({"Warmth": HARD, "Haste": EASY}, 'model = "linear"\nruns = 12\nblocks = 2')
    assert plan(other).quality.i_efficiency == plan(one).quality.i_efficiency


@settings(max_examples=8, deadline=None)
@given(
    cut=st.floats(0.3, 0.9), steps=st.booleans(), blocks=st.sampled_from([0, 2]), named=st.booleans(),
    criterion=st.sampled_from(["D", "I", "A"]), held=st.booleans(),
)  # fmt: skip
def test_every_recipe_obeys_limits_that_tie_the_setting_to_the_blend(cut, steps, blocks, named, criterion, held):
    # Wax + Heat / 5 is at most so much: at a high setting less Wax is allowed.
    limits = f'[[limit]]\nrule = "Wax + 0.2 * Heat <= {7 + cut * 21:.3f}"\n'
    factors = {"Heat": HARD + ("\nstep = 4" if steps else "")}
    factors |= {"Vessel": 'levels = ["a", "b"]\nhard_to_change = true'} if named else {"Speed": EASY}
    keys = f'model = "linear"\nruns = 12\nwhole_plots = 5\nblocks = {blocks}\ncriterion = "{criterion}"'
    one = study(factors, keys, BLEND, limits)
    asked = {"Gum": 0.5, "Wax": 4.0, "Heat": 24.0, **({"Vessel": "b"} if named else {"Speed": 3.0})}
    design = plan(one, must_make=[asked] if held else [])
    together(design, ["Heat", *(["Vessel"] if named else [])])
    table = design.table
    assert one.region.contains(table[list(one.region.names)].to_numpy(dtype=float)).all()
    assert np.allclose(table[["Water", "Gum", "Wax"]].sum(axis=1), 100, atol=1e-9)
    assert sum(design.quality.df.values()) == 12
    assert 0 < design.quality.d_efficiency <= 1
    if held:
        assert np.isclose(table[["Gum", "Wax", "Heat"]], [0.5, 4.0, 24.0]).all(axis=1).any()


def test_order_of_factors_does_not_change_how_good_the_plan_is():
    keys = 'model = "quadratic"\nruns = 15\nwhole_plots = 5\nreplicate_batches = 2\ncriterion = "D"'
    names = ["Heat", "Speed", "Time"]
    found = [
        plan(study({n: HARD if n == "Heat" else EASY for n in order}, keys)).quality.d_efficiency
        for order in (names, names[::-1])
    ]
    assert found[0] == pytest.approx(found[1], abs=0.01)
