"""Textbook plans against the tables they were published in."""

from math import comb

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe import PlanError, Study, plan
from doe.design import classical


def rows(array):
    return sorted(map(tuple, np.round(np.asarray(array, dtype=float), 9) + 0.0))


def test_lattice_3_2_is_the_handbooks():
    # NIST/SEMATECH e-Handbook 5.5.4.2: the {3, 2} simplex lattice.
    printed = [(1, 0, 0), (0, 1, 0), (0, 0, 1), (0.5, 0.5, 0), (0.5, 0, 0.5), (0, 0.5, 0.5)]
    assert rows(classical.simplex_lattice(3, 2)) == sorted(printed)


@given(q=st.integers(2, 6), m=st.integers(1, 4))
def test_lattice_has_the_binomial_number_of_points(q, m):
    # Scheffé (1958), J. R. Statist. Soc. B 20: (q + m - 1 over m) points, shares multiples of 1/m.
    found = classical.simplex_lattice(q, m)
    assert len(found) == comb(q + m - 1, m) == len(set(rows(found)))
    assert np.allclose(found.sum(axis=1), 1)
    assert np.allclose(found * m, np.round(found * m))


def test_centroid_and_axial_blends():
    # Scheffé (1963), J. R. Statist. Soc. B 25: 2^q - 1 points; axial blends as in Cornell (2002), from memory.
    found = classical.simplex_centroid(3)
    third = 1 / 3
    assert len(found) == 7
    assert tuple(np.round(found[-1], 9)) == tuple(np.round((third, third, third), 9))
    assert rows(classical.axial_blends(3)) == rows(
        [(4 / 6, 1 / 6, 1 / 6), (1 / 6, 4 / 6, 1 / 6), (1 / 6, 1 / 6, 4 / 6)]
    )


def test_two_level_in_standard_order():
    # Yates order: the first factor changes fastest.
    assert classical.two_level(2).tolist() == [[-1, -1], [1, -1], [-1, 1], [1, 1]]


def test_half_fraction_is_the_handbooks():
    # NIST/SEMATECH e-Handbook 5.3.3.4.2: the 2^(3-1) half fraction with C = AB.
    printed = [(-1, -1, 1), (1, -1, -1), (-1, 1, -1), (1, 1, 1)]
    assert rows(classical.fractional(3, "C = AB")) == sorted(printed)


@pytest.mark.parametrize(
    "k,runs,resolution",
    # NIST/SEMATECH e-Handbook 5.3.3.4.7, table 3.17: resolution of the fractions of highest resolution.
    [
        (3, 4, 3), (4, 8, 4), (5, 8, 3), (5, 16, 5), (6, 8, 3), (6, 16, 4), (6, 32, 6), (7, 8, 3), (7, 16, 4),
        (7, 32, 4), (7, 64, 7), (8, 16, 4), (8, 32, 4), (8, 64, 5),
    ],
)  # fmt: skip
def test_fractions_have_the_tabled_resolution(k, runs, resolution):
    from itertools import combinations

    found = classical.fractional(k, classical.generators(k, runs))
    assert found.shape == (runs, k)
    words = [
        size
        for size in range(1, k + 1)
        for chosen in combinations(range(k), size)
        if abs(np.prod(found[:, chosen], axis=1).sum()) == runs
    ]
    assert min(words) == resolution


@pytest.mark.parametrize("text", ["", "D = ", "Z = AB", "D = AE, E = AB", "D AB"])
def test_bad_generators_are_refused_in_words(text):
    with pytest.raises(ValueError, match="generator"):
        classical.fractional(5, text)


def test_plackett_burman_12_is_orthogonal_and_cyclic():
    # Plackett & Burman (1946), N = 12: the first row + + - + + + - - - + -, shifted, and a row of minuses.
    first = np.array([1, 1, -1, 1, 1, 1, -1, -1, -1, 1, -1])
    found = classical.plackett_burman(11)
    assert found.shape == (12, 11)
    assert np.allclose(found.T @ found, 12 * np.eye(11))
    published = np.array([*(np.roll(first, s) for s in range(11)), -np.ones(11)])
    # The same plan up to order of factors and runs, and signs: products of three columns then average +-1/3.
    for plan_ in (found, published):
        triple = (plan_[:, 0] * plan_[:, 1] * plan_[:, 2]).mean()
        assert abs(triple) == pytest.approx(1 / 3)


