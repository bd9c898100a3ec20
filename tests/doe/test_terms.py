"""Terms: published counts, forms that span the same space, spelling, and derivatives."""

from math import comb

import numpy as np
import pandas as pd
import pytest

from doe import Region, StudyError, Terms
from doe.terms import Term


def region(q, fill=None, factors=0, categories=None):
    names = tuple(f"x{i + 1}" for i in range(q)) + tuple(f"z{i + 1}" for i in range(factors))
    low = np.array([0.05] * q + [-1.0] * factors)
    high = np.array([0.9] * q + [1.0] * factors)
    return Region.build(names, names[:q], 1.0 if q else None, fill, low, high, categories=categories)


@pytest.mark.parametrize("q", [3, 4, 5, 6, 7])
def test_counts_of_scheffe_models(q):
    # Scheffe (1958), J. Roy. Statist. Soc. B 20, 344-360: q(q+1)/2 terms; special cubic adds C(q,3); the full cubic has
    # as many as all monomials of degree 3, C(q+2,3).
    where = region(q)
    assert len(Terms.build(where, "linear")) == q
    assert len(Terms.build(where, "quadratic")) == q * (q + 1) // 2
    assert len(Terms.build(where, "special-cubic")) == q * (q + 1) // 2 + comb(q, 3)
    assert len(Terms.build(where, "full-cubic")) == comb(q + 2, 3)


def test_forms_with_and_without_fill_span_the_same_space():
    plain, filled = region(4, factors=1), region(4, fill="x4", factors=1)
    X = plain.sample(80, seed=1)
    A = Terms.build(plain, "quadratic")
    B = Terms.build(filled, "quadratic")
    assert (A.form, B.form, len(A), len(B)) == ("scheffe", "slack", 15, 15)
    F = A.rows(X, {}, A.coding(plain, "units"))
    G = B.rows(X, {}, B.coding(filled, "coded"))
    fit = F @ np.linalg.lstsq(F, G, rcond=None)[0]
    assert np.abs(fit - G).max() < 1e-9


def test_fish_patty_model_has_28_terms():
    # Cornell, Experiments with Mixtures (2002): seven blend terms, each alone and with three process factors.
    terms = Terms.build(region(3, factors=3), {"blend": "special-cubic", "process": "linear", "cross": "full"})
    assert len(terms) == 28
    assert terms.labels[-1] == "x1 × x2 × x3 × z3"


@pytest.mark.parametrize(
    ("text", "label"),
    [
        ("x1", "x1"),
        ("x1 * x2", "x1 × x2"),
        ("x1 × x2 × (x1 - x2)", "x1 × x2 × (x1 - x2)"),
        ("x1^2", "x1²"),
        ("x1 × x1", "x1²"),
        ("x1 × [Mill: fine]", "x1 × [Mill: fine]"),
        ("1", "1"),
    ],
)
def test_terms_are_read_as_they_are_written(text, label):
    assert Term.parse(text, ("x1", "x2"), {"Mill": ("fine", "coarse")}).label == label


def test_unknown_terms_are_named():
    with pytest.raises(StudyError, match="x9 is not known"):
        Terms.build(region(3), terms=["x1", "x9"])


def test_contrasts_sum_to_zero():
    where = region(2, categories={"Mill": ("a", "b", "c")})
    terms = Terms.build(where, terms=["[Mill: a]", "[Mill: b]"])
    rows = terms.matrix(pd.DataFrame({"x1": 0.5, "x2": 0.5, "Mill": ["a", "b", "c"]}), terms.coding(where, "units"))
    assert rows.values.sum(axis=0) == pytest.approx([0, 0])
    with pytest.raises(KeyError, match="Mill is d"):
        terms.matrix(pd.DataFrame({"x1": 0.5, "x2": 0.5, "Mill": ["d"]}), terms.coding(where, "units"))


@pytest.mark.parametrize("model", ["quadratic", "full-cubic"])
def test_derivatives_agree_with_differences(model):
    where = region(3, factors=1, categories={"Mill": ("a", "b")})
    terms = Terms.build(where, model)
    code = terms.fitting_coding(where)
    X = where.sample(5, seed=2)
    chosen = {"Mill": np.array(["a", "b", "a", "b", "b"], dtype=object)}
    gradient = terms.gradient(X, chosen, code)
    for j in range(4):
        step = np.zeros(4)
        step[j] = 1e-6
        difference = (terms.rows(X + step, chosen, code) - terms.rows(X - step, chosen, code)) / 2e-6
        assert gradient[:, :, j] == pytest.approx(difference, abs=1e-5)


def test_potential_terms():
    terms = Terms.build(region(4), "quadratic")
    assert terms.with_maybe(20).n_sure == 10
    assert terms.with_maybe(7).n_sure == 4
    asked = Terms.build(region(4), "linear", maybe="quadratic")
    assert (len(asked), asked.n_sure) == (10, 4)
