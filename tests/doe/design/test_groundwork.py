"""What a plan rests on before the search: `check` and `plan` refuse the same things, and tied terms are left out."""

import numpy as np
import pytest

from doe import PlanError, Study, plan
from doe.design.groundwork import foreseen, terms_of

FACTOR = {"low": 1, "high": 9}
BLEND = [{"name": "Water", "qs": True}, {"name": "Gum", "low": 0.3, "high": 0.8}, {"name": "Wax", "low": 1, "high": 4}]


def study(wish, factors=(), ingredients=(), limits=()):
    return Study.from_dict(
        {
            "study": {"name": "invented"},
            "ingredient": list(ingredients),
            "factor": [{**FACTOR, **({"name": f} if isinstance(f, str) else f)} for f in factors],
            "limit": list(limits),
            "response": [{"name": "y", "aim": "watch", "sd": 1, "matters": 3}],
            "plan": {"model": "linear", **wish},
        }
    )


REFUSED = {
    "family-does-not-fit": study({"design": "box-behnken"}, "AB"),
    "too-few-factors": study({"design": "central-composite"}, "A"),
    "family-needs-factors": study({"design": "definitive-screening"}, ingredients=BLEND),
    "not-a-simplex": study({"design": "centroid"}, ingredients=BLEND, limits=[{"rule": "Gum + Wax <= 3"}]),
    "no-fraction": study({"design": "fractional", "fraction": "D = AB, E = AB"}, "ABCDE"),
    "fewer-runs-than-points": study({"design": "factorial", "runs": 6}, "ABC"),
    "too-few-runs": study({"runs": 2, "maybe": "linear"}, "ABC"),
    "limits-cut-the-plan": study({"design": "factorial"}, "AB", limits=[{"rule": "A + B <= 12"}]),
    "confounded": study({"terms": ["Gum", "Wax"]}, ingredients=BLEND, limits=[{"rule": "Wax = 5 * Gum"}]),
    "axial-below-zero": study({"design": "central-composite"}, ["A", {"name": "B", "unit": "min"}]),
    "too-few-whole-plots": study({"whole_plots": 1, "runs": 8}, ["A", {"name": "B", "hard_to_change": True}]),
    "blocks": study({"blocks": 5, "runs": 8}, "AB"),
}


@pytest.mark.parametrize("code", REFUSED)
def test_check_tells_what_plan_refuses(code):
    one = REFUSED[code]
    found, _ = foreseen(one)
    assert code in {problem.code for problem in found}
    assert all(problem.level == "stop" and problem.do for problem in found)
    with pytest.raises(PlanError) as caught:
        plan(one)
    assert caught.value.problems == found


def test_screening_with_named_levels_is_refused_by_both():
    one = Study.from_dict(
        {
            "study": {"name": "invented"},
            "factor": [{"name": "A", **FACTOR}, {"name": "B", "levels": ["x", "y", "z"]}],
            "response": [{"name": "y", "aim": "watch"}],
            "plan": {"design": "plackett-burman", "model": "linear"},
        }
    )
    ((problem,), _) = foreseen(one)
    assert problem.code == "family-needs-numbers"
    with pytest.raises(PlanError, match="B has named levels"):
        plan(one)


def test_what_can_be_planned_is_not_refused():
    assert foreseen(study({}, "AB")) == ((), ())
    assert foreseen(study({"model": "quadratic"}, ingredients=BLEND)) == ((), ())


def test_a_fixed_ratio_leaves_terms_out_and_says_which_and_why():
    glycerol = {"name": "Glycerol", "low": 1, "high": 4}
    one = study({"model": "quadratic"}, ingredients=[*BLEND, glycerol], limits=[{"rule": "Glycerol = 5 * Gum"}])
    design = plan(one)
    assert design.terms.labels == ("1", "Gum", "Wax", "Gum × Wax", "Gum²", "Wax²")
    (told,) = [p for p in design.findings if p.code == "terms-left-out"]
    assert "Glycerol" in told.got
    assert "because Glycerol = 5 * Gum" in told.got
    # What is left spans all quadratic surfaces over the two things that vary freely.
    assert design.quality.rank == len(design.terms)
    assert design.quality.d_efficiency > 0.8
    assert np.allclose(design.table["Glycerol"], 5 * design.table["Gum"])