@pytest.mark.parametrize("n", classical.SCREENING)
def test_screening_plans_are_orthogonal_and_balanced(n):
    # Plackett & Burman (1946): for n runs, n - 1 balanced columns, each orthogonal to every other.
    found = classical.plackett_burman(n - 1)
    assert found.shape == (n, n - 1)
    assert set(np.unique(found)) == {-1, 1}
    assert np.abs(found.sum(axis=0)).max() == 0
    assert np.abs(found.T @ found - n * np.eye(n - 1)).max() == 0


def test_screening_plans_fill_the_runs_given():
    sizes = {None: 8, 7: 8, 8: 8, 11: 8, 12: 12, 15: 12, 30: 28}
    assert {runs: len(classical.plackett_burman(7, runs)) for runs in sizes} == sizes
    design = plan(factors("ABCDEFG", "plackett-burman", "runs = 12"))
    assert design.runs["replicate_of"].isna().all()
    X = (design.table.to_numpy() - 5) / 5
    assert np.allclose(X.T @ X, 12 * np.eye(7))
    # 28 of the 30 are the plan, two repeat some of it.
    X = (plan(factors("ABCDEFG", "plackett-burman", "runs = 30")).table.to_numpy() - 5) / 5
    assert np.linalg.eigvalsh(X.T @ X).min() > 28 - 1e-9


@pytest.mark.parametrize(
    "text,words",
    [
        ("D = AB, E = AB", r"D \(Shear\) and E \(Rest\) are set by the same generator AB"),
        ("D = A", r"product of two or more of the factors A \(Heat\), B \(Speed\)"),
        ("D = AA", "two or more"),
        ("D = AE, E = AB", r"E \(Rest\) has a generator itself"),
        ("D = AB, D = AC", r"D \(Shear\) has two generators"),
        ("F = AB", r"is not a generator of the factors A \(Heat\)"),
    ],
)
def test_bad_generators_are_told_in_the_names_of_the_factors(text, words):
    names = ["Heat", "Speed", "Time", "Shear", "Rest"]
    with pytest.raises(PlanError, match=words) as caught:
        plan(factors(names, "fractional", f'fraction = "{text}"'))
    (problem,) = caught.value.problems
    assert problem.where == "[plan], fraction"
    assert "fraction" in problem.do


def test_what_a_fraction_does_is_told_in_names():
    design = plan(factors(["Heat", "Speed", "Time"], "fractional", 'fraction = "C = -AB"'))
    (told,) = [p for p in design.findings if p.code == "fraction"]
    assert "Time = -Heat × Speed" in told.got


def test_central_composite_distances():
    # Box & Hunter (1957): rotatable at (2^k)^(1/4); NIST/SEMATECH e-Handbook 5.3.3.6.1 prints 1.414, 1.682, 2.000.
    for k, printed in ((2, 1.414), (3, 1.682), (4, 2.000)):
        found = classical.central_composite(k)
        assert found.shape == (2**k + 2 * k, k)
        assert found.max() == pytest.approx(printed, abs=5e-4)
    assert classical.central_composite(3, face=True).max() == 1


def test_box_behnken_3_is_the_handbooks():
    # NIST/SEMATECH e-Handbook 5.3.3.6.2: twelve edge middles (and centre points) for three factors.
    printed = [(a, b, 0) for a in (-1, 1) for b in (-1, 1)]
    printed += [(a, 0, b) for a in (-1, 1) for b in (-1, 1)] + [(0, a, b) for a in (-1, 1) for b in (-1, 1)]
    assert rows(classical.box_behnken(3)) == sorted(printed)


@pytest.mark.parametrize("k,points", [(3, 12), (4, 24), (5, 40), (6, 48), (7, 56)])
def test_box_behnken_sizes(k, points):
    # Box & Behnken (1960), Technometrics 2, table of designs without their centre points; from memory.
    found = classical.box_behnken(k)
    assert found.shape == (points, k)
    assert np.allclose(found.sum(axis=0), 0)
    assert np.allclose(found.T @ found, np.diag(np.diag(found.T @ found)))


