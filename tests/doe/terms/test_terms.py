"""Terms: published counts, forms that span the same space, spelling, and derivatives."""

from math import comb, factorial, prod

import numpy as np
import pandas as pd
import pytest

from doe import Region, StudyError, Terms
from doe.terms.term import Term


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
        ("x1⁵ * x2^4", "x1⁵ × x2⁴"),
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


def test_a_category_alone_is_told_how_its_terms_are_spelt():
    with pytest.raises(
        StudyError, match=r"Mill has levels by name, a term each but for the last: \[Mill: a\], \[Mill: b\]"
    ):
        Terms.build(region(2, categories={"Mill": ("a", "b", "c")}), terms=["x1", "x1 × Mill"])


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


def factor_region(low, high):
    names = tuple(f"z{i + 1}" for i in range(len(low)))
    return Region.build(names, (), None, None, np.array(low, dtype=float), np.array(high, dtype=float))


@pytest.mark.parametrize("model", ["quadratic", "full-cubic"])
def test_second_derivatives_agree_with_differences(model):
    where = region(3, factors=1, categories={"Mill": ("a", "b")})
    terms = Terms.build(where, model)
    code = terms.fitting_coding(where)
    X = where.sample(4, seed=2)
    chosen = {"Mill": np.array(["a", "b", "a", "b"], dtype=object)}
    bend = terms.hessian(X, chosen, code)
    for j in range(4):
        step = np.zeros(4)
        step[j] = 1e-6
        difference = (terms.gradient(X + step, chosen, code) - terms.gradient(X - step, chosen, code)) / 2e-6
        assert bend[:, :, j, :] == pytest.approx(difference, abs=1e-4)


@pytest.mark.parametrize(("q", "model"), [(3, "full-cubic"), (4, "special-cubic"), (6, "quadratic"), (7, "quadratic")])
def test_average_over_the_simplex_is_that_of_the_dirichlet_law(q, model):
    # E prod x_i^a_i = Gamma(q) prod a_i! / Gamma(q + sum a_i) for Dirichlet(1, ..., 1).
    names = tuple(f"x{i + 1}" for i in range(q))
    where = Region.build(names, names, 1.0, None, np.zeros(q), np.ones(q))
    terms = Terms.build(where, model)
    found, exact = terms.moment(where, terms.coding(where, "units"))
    assert exact
    plain = [i for i, t in enumerate(terms.terms) if t.difference is None]
    for i in plain:
        for j in plain:
            powers = dict.fromkeys(names, 0)
            for name, power in (*terms.terms[i].powers, *terms.terms[j].powers):
                powers[name] += power
            closed = factorial(q - 1) * prod(map(factorial, powers.values())) / factorial(q - 1 + sum(powers.values()))
            assert found[i, j] == pytest.approx(closed, rel=1e-9)


def test_average_over_a_box_is_the_product_of_its_sides():
    # Over -1..+1: E z = 0, E z^2 = 1/3, E z^4 = 1/5; three levels of a contrast: E c^2 = 2/3.
    names = ("z1", "z2")
    where = Region.build(names, (), None, None, -np.ones(2), np.ones(2), categories={"Mill": ("a", "b", "c")})
    terms = Terms.build(where, terms=["z1", "z1^2", "z1 × z2", "z1 × [Mill: a]"])
    found, exact = terms.moment(where, terms.coding(where, "units"))
    assert exact
    assert terms.labels == ("1", "z1", "z1²", "z1 × z2", "z1 × [Mill: a]")
    assert np.diag(found) == pytest.approx([1, 1 / 3, 1 / 5, 1 / 9, 2 / 9])
    assert found[0] == pytest.approx([1, 0, 1 / 3, 0, 0])


def test_average_with_a_limit_agrees_with_points():
    where = region(4, fill="x4", factors=1)
    limited = Region.build(
        where.names,
        where.blend,
        1.0,
        "x4",
        where.low,
        where.high,
        [({"x1": 1.0, "z1": 0.2}, None, 0.5, "x1 + z1/5 <= 0.5")],
    )
    terms = Terms.build(limited, "quadratic")
    code = terms.fitting_coding(limited)
    found, exact = terms.moment(limited, code)
    F = terms.rows(limited.sample(40_000, seed=1), {}, code)
    assert exact
    products = F[:, :, None] * F[:, None, :]
    error = products.std(axis=0) / np.sqrt(len(F))
    assert (np.abs(products.mean(axis=0) - found) <= 5 * error + 1e-12).all()


def test_terms_are_the_same_whatever_the_order_they_are_written_in():
    groups = {"Mill": ("fine", "coarse"), "Pot": ("a: b", "c")}
    names = ("Gum", "Wax - soft", "Gum 2")
    assert Term.parse("Wax - soft * Gum", names) == Term.parse("Gum × Wax - soft", names)
    assert Term.parse("[Pot: a: b] × [Mill: fine]", names, groups).label == "[Mill: fine] × [Pot: a: b]"
    assert Term.parse("Gum 2 × Gum", names).label == "Gum × Gum 2"
    assert Term.parse("Gum × Wax - soft × (Gum - Wax - soft)", names).difference == ("Gum", "Wax - soft")


def test_a_factor_beside_all_its_products_is_not_said_twice():
    where = region(3, factors=1)
    terms = Terms.build(where, "linear", maybe="quadratic")
    F = terms.rows(where.sample(60, seed=1), {}, terms.fitting_coding(where))
    # Full quadratic in 3 free coordinates: 10 terms.
    assert (len(terms), np.linalg.matrix_rank(F)) == (10, 10)
    assert dict(zip(terms.labels, terms.sure, strict=True))["z1"]