def test_a_material_that_no_recipe_can_have_is_told_and_has_no_term():
    gum = {**BLEND[1], "choice": [{"name": "A"}, {"name": "B"}, {"name": "C"}]}
    limits = [{"rule": "Wax >= 5", "when": "Gum is C"}]
    design = plan(study({}, ingredients=[BLEND[0], gum, BLEND[2]], limits=limits))
    codes = {p.code: p for p in design.findings}
    assert codes["empty-combination"].level == "warn"
    assert "no recipe has Gum: C" in codes["terms-left-out"].got
    # A and B differ by one contrast.
    assert design.terms.labels == ("1", "Gum", "Wax", "[Gum: A]")
    assert set(design.table["material: Gum"]) == {"A", "B"}
    seen = design.quality.can_see["y"]
    assert seen["difference"] > 0
    assert set(seen["by_column"]) == {"Gum", "Wax", "Gum: B"}


def test_steps_that_leave_one_or_two_levels_leave_terms_out():
    for step, labels in ((0.5, ("1", "Wax", "Wax²")), (0.4, ("1", "Gum", "Wax", "Gum × Wax", "Wax²"))):
        gum = {"name": "Gum", "low": 0.4, "high": 0.8, "step": step}
        design = plan(study({"model": "quadratic"}, ingredients=[BLEND[0], gum, BLEND[2]]))
        assert design.terms.labels == labels
        codes = {p.code for p in design.findings}
        assert {"few-steps", "terms-left-out"} <= codes
        assert design.quality.rank == len(labels)
        assert design.quality.can_see["y"]["difference"] > 0


def test_recipes_that_must_be_made_twice_are_repeats_like_others():
    one = study({"model": "quadratic", "runs": 10, "pure_error_df": 4, "must_make": [{"A": 2, "B": 2}] * 2}, "AB")
    design = plan(one)
    # Ten trials, six terms: four repeats and not one more.
    assert design.quality.df == {"model": 6, "lack_of_fit": 0, "pure_error": 4}
    assert "terms-not-told" not in {p.code for p in design.findings}


def test_trials_that_cannot_tell_sure_terms_apart_are_looked_at():
    (told,) = [
        p for p in plan(study({"design": "factorial", "model": "quadratic"}, "AB")).findings if p.level == "warn"
    ]
    assert told.code == "terms-not-told"
    # At two levels the square of a factor is the constant.
    assert told.got == "of 6 sure terms these trials cannot tell from the rest: A², B²"


@pytest.mark.parametrize(
    ("runs", "plots", "why", "do"),
    [
        (12, 6, "every batch within a set-up goes to the terms", "give more runs, so that set-ups hold more batches"),
        (10, 5, "too few trials for the terms", "give more runs, and whole_plots with them"),
        (20, 3, "too few whole plots for the terms", "give more whole_plots"),
    ],
)
def test_why_effects_in_whole_plots_cannot_be_judged(runs, plots, why, do):
    one = study(
        {"model": "quadratic", "runs": runs, "whole_plots": plots}, ["A", "B", {"name": "T", "hard_to_change": True}]
    )
    seen = plan(one).quality.can_see["y"]
    assert why in seen.reason
    assert seen.do == do


def test_a_central_composite_takes_the_fraction_of_its_corners():
    signed = [{"name": n, "low": -1, "high": 1} for n in "ABCDE"]
    wish = {"design": "central-composite", "model": "quadratic", "fraction": "E = ABCD", "centre_points": 2}
    design = plan(study(wish, signed))
    X = design.table[list("ABCDE")].to_numpy(dtype=float)
    corners = X[(np.abs(X) == 1).all(axis=1)]
    # Half of the corners, ten axial trials at 16^(1/4) = 2 and two centre points (NIST/SEMATECH 5.3.3.6.1).
    assert len(X) == 28
    assert len(corners) == 16
    assert (corners.prod(axis=1) == 1).all()
    assert np.abs(X).max() == pytest.approx(2)
    assert design.quality.df["model"] == 21
    assert "fraction" in {p.code for p in design.findings}


@pytest.mark.parametrize(
    ("wish", "keys"),
    [
        ({"design": "box-behnken", "axial": "face", "fraction": "C = AB"}, {"axial", "fraction"}),
        ({"design": "factorial", "degree": 2, "centre_points": 2}, {"degree"}),
        ({"centre_points": 3}, {"centre_points"}),
        ({"design": "central-composite", "axial": "face", "centre_points": 3}, set()),
    ],
)
def test_keys_of_other_designs_are_told_by_both(wish, keys):
    one = study(wish, "ABC")
    told = [p for p in foreseen(one)[1] if p.code == "not-used"]
    assert {p.where.removeprefix("[plan], ") for p in told} == keys
    assert all(p in plan(one).findings for p in told)