@pytest.mark.parametrize("order", [4, 6, 8, 10, 12, 14, 18, 20, 24, 30, 32])
def test_conference_matrices(order):
    C = classical.conference(order)
    assert np.allclose(C.T @ C, (order - 1) * np.eye(order))
    assert not np.diag(C).any()


@pytest.mark.parametrize("k,runs", [(4, 9), (6, 13), (7, 17), (8, 17), (10, 21)])
def test_definitive_screening(k, runs):
    # Jones & Nachtsheim (2011): 2m + 1 runs in fold-over pairs; main effects clear of squares and products.
    D = classical.definitive_screening(k)
    assert D.shape == (runs, k)
    squares = D**2
    products = np.column_stack([D[:, i] * D[:, j] for i in range(k) for j in range(i)])
    assert np.allclose(D.T @ squares, 0)
    assert np.allclose(D.T @ products, 0)
    assert np.linalg.matrix_rank(np.column_stack([np.ones(runs), D, squares[:, : k - 1]])) == 2 * k


def factors(names, design, extra="", model="linear"):
    text = '[study]\nname = "f"\n'
    text += "".join(f'[[factor]]\nname = "{n}"\nlow = 0\nhigh = 10\n' for n in names)
    text += '[[response]]\nname = "y"\naim = "watch"\n'
    return Study.from_toml(text + f'[plan]\nmodel = "{model}"\ndesign = "{design}"\n{extra}\n')


def blend(design, extra="", highs=(1, 1, 1)):
    text = '[study]\nname = "b"\ntotal = 1\n'
    text += "".join(f'[[ingredient]]\nname = "{n}"\nlow = 0.1\nhigh = {h}\n' for n, h in zip("ABC", highs, strict=True))
    text += '[[response]]\nname = "y"\naim = "watch"\n'
    return Study.from_toml(text + f'[plan]\nmodel = "quadratic"\ndesign = "{design}"\n{extra}\n')


def test_alias_table_of_a_fraction():
    # NIST/SEMATECH e-Handbook 5.3.3.4.4: in the 2^(3-1) with C = AB, products are confounded with main effects.
    found = plan(factors("ABC", "fractional", 'fraction = "C = AB"')).quality.two_level
    assert found["resolution"] == 3
    told = {frozenset(chain) for chain in found["chains"]}
    assert told == {frozenset({"A", "B × C"}), frozenset({"B", "A × C"}), frozenset({"C", "A × B"})}
    assert all(set(chain.values()) == {1} for chain in found["chains"])


def test_lattice_in_lower_bound_pseudo_components():
    # Crosier (1984): x = L + (T - sum L) z; here 0.1 + 0.7 z.
    design = plan(blend("lattice", "degree = 2"))
    assert rows(design.table.to_numpy()) == rows(0.1 + 0.7 * classical.simplex_lattice(3, 2))


def test_more_runs_than_points_become_repeats():
    design = plan(blend("lattice", "runs = 9"))
    assert len(design.table) == 9
    assert design.quality.df["pure_error"] == 3
    first = design.runs["replicate_of"].dropna()
    assert all((design.table.loc[a] == design.table.loc[b]).all() for a, b in first.items())


def test_vertices_of_flare_with_centroids():
    # McLean & Anderson (1966): 8 vertices, 6 face centroids, the overall centroid.
    text = '[study]\nname = "flare"\ntotal = 1\n'
    bounds = {"Magnesium": (0.4, 0.6), "Nitrate": (0.1, 0.5), "Strontium": (0.1, 0.5), "Binder": (0.03, 0.08)}
    for name, (low, high) in bounds.items():
        text += f'[[ingredient]]\nname = "{name}"\nlow = {low}\nhigh = {high}\n'
    text += '[[response]]\nname = "y"\naim = "watch"\n[plan]\ndesign = "vertices"\nruns = 15\n'
    found = set(rows(plan(Study.from_toml(text)).table.to_numpy()))
    # From the paper as recalled in the reference data: vertices and the overall centroid.
    for point in (
        (0.4, 0.1, 0.47, 0.03), (0.4, 0.1, 0.42, 0.08), (0.6, 0.1, 0.27, 0.03), (0.6, 0.1, 0.22, 0.08),
        (0.4, 0.47, 0.1, 0.03), (0.4, 0.42, 0.1, 0.08), (0.6, 0.27, 0.1, 0.03), (0.6, 0.22, 0.1, 0.08),
        (0.5, 0.2225, 0.2225, 0.055),
    ):  # fmt: skip
        assert point in found
    assert len(found) == 15


