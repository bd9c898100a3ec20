"""Results that say little or nothing of some question: it is said so, and no number pretends otherwise.

Invented numbers; what must come out follows from how they were made (closed forms stand beside).
"""

import numpy as np
import pandas as pd
import pytest

from doe import Study
from doe.problems import Unavailable
from optimise import find, fit, tolerances


def study(low=4.0, high=9.0, step=None, **more):
    weighed = {} if step is None else {"step": step}
    return Study.from_dict(
        {
            "study": {"name": "Little known"},
            "ingredient": [
                {"name": "Water", "qs": True},
                {"name": "Gum", "low": 0.2, "high": 1.0, **weighed},
                {"name": "Wax", "low": 1.0, "high": 5.0, **weighed},
            ],
            "plan": {"model": "quadratic"},
            "response": [{"name": "A", "method": "simulated", "aim": "within", "low": low, "high": high, **more}],
        }
    )


def results(made, gum, wax, values):
    frame = pd.DataFrame({"Gum": gum, "Wax": wax, "A": values})
    return made.results(frame.assign(Water=100 - frame["Gum"] - frame["Wax"]))


def grid(n=12, seed=0):
    rng = np.random.default_rng(seed)
    return rng.choice([0.2, 0.6, 1.0], n), rng.choice([1.0, 3.0, 5.0], n)


def noise(n, seed=1):
    return 0.1 * np.random.default_rng(seed).normal(size=n)


def codes(findings):
    return {finding.code for finding in findings}


@pytest.mark.parametrize("scale", ["linear", "log", "auto"])
@pytest.mark.parametrize("value", [6.0, 6e-12, 4e11])
def test_equal_readings_have_no_slopes_at_all(scale, value):
    made = study(low=value / 2, high=value * 2, scale=scale)
    model = fit(made, results(made, *grid(), np.full(12, value)))["A"]
    slopes = model.terms.loc[model.terms["term"] != "1", "estimate"]
    assert (slopes == 0).all()
    assert {"all-equal", "nil-terms"} <= codes(model.findings)


def test_values_without_error_show_no_dust_beside_their_terms():
    gum, wax = grid()
    made = study(low=-30)
    model = fit(made, results(made, gum, wax, 5 + gum * wax - wax**2))["A"]
    found = model.terms.set_index("term")["estimate"]
    assert (found["Gum"], found["Wax"]) == (0, 0)
    assert found["Gum × Wax"] == pytest.approx(1, rel=1e-12)
    assert found["Wax²"] == pytest.approx(-1, rel=1e-12)


def test_a_brief_that_nothing_can_be_said_of_is_not_called_empty():
    made = study()
    best = find(made, fit(made, results(made, *grid(), np.full(12, 6.0))))
    (said,) = [finding for finding in best.findings if finding.code == "empty-brief"]
    assert said.got.startswith("of A nothing can be predicted")


def test_an_ingredient_that_stood_still_is_held_there():
    gum, wax = np.full(12, 0.6), grid()[1]
    made = study(low=5.0, high=6.0)
    models = fit(made, results(made, gum, wax, 5 + 0.3 * wax + noise(12)))
    best = find(made, models)
    assert best.blend["Gum"] == pytest.approx(0.6, abs=1e-9)
    assert "Gum" not in best.tolerances
    assert "Wax" in best.tolerances
    assert "Gum" not in tolerances(made, models, pd.DataFrame([{"Gum": 0.6, "Wax": 2.0}]))
    (said,) = [finding for finding in best.findings if finding.code == "no-fence"]
    assert said.got == "Gum stood at one level in every trial"
    assert best.certificate.held == ("Gum",)
    assert isinstance(models.other_form("A"), Unavailable)
    for other in best.alternatives:
        assert other["blend"]["Gum"] == pytest.approx(0.6, abs=1e-9)


@pytest.mark.parametrize("objective", ["chance", "desirability"])
def test_one_batch_alone_is_its_own_formula(objective):
    """Where nothing moved there is nothing to search, whether or not levels are weighed in steps."""
    made = study(step=0.1)
    best = find(made, fit(made, results(made, [0.6], [2.0], [6.0])), objective=objective)
    assert (best.blend["Gum"], best.blend["Wax"]) == pytest.approx((0.6, 2.0), abs=1e-9)
    (said,) = [finding for finding in best.findings if finding.code == "no-fence"]
    assert said.got == "Gum, Wax stood at one level in every trial"


def test_ingredients_that_moved_as_one_are_searched_as_one():
    gum = grid()[0]
    made = study(low=6.0, high=7.0)
    best = find(made, fit(made, results(made, gum, 5 * gum, 5 + 2 * gum + noise(12))))
    assert best.blend["Wax"] == pytest.approx(5 * best.blend["Gum"], abs=1e-6)
    assert best.tolerances == {}
    (said,) = [finding for finding in best.findings if finding.code == "no-fence"]
    assert said.got == "Gum, Wax changed together in every trial"


def test_a_level_held_elsewhere_is_searched_and_said():
    gum, wax = np.full(12, 0.6), grid()[1]
    made = study()
    best = find(made, fit(made, results(made, gum, wax, 5 + 0.3 * wax + noise(12))), hold={"Gum": 0.4})
    assert best.blend["Gum"] == pytest.approx(0.4, abs=1e-9)
    assert [f.allowed for f in best.findings if f.code == "no-fence"] == ["the search was not held to what was tried"]


def test_no_tolerances_of_what_has_no_chance():
    gum, wax = grid()
    made = study(low=400, high=900)
    best = find(made, fit(made, results(made, gum, wax, 5 + gum + 0.3 * wax + noise(12))))
    assert best.chance < 0.01
    assert best.tolerances == {}
    assert "no-tolerances" in codes(best.findings)


@pytest.mark.parametrize(("n", "said"), [(4, True), (6, True), (7, False), (12, False)])
def test_few_batches_are_said(n, said):
    gum = np.tile([0.2, 1.0, 0.2, 1.0, 0.6, 0.6, 0.6], 2)[:n]
    wax = np.tile([1.0, 1.0, 5.0, 5.0, 3.0, 1.0, 5.0], 2)[:n]
    made = study()
    best = find(made, fit(made, results(made, gum, wax, 5 + gum + 0.3 * wax + noise(n))))
    assert ("few-batches" in codes(best.findings)) == said


def test_the_mean_alone_is_not_set_beside_itself():
    made = study()
    model = fit(made, results(made, np.full(8, 0.6), np.full(8, 3.0), 5 + noise(8)))["A"]
    assert (model.r2, model.r2_adjusted) == (0, 0)
    assert isinstance(model.r2_predicted, Unavailable)
    assert "predicts-badly" not in codes(model.findings)