def test_a_given_level_off_its_step_is_told_and_kept():
    ingredients = [BLEND[0], {**BLEND[1], "step": 0.05}, BLEND[2]]
    one = study({"must_make": [{"Gum": 0.52, "Wax": 2}], "runs": 8}, ingredients=ingredients)
    (told,) = foreseen(one)[1]
    assert told.code == "off-step-given"
    assert told.got == "Gum 0.52 is not a whole number of steps of 0.05"
    assert "Gum 0.5 would" in told.do
    assert 0.52 in plan(one).table["Gum"].tolist()


def test_which_terms_are_only_maybe_is_told_by_both():
    one = study({"model": "quadratic", "runs": 7}, "ABC")
    (told,) = [p for p in foreseen(one)[1] if p.code == "maybe-terms"]
    # By counting: 1, A, B, C are sure; three products and three squares are not.
    assert told.got == "7 trials for 10 terms: 4 are sure, those beyond the first order only maybe"
    assert told in plan(one).findings


def test_a_textbook_plan_too_small_for_its_sure_terms_is_looked_at_by_both():
    one = study({"design": "definitive-screening", "model": "quadratic"}, "ABCDEF")
    (told,) = [p for p in foreseen(one)[1] if p.code == "terms-not-told"]
    # 13 runs for 28 terms: by counting 15 or more are tied.
    assert told.got.startswith("of 28 sure terms these trials cannot tell from the rest: ")
    assert told in plan(one).findings


@pytest.mark.parametrize(
    ("wish", "names"),
    [
        ({"design": "central-composite", "axial": "face", "centre_points": 2, "blocks": 2}, "ABC"),
        ({"design": "box-behnken", "centre_points": 3, "blocks": 3}, "ABCD"),
    ],
)
def test_repeats_that_blocks_come_between_are_told_with_what_helps(wish, names):
    design = plan(study({"model": "quadratic", **wish}, names))
    (told,) = [p for p in design.findings if p.code == "no-repeats"]
    assert told.got == "no trial is repeated within a block, so lack of fit cannot be tested"
    more = int(told.do.removeprefix("give centre_points = ").split()[0])
    better = plan(study({"model": "quadratic", **wish, "centre_points": more}, names))
    # Two centre points in each block: one degree of freedom each.
    assert better.quality.df["pure_error"] == wish["blocks"]
    loses = [p.got for p in design.findings if p.code == "blocks-not-orthogonal"]
    # By symmetry the squares of all factors lose alike.
    assert all("A², B² and C²" in got for got in loses)


def test_steps_that_leave_one_recipe_are_refused():
    ingredients = [BLEND[0], {"name": "Gum", "low": 0.3, "high": 0.8, "step": 0.5}]
    ((problem,), _) = foreseen(study({"model": "linear", "runs": 10}, ingredients=ingredients))
    assert problem.code == "one-recipe"
    assert problem.got == "weighable steps leave one recipe only: there is nothing to choose"
    assert not foreseen(study({"model": "linear", "runs": 10}, ingredients=[BLEND[0], {**BLEND[1], "step": 0.1}]))[0]


def chosen_at(levels):
    """A wash with one of two emulsifiers, each at one level, as the terms that are planned for and what is told."""
    choice = [{"name": name, "low": level, "high": level} for name, level in levels.items()]
    low, high = min(levels.values()), max(levels.values())
    study = Study.from_dict(
        {
            "study": {"name": "a wash"},
            "ingredient": [
                {"name": "Water", "qs": True},
                {"name": "Gum", "low": 0.2, "high": 1.0},
                {"name": "Emulsifier", "low": low, "high": high, "choice": choice},
            ],
            "response": [{"name": "Flow", "unit": "Pa.s", "method": "cup", "aim": "watch"}],
            "plan": {"model": "linear", "runs": 8},
        }
    )
    return terms_of(study, study.plan)


@pytest.mark.parametrize("levels", [{"A": 2.0, "B": 4.0}, {"A": 3.0, "B": 3.0}])
def test_where_each_material_stands_at_one_level_the_material_has_the_term(levels):
    """Also where both stand at the same one: which of them is in is what is asked."""
    found = chosen_at(levels)
    assert found.terms.labels == ("1", "Gum", "[Emulsifier: A]")
    assert not found.findings