@pytest.mark.parametrize(
    "study,words",
    [
        (lambda: factors("ABC", "lattice"), "no varied ingredients"),
        (lambda: blend("factorial"), "plan for factors"),
        (lambda: blend("lattice", highs=(0.4, 1, 1)), "lower limits"),
        (lambda: factors("AB", "box-behnken"), "3 to 7"),
        (lambda: factors("ABCDE", "factorial", "runs = 20"), "32 points"),
        (lambda: factors("ABCD", "fractional", 'fraction = "D = XYZ"'), "generator"),
        (lambda: blend("vertices", "runs = 2"), "vertices"),
    ],
)
def test_a_family_that_does_not_fit_is_refused_with_a_way_out(study, words):
    with pytest.raises(PlanError, match=words) as caught:
        plan(study())
    assert all(problem.do for problem in caught.value.problems)


def test_axial_trials_outside_are_told():
    design = plan(factors("ABC", "central-composite", model="quadratic"))
    (told,) = [p for p in design.findings if p.code == "axial-outside"]
    assert told.level == "warn"
    # 5 +- 5 * 8^(1/4)
    assert "A -3.409 and 13.41" in told.got
    assert "see whether A and B and C can be below 0" in told.got
    assert "inscribed" in told.do
    # Uniform precision for three factors: six centre points (Box & Hunter 1957; from memory).
    assert len(design.table) == 20
    assert (design.table == 5).all(axis=1).sum() == 6
    # What is made first is beyond low and high.
    first = design.table.loc[list(design.make_first)].to_numpy()
    assert ((first < 0) | (first > 10)).any(axis=1).all()


def composite(extra="", **keys):
    rows = {"Time": {"low": 1, "high": 9, "unit": "min", **keys}, "Heat": {"low": 20, "high": 80, "unit": "C"}}
    return Study.from_dict(
        {
            "study": {"name": "f"},
            "factor": [{"name": name, **row} for name, row in rows.items()],
            "response": [{"name": "y", "aim": "watch"}],
            "plan": {"design": "central-composite", **({"axial": extra} if extra else {})},
        }
    )


def test_a_level_that_cannot_be_below_0_is_refused_with_the_ways_out():
    # 5 - 4 sqrt(2) = -0.657 min; at low = 9 (sqrt(2) - 1) / (sqrt(2) + 1) = 1.544 it would be 0.
    with pytest.raises(PlanError) as caught:
        plan(composite())
    (problem,) = caught.value.problems
    assert problem.code == "axial-below-zero"
    assert "Time to -0.6569 min" in problem.got
    assert 'axial = "inscribed"' in problem.do
    assert "1.55 for Time" in problem.do
    plan(composite(low=1.55))
    # A temperature may be.
    assert plan(composite("face")).table["Time"].min() == 1


def test_inscribed_composites_stay_within_low_and_high():
    design = plan(composite("inscribed"))
    assert (design.table["Time"].min(), design.table["Time"].max()) == (1, 9)
    # Rotatable still: the corners at 1 / sqrt(2) of the half range.
    assert np.allclose(sorted(set(design.table["Time"])), [1, 5 - 4 / 2**0.5, 5, 5 + 4 / 2**0.5, 9], atol=5e-3)
    (told,) = [p for p in design.findings if p.code == "axial-inscribed"]
    assert "0.707" in told.got
    assert isinstance(design.quality.d_efficiency, float)


def test_composites_keep_weighable_steps():
    design = plan(composite(low=5, high=13, step=0.5))
    levels = design.table["Time"].to_numpy() / 0.5
    assert np.allclose(levels, np.round(levels))
    # 9 +- 5.657 on steps of 0.5.
    assert set(design.table["Time"]) == {3.5, 5.0, 9.0, 13.0, 14.5}


def test_axial_trials_that_a_limit_forbids_are_refused():
    one = Study.from_dict({**composite(low=5).to_dict(), "limit": [{"rule": "Time + Heat <= 90"}]})
    with pytest.raises(PlanError, match="axial trials") as caught:
        plan(one)
    assert "inscribed" in caught.value.problems[0].do
