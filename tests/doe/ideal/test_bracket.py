"""The proven bracket of the best approximate plan: sound against brute force, tight where the optimum is known."""

from itertools import combinations, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe import Region, Study, Terms
from doe.ideal import bracket
from doe.ideal.approximate import judged, optimum
from doe.ideal.bracket import bounded, proven
from doe.search.spaces import layout


def mixture(
    q, low=0.0, high=1.0, rows=(), factors=0, categories=None, model="quadratic", fill=True, maybe=None, terms=()
):
    names = [f"x{i}" for i in range(q)] + [f"z{i}" for i in range(factors)]
    ends = [np.concatenate([np.broadcast_to(v, q), np.full(factors, s)]) for v, s in ((low, -1.0), (high, 1.0))]
    region = Region.build(
        names=names, blend=names[:q], blend_total=1.0 if q else None, fill=names[q - 1] if q and fill else None,
        low=ends[0], high=ends[1], rows=rows, categories=categories,
    )  # fmt: skip
    return layout(region, Terms.build(region, model, terms=terms, maybe=maybe))


def box(d, model="quadratic", **more):
    return mixture(0, factors=d, model=model, **more)


def published(plan, points, weights, name="D"):
    """A plan given by its points in the study's units."""
    like = optimum(plan, plan.criterion(name), 1)
    U = plan.region.coded(np.array(points, dtype=float))
    return judged(plan, like, U, np.zeros((len(U), 0), dtype=np.intp), np.array(weights) / np.sum(weights)), like


# Approximate D-optimal designs: Guest (1958) for polynomials on the line, Kiefer (1961), Uranisi (1964) for Scheffé
# models, Farrell, Kiefer & Walbran (1967) for the square; from memory, checked by the equivalence theorem.
ROOT = 5**-0.5
CORNERS = [tuple(row) for row in np.eye(3)]
MIDDLES = [(0.5, 0.5, 0), (0.5, 0, 0.5), (0, 0.5, 0.5)]
NEAR = [tuple(np.roll((a, 1 - a, 0), k)) for a in (0.5 - ROOT / 2, 0.5 + ROOT / 2) for k in range(3)]
SQUARE = list(product((-1, 0, 1), repeat=2))
PUBLISHED = {
    "line, quadratic": (lambda: box(1), [(-1,), (0,), (1,)], [1, 1, 1]),
    "Scheffé linear": (lambda: mixture(3, model="linear", fill=False), CORNERS, [1] * 3),
    "Scheffé quadratic": (lambda: mixture(3, fill=False), CORNERS + MIDDLES, [1] * 6),
    "special cubic": (lambda: mixture(3, model="special-cubic"), [*CORNERS, *MIDDLES, (1 / 3,) * 3], [1] * 7),
    "full cubic": (lambda: mixture(3, model="full-cubic"), [*CORNERS, *NEAR, (1 / 3,) * 3], [1] * 10),
    "square": (
        lambda: box(2),
        SQUARE,
        [{2: 0.145790894, 1: 0.080160849, 0: 0.096193028}[abs(a) + abs(b)] for a, b in SQUARE],
    ),
}


@pytest.mark.parametrize("name", PUBLISHED)
def test_published_optima_are_met_to_a_ten_thousandth_and_proven(name):
    make, points, weights = PUBLISHED[name]
    plan = make()
    known, found = published(plan, points, weights)
    assert np.exp(found.value - known.value) == pytest.approx(1, abs=1e-4)
    assert 0.997 <= proven(plan, found) <= 1
    assert 0.997 <= proven(plan, known) <= 1


@pytest.mark.parametrize("q", [3, 4, 5, 6])
def test_scheffe_quadratic_has_equal_weights_on_corners_and_edge_middles(q):
    # Kiefer (1961), Annals of Mathematical Statistics 32, 298-325, for every number of ingredients; from memory.
    eye = np.eye(q)
    points = [*eye, *((eye[i] + eye[j]) / 2 for i, j in combinations(range(q), 2))]
    plan = mixture(q, fill=False)
    known, found = published(plan, points, np.ones(len(points)))
    assert np.exp(found.value - known.value) == pytest.approx(1, abs=1e-4 if q < 6 else 5e-4)
    assert 0.997 <= proven(plan, known) <= 1


