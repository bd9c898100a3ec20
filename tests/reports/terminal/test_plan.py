"""What the terminal says of a plan's quality: brackets as proven, reasons in full, one sentence for many alike."""

import re

import pytest

from doe import Study, plan
from reports.numbers import percent
from reports.terminal import terminal


def study(wish, factors=(), count=4):
    rows = [{"name": f"I{i}", "low": 0.5 + i / 10, "high": 2 + i} for i in range(0 if factors else count)]
    return Study.from_dict(
        {
            "study": {"name": "invented"},
            "ingredient": [{"name": "Water", "qs": True}, *rows] if rows else [],
            "factor": [{"name": name, "low": 10, "high": 20, "unit": "min"} for name in factors],
            "response": [
                {"name": "Viscosity", "unit": "mPa.s", "sd": "10 %", "matters": "20 %", "scale": "log"},
                {"name": "Foam", "unit": "mm", "sd": 3, "matters": 8},
            ],
            "plan": wish,
        }
    )


def said(one):
    design = plan(one)
    return design, re.sub(r"[ \n]+", " ", terminal.plan(one, design))


def test_the_bracket_is_told_beside_the_efficiency():
    design, text = said(study({"runs": 20}, count=2))
    quality = design.quality
    for letter, share in (("d", quality.d_efficiency), ("i", quality.i_efficiency)):
        low, high = quality.best_possible[letter]
        told = f"{letter.upper()} {percent(share, 1)} (proven: {percent(low, 1)} to {percent(high, 1)})"
        assert told in text or f"{letter.upper()} {percent(share, 1)} (proven: {percent(low, 1)})" in text


def test_why_there_is_no_efficiency_is_told():
    _, text = said(study({"design": "central-composite"}, "AB"))
    assert "cannot be said: some trials lie outside the region between low and high" in text


@pytest.mark.parametrize("runs", [5, 14])
def test_too_few_trials_are_told_in_short_and_whole(runs):
    design, text = said(study({"runs": runs}))
    assert "…" not in text
    # By counting: a quadratic of four free ingredients has 15 terms, of which so many trials tell no more apart.
    told = re.search(r"(\d+) of the 15 terms cannot be told from the rest", text)
    assert int(told[1]) == 15 - design.quality.rank >= 1
    assert text.count("cannot be told from") == 1
    looks = {p.code: p.level for p in design.findings}
    assert looks["maybe-terms"] == ("warn" if runs == 5 else "inform")
    if runs == 5:
        assert "Not known for Viscosity and Foam: no trials are left over" in text
        assert "5 trials for 15 terms" in text


def test_a_space_filling_plan_shows_how_evenly_it_fills():
    design, text = said(study({"design": "space-filling", "runs": 12, "model": "linear"}, count=2))
    told = design.quality.filling
    assert 0 < told["nearest_by_lot"] < told["nearest"] < 1
    assert 0 < told["farthest"] < told["farthest_by_lot"] < 1
    assert f"differ by {percent(told['nearest'])} of the reach" in text
    # By hand: the nearest two of the twelve, each column over its reach, root mean square over the two that are free.
    X = design.table[["I0", "I1"]].to_numpy()
    ends = [(0.5, 2.0), (0.6, 3.0)]
    Z = [[(v - a) / (b - a) for v, (a, b) in zip(row, ends, strict=True)] for row in X.tolist()]
    by_hand = min(
        (sum((a - b) ** 2 for a, b in zip(p, q, strict=True)) / 2) ** 0.5 for i, p in enumerate(Z) for q in Z[:i]
    )
    assert told["nearest"] == pytest.approx(by_hand, abs=1e-9)


def test_which_terms_are_sure_and_what_each_figure_is_for_is_told():
    one = study({"runs": 7, "model": "quadratic"}, "ABC")
    _, text = said(one)
    assert "Sure terms: the constant, A, B and C. Only maybe: A², B², C², A × B, A × C and B × C." in text
    # Seven trials less four sure terms.
    assert "a model of the sure terms alone, judged by 3 trials left over." in text
    assert "D and I, are for all 10 terms" in text
    _, text = said(study({"runs": 16, "model": "quadratic"}, "ABC"))
    assert "Only maybe" not in text


def test_half_mixed_up_effects_are_told_in_words():
    # Twelve runs of Plackett and Burman: every product of two has a correlation of 1/3 with each other main effect.
    _, text = said(study({"design": "plackett-burman", "model": "linear"}, "ABCDEFGH"))
    assert "what is read for a main effect has up to 0.33 of each product of two other factors in it" in text


def test_one_day_at_the_bench_is_one_day():
    _, text = said(study({"design": "factorial", "model": "linear"}, "AB"))
    assert "1 bench day;" in text


def test_levels_of_what_is_used_in_traces_can_be_told_apart():
    one = Study.from_dict(
        {
            "study": {"name": "invented"},
            "ingredient": [
                {"name": "Water", "qs": True},
                {"name": "Dye", "low": 0.00001, "high": 0.00005},
                {"name": "Wax", "low": 1, "high": 4},
            ],
            "response": [{"name": "y", "aim": "watch"}],
            "plan": {"model": "linear", "runs": 6},
        }
    )
    _, text = said(one)
    assert " 0.000010 " in text
    assert " 0.000050 " in text
