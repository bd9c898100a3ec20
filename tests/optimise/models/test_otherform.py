"""The fill left out beside Scheffé's form. Published: yarn (data/README.md); else the identity of the two forms."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from doe import Study
from doe.problems import Unavailable
from optimise import fit

DATA = Path(__file__).parents[1] / "data"


def study(names=("x1", "x2", "x3"), fill="x3", model="quadratic", **plan):
    ingredients = [{"name": n, "qs": True} if n == fill else {"name": n, "low": 0, "high": 1} for n in names]
    return Study.from_dict(
        {
            "study": {"name": "Yarn", "total": 1, "unit": "proportion"},
            "ingredient": ingredients,
            "plan": {"model": model, **plan},
            "response": [{"name": "Elongation", "aim": "watch", "method": "as published"}],
        }
    )


def yarn():
    frame = pd.read_csv(DATA / "nist_yarn.csv")
    return frame.set_axis(["x1", "x2", "x3", "Elongation"], axis=1)


def test_the_yarn_in_scheffes_form_beside_the_fit_with_the_fill_left_out():
    made = study()
    models = fit(made, made.results(yarn()), terms="all")
    assert models["Elongation"].form == "slack"
    other = models.other_form("Elongation")
    assert other.model.form == "scheffe"
    table = other.model.terms.set_index("term")["estimate"]
    published = {"x1": 11.7, "x2": 9.4, "x3": 16.4, "x1 × x2": 19.0, "x1 × x3": 11.4, "x2 × x3": -9.6}
    for term, value in published.items():
        assert table[term] == pytest.approx(value, abs=0.0501)
    assert other.agree
    assert "the same model" in other.says
    assert other.largest < 1e-9


@pytest.mark.parametrize("model", ["linear", "quadratic", "full-cubic"])
def test_with_every_planned_term_both_forms_are_one_model(model):
    """Complete polynomials of one degree on the simplex have both bases (Cornell 2002, section 6.6; from memory)."""
    rng = np.random.default_rng(4)
    x = rng.dirichlet(np.ones(4), 30)
    frame = pd.DataFrame(x, columns=list("abcd")).assign(Elongation=10 * x[:, 0] * x[:, 1] + rng.normal(size=30))
    made = study(tuple("abcd"), "d", model)
    models = fit(made, made.results(frame), terms="all")
    other = models.other_form("Elongation")
    assert other.model.form != models["Elongation"].form
    assert len(other.model.terms) == len(models["Elongation"].terms)
    assert other.largest < 1e-6
    assert "the same model" in other.says


def test_chosen_terms_may_differ_and_how_far_is_measured():
    rng = np.random.default_rng(7)
    x = rng.dirichlet(np.ones(4), 24)
    frame = pd.DataFrame(x, columns=list("abcd"))
    frame["Elongation"] = 10 * x[:, 0] + 30 * x[:, 0] * x[:, 3] + 0.5 * rng.normal(size=24)
    made = study(tuple("abcd"), "d")
    models = fit(made, made.results(frame))
    other = models.other_form("Elongation")
    # The largest difference is that of the two fitted surfaces where it is said to be.
    place = pd.DataFrame([other.at])
    X = place[list(made.region.names)].to_numpy()
    values = [m.core.terms.rows(X, {}, m.core.coding) @ m.core.beta for m in (models["Elongation"], other.model)]
    assert abs(values[0] - values[1])[0] / models["Elongation"].residual_sd == pytest.approx(other.largest, rel=1e-9)
    assert 0 < other.typical < other.largest
    assert ("differs" in other.says) == (other.beyond > 0)
    entry = models.entry("Elongation")["other_form"]
    assert entry["form"] == "scheffe"
    assert {row["term"] for row in entry["terms"]} >= {"a", "b", "c", "d"}


@pytest.mark.parametrize(
    "how, word",
    [
        ({"fill": None}, "takes up the rest"),
        ({"model": "special-cubic"}, "special cubic"),
        ({"terms": ["x1", "x2", "x1 × x2"]}, "one by one"),
        ({"maybe": ["x1 × x2"], "model": "linear"}, "one by one"),
    ],
)
def test_where_there_is_one_form_only_that_is_said(how, word):
    made = study(**how)
    models = fit(made, made.results(yarn()))
    found = models.other_form("Elongation")
    assert isinstance(found, Unavailable)
    assert word in found.reason


def test_process_models_have_one_form():
    made = Study.from_dict(
        {
            "study": {"name": "Process"},
            "factor": [{"name": "x", "low": -1, "high": 1}],
            "response": [{"name": "Y", "aim": "watch", "method": "simulated"}],
        }
    )
    frame = pd.DataFrame({"x": np.linspace(-1, 1, 8), "Y": [1.0, 2, 2, 3, 5, 4, 6, 7]})
    assert isinstance(fit(made, made.results(frame)).other_form("Y"), Unavailable)