@pytest.mark.parametrize("d", [3, 4, 5])
def test_second_order_designs_on_the_cube(d):
    # Equal weight on the points of each kind (number of zeros) suffices: Farrell, Kiefer & Walbran (1967), from memory.
    plan = box(d)
    found = optimum(plan, plan.criterion("D"), 1)
    points = np.array(list(product((-1.0, 0.0, 1.0), repeat=d)))
    kind = (points == 0).sum(axis=1)
    share = [found.weights[(np.abs(found.U) < 0.5).sum(axis=1) == k].sum() / (kind == k).sum() for k in range(d + 1)]
    known = judged(plan, found, points, np.zeros((len(points), 0), dtype=np.intp), np.array(share)[kind])
    assert np.exp(found.value - known.value) == pytest.approx(1, abs=2e-3)
    assert 0.997 <= proven(plan, found) <= 1


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 10_000), st.integers(2, 5))
def test_the_linear_model_on_any_simplex(seed, q):
    # One corner, one parameter: equal weights on the corners are D-optimal (Kiefer 1961, from memory).
    low = np.random.default_rng(seed).dirichlet(np.ones(q + 1))[:q] * 0.9
    plan = mixture(q, low=low, model="linear")
    corners = plan.region.vertex_array
    known, found = published(plan, corners, np.ones(q))
    sure = proven(plan, found)
    assert sure == pytest.approx(1, abs=1e-4)
    assert np.exp(found.value - known.value) >= sure - 1e-9


ROW = [({"x0": 1.0, "x1": 1.0}, None, 0.55, "sum")]
CASES = {
    "bounded blend": lambda: mixture(4, 0.05, 0.6, ROW),
    "blend and factor": lambda: mixture(3, 0.1, 0.6, ROW, factors=1),
    "crossed with a linear factor": lambda: mixture(
        3, 0.1, 0.6, factors=2, model={"blend": "quadratic", "process": "linear", "cross": "full"}
    ),
    "categories": lambda: mixture(3, 0.1, 0.6, ROW, categories={"c": ("a", "b", "c"), "e": ("x", "y")}),
    "a category and a factor": lambda: mixture(3, 0.1, 0.6, factors=1, categories={"c": ("a", "b")}),
    "cubic": lambda: mixture(3, 0.1, 0.6, ROW, model="special-cubic"),
    "full cubic": lambda: mixture(3, 0.1, 0.6, ROW, model="full-cubic"),
    "maybe": lambda: mixture(4, 0.05, 0.6, ROW, model="linear", maybe="quadratic"),
    "flat": lambda: mixture(
        4, 0.05, 0.6, [({"x0": 1.0, "x1": -2.0}, 0.0, 0.0, "ratio")], terms=["x1", "x2", "x1²", "x2²", "x1 × x2"]
    ),
    "factorial": lambda: box(3, "factorial"),
    "box": lambda: box(3),
    "only categories": lambda: box(0, "linear", categories={"c": ("a", "b", "c"), "e": ("x", "y")}),
}


@pytest.mark.parametrize("name", "DI")
@pytest.mark.parametrize("case", CASES)
def test_no_place_in_the_region_exceeds_the_bound(case, name):
    plan = CASES[case]()
    best = optimum(plan, plan.criterion(name), 12)
    spread, greatest = bounded(plan, best)
    U = plan.region.coded(plan.region.sample(4000, seed=3))
    for combo in plan.combinations():
        F = plan.space.model(U, np.broadcast_to(combo, (len(U), len(combo))))
        assert np.einsum("np,pq,nq->n", F, spread.shape, F).max() <= greatest * (1 + 1e-12)
    assert greatest <= spread.mean * 1.003
    assert 0.996 <= proven(plan, best) <= 1


@pytest.mark.parametrize("name", "DI")
@pytest.mark.parametrize("case", ["bounded blend", "categories", "maybe", "crossed with a linear factor"])
def test_no_other_plan_does_better_than_is_proven(case, name):
    plan = CASES[case]()
    best = optimum(plan, plan.criterion(name), 12)
    sure = proven(plan, best)
    rng = np.random.default_rng(5)
    U = plan.region.coded(plan.region.sample(200, seed=2))
    combos = plan.combinations()
    C = combos[rng.integers(len(combos), size=len(U))]
    for share in (0.0, 0.01, 0.2):
        weights = np.concatenate([(1 - share) * best.weights, share * rng.dirichlet(np.ones(len(U)))])
        other = judged(plan, best, np.concatenate([best.U, U]), np.concatenate([best.C, C]), weights)
        gain = np.exp(other.value - best.value) if name == "D" else best.value / other.value
        assert gain <= 1 / sure + 1e-9


def test_a_poor_plan_is_not_called_good():
    plan = CASES["bounded blend"]()
    best = optimum(plan, plan.criterion("D"), 12)
    U = plan.region.coded(plan.region.sample(60, seed=1))
    poor = judged(plan, best, U, np.zeros((60, 0), dtype=np.intp), np.full(60, 1 / 60))
    assert proven(plan, poor) <= np.exp(poor.value - best.value) + 1e-9


LARGE = {
    "eight ingredients": lambda: mixture(8, 0.02, 0.4, ROW),
    "seven factors": lambda: box(7),
    "maybe": lambda: mixture(8, 0.02, 0.4, ROW, model="linear", maybe="quadratic"),
}


@pytest.mark.parametrize("case", LARGE)
def test_beyond_six_dimensions_there_is_always_a_bracket_and_a_close_one(case):
    plan = LARGE[case]()
    best = optimum(plan, plan.criterion("D"), 40)
    assert 0.9 <= proven(plan, best) <= 1


@pytest.mark.parametrize("name", "DI")
def test_the_crude_bound_for_want_of_a_better_one(name, monkeypatch):
    # Hadamard's bound is met by the two-level factorial for the first-order model; otherwise it is only a bound.
    monkeypatch.setattr(bracket, "_relaxed", lambda *_: 0.0)
    monkeypatch.setattr(bracket, "_greatest", lambda *_: np.inf)
    plan = box(3, "linear")
    assert proven(plan, optimum(plan, plan.criterion(name), 1)) == pytest.approx(1, abs=1e-6)
    plan = CASES["blend and factor"]()
    assert 0 < proven(plan, optimum(plan, plan.criterion(name), 1)) < 1


@pytest.mark.parametrize("name", "DI")
def test_limits_that_hold_at_one_level_only(name):
    # One polytope a level: no place of either exceeds what is proven.
    text = '[study]\nname = "f"\n' + "".join(
        f'[[ingredient]]\nname = "{n}"\n' + ("qs = true\n" if n == "W" else "low = 1\nhigh = 20\n") for n in "ABW"
    )
    text += '[[factor]]\nname = "way"\nlevels = ["one", "two"]\n[[limit]]\nrule = "A + B <= 15"\nwhen = "way is two"\n'
    region = Study.from_toml(text + '[[response]]\nname = "y"\naim = "watch"\n').region
    plan = layout(region, Terms.build(region, "quadratic"))
    best = optimum(plan, plan.criterion(name), 12)
    _, greatest = bounded(plan, best)
    assert len(plan.pieces) == 2
    for piece, combos in plan.pieces:
        U = region.coded(piece.sample(3000, seed=1))
        for combo in combos:
            F = plan.space.model(U, np.broadcast_to(combo, (len(U), len(combo))))
            assert np.einsum("np,pq,nq->n", F, best.shape, F).max() <= greatest
    assert 0.997 <= proven(plan, best) <= 1
    assert 0.9 <= bracket._relaxed(plan, best, bracket.spread_of(plan, best)) <= 1
