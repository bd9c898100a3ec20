"""Which musts clash, against every recipe of a fine grid: what is proven holds there, and each named is needed."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pandas as pd
import pytest

from doe import Study
from optimise.formula.brief import Brief
from optimise.formula.space import Space
from optimise.formula.specs import Misses, specs_of
from optimise.models.models import fit
from optimise.proof import branching, feasibility
from optimise.proof.clash import find_clash

FACTORS = [{"name": "A", "low": -1, "high": 1}, {"name": "B", "low": -1, "high": 1}]
MILL = {"name": "Mill", "levels": ["stone", "steel"]}


def musts(**sides):
    """Responses above a low (a number) or below a high (a number in a tuple)."""
    return [
        {"name": name, "unit": "u", "method": "m"}
        | ({"aim": "below", "high": at[0]} if isinstance(at, tuple) else {"aim": "above", "low": at})
        for name, at in sides.items()
    ]


def truth(A, B, steel):
    """Three surfaces: the first two pull against each other, the last is better with a steel mill."""
    return {"P": 10 + 2 * A - B - A * A, "Q": 10 - 2 * A + 0.5 * B, "R": 5 + B + steel}


@lru_cache(maxsize=8)
def brief_of(terms="all", factors=2, **sides):
    """The brief of a study of factors and a mill with 30 trials; of more factors than two no response depends."""
    extra = [{"name": f"F{i}", "low": -1, "high": 1} for i in range(factors - 2)]
    study = Study.from_dict({
        "study": {"name": "clash"}, "factor": [*FACTORS, *extra, MILL], "response": musts(**sides),
        "plan": {"model": "quadratic"},
    })  # fmt: skip
    rng = np.random.default_rng(7)
    n = 30 + 8 * len(extra)
    X = np.round(rng.uniform(-1.49, 1.49, (n, factors)))
    mill = rng.choice(["stone", "steel"], n)
    frame = pd.DataFrame(X, columns=["A", "B", *(f["name"] for f in extra)]).assign(Mill=mill)
    for name, values in truth(frame["A"], frame["B"], mill == "steel").items():
        if name in sides:
            frame[name] = values + 0.2 * rng.normal(size=n)
    models = fit(study, study.results(frame.set_axis([f"H{i}" for i in range(n)])), terms=terms)
    return Brief.of(study, models, "chance")


def misses_on_grid(brief, fence):
    """The misses of all specs at a fine grid of recipes of both mills, those beyond the fence left out."""
    space = Space.build(brief.study)
    misses = Misses.of(specs_of(brief, space))
    axis = np.linspace(-1, 1, 61)
    X = np.array(np.meshgrid(axis, axis)).reshape(2, -1).T
    out = []
    for combo in space.combos:
        chosen = space.chosen(combo, len(X))
        inside = fence.inside(X, chosen) if fence is not None else np.ones(len(X), dtype=bool)
        out.append(misses.many(X, chosen)[inside])
    return np.vstack(out)


CASES = [
    {"P": 10.5, "Q": 10.5},
    {"P": 10.4, "Q": 9.6, "R": 6.2},
    {"P": 12.6, "Q": 6.0, "R": 4.0},
    {"P": 10.5, "R": (2.0,)},
]


@pytest.mark.parametrize("terms", ["all", "select"])
@pytest.mark.parametrize("sides", CASES, ids=["two", "three", "one", "high"])
def test_a_clash_holds_on_every_recipe_of_a_grid_and_no_smaller_one_does(terms, sides):
    brief = brief_of(terms, **sides)
    found = find_clash(brief, Space.build(brief.study), brief.fence)
    specs = specs_of(brief, Space.build(brief.study))
    grid = misses_on_grid(brief, brief.fence)
    kept = [next(i for i, s in enumerate(specs) if (s.response, s.side) == (e["response"], e["side"]))
            for e in found.entries]  # fmt: skip
    assert kept
    assert all(entry["proved"] and entry["minimal"] and entry["fenced"] for entry in found.entries)
    assert (grid[:, kept].max(axis=1) > 0).all()
    for i in kept:
        others = [j for j in kept if j != i]
        # A step of the grid is up to a seventh of a batch sd.
        rest = grid[:, others].max(axis=1) if others else np.full(len(grid), -1.0)
        assert rest.min() <= 0.15
        entry, spec = found.entries[kept.index(i)], specs[i]
        near = np.array([spec.value(miss) for miss in grid[rest <= 0, i]])
        best = near.max() if spec.side == "low" else near.min()
        # No recipe of the grid comes nearer than what is said to be reached, and some comes about as near.
        assert abs(spec.asked - entry["reached"]) <= abs(spec.asked - best) + 1e-6
        assert entry["reached"] == pytest.approx(best, abs=0.1)
    assert found.closest["worst_miss"] == pytest.approx(grid.max(axis=1).min(), abs=0.15)
    assert found.closest["worst_miss"] <= grid.max(axis=1).min() + 1e-6


def test_musts_that_can_be_met_do_not_clash():
    brief = brief_of("all", P=8.0, Q=8.0)
    assert not find_clash(brief, Space.build(brief.study), brief.fence).entries


def test_factors_that_no_must_depends_on_do_not_hold_a_proof_up():
    """An exact sum of two of five factors, within the fence, which depends on all of them."""
    brief = brief_of("all", 5, P=0.0)
    line = {"name": "Sum", "unit": "u", "from": {"A": 1.0, "B": 1.0}, "aim": "above", "low": 1.95}
    study = Study.from_dict({**brief.study.to_dict(), "response": [*brief.study.to_dict()["response"], line]})
    sums = next(r for r in study.responses if r.name == "Sum")
    # A fence so close that the sum stays below: at the middle of the other factors it goes furthest.
    fence = replace(brief.fence, limit=0.4 * brief.fence.limit)
    asked = replace(brief, study=study, exact=(sums,), aimed=())
    found = find_clash(asked, Space.build(study), fence)
    assert [(entry["response"], entry["proved"]) for entry in found.entries] == [("Sum", True)]
    assert found.entries[0]["fenced"]
    rng = np.random.default_rng(2)
    X = rng.uniform(-1, 1, (40_000, 5))
    for mill in ("stone", "steel"):
        inside = fence.inside(X, {"Mill": np.full(len(X), mill, dtype=object)})
        assert X[inside, :2].sum(axis=1).max() <= found.entries[0]["reached"] + 1e-6 < 1.95


def test_where_nothing_lies_within_the_fence_the_clash_is_looked_for_without_it():
    brief = brief_of("all", P=10.5, Q=10.5)
    nowhere = replace(brief.fence, limit=1e-3 * brief.fence.limit)
    found = find_clash(brief, Space.build(brief.study), nowhere)
    assert {entry["response"] for entry in found.entries} == {"P", "Q"}
    assert all(entry["proved"] and not entry["fenced"] for entry in found.entries)
    assert (misses_on_grid(brief, None).max(axis=1) > 0).all()
    easy = brief_of("all", P=8.0, Q=8.0)
    assert not find_clash(easy, Space.build(easy.study), replace(easy.fence, limit=1e-3)).entries


def test_a_limit_that_no_value_meets_is_named_by_itself():
    brief = brief_of("all", P=8.0, Q=8.0)
    never = replace(brief, aimed=(replace(brief.aimed[0], low=np.inf), brief.aimed[1]))
    (entry,) = find_clash(never, Space.build(brief.study), brief.fence).entries
    assert entry["response"] == "P"
    assert entry["proved"]
    assert np.isfinite(entry["reached"])


BEADS = [
    {"name": "Water", "qs": True},
    {"name": "Gum", "low": 0.2, "high": 1.0},
    {"name": "Beads", "low": 0.5, "high": 4.0, "density": 1.2, "d50_um": 500},
]


@pytest.mark.parametrize(("side", "limit"), [("high", 0.9), ("low", 3.0)])
def test_a_distance_between_particles_that_cannot_be_had_is_proven(side, limit):
    """The distance falls with the share of beads, so that it lies between those at 4 % and at 0.5 %."""
    aim = {"aim": "below", "high": limit} if side == "high" else {"aim": "above", "low": limit}
    study = Study.from_dict({
        "study": {"name": "beads", "total": 100, "unit": "% w/w"}, "ingredient": BEADS,
        "response": [{"name": "Y", "unit": "u", "method": "m", "aim": "above", "low": 0},
                     {"name": "Apart", "unit": "mm", "from": "bead_spacing", "of": "Beads", **aim}],
        "plan": {"model": "linear"},
    })  # fmt: skip
    X = study.region.sample(12, seed=1)
    frame = study.complete(pd.DataFrame(X, columns=list(study.region.names))).assign(Y=5.0 + X[:, 0])
    models = fit(study, study.results(frame.set_axis([f"H{i}" for i in range(12)])))
    brief = Brief.of(study, models, "chance")
    (entry,) = find_clash(brief, Space.build(study), None).entries
    assert (entry["response"], entry["side"], entry["proved"], entry["minimal"]) == ("Apart", side, True, True)
    ends = study.region.vertex_array
    exact = {float(models.predict(study.complete(pd.DataFrame([x], columns=list(study.region.names))))["Apart"]
                   ["predicted"].iloc[0]) for x in ends}  # fmt: skip
    assert entry["reached"] == pytest.approx(min(exact) if side == "high" else max(exact), rel=1e-6)


def test_limits_of_one_response_that_cross_are_proven_without_cutting_anything_up(monkeypatch):
    """What lies beyond the bends of its prediction is the same for both, and leaves no gap between them."""
    looked = []

    def watched(*args, **more):
        found = branching.prove(*args, **more)
        looked.append(found.boxes)
        return found

    monkeypatch.setattr(feasibility, "prove", watched)
    brief = brief_of("select", P=8.0, Q=8.0)
    first = brief.aimed[0]
    both = replace(first.response, aim="within", low=9.01, high=9.0)
    crossed = replace(brief, aimed=(replace(first, response=both, low=9.01, high=9.0), brief.aimed[1]))
    found = find_clash(crossed, Space.build(brief.study), brief.fence)
    assert [(entry["side"], entry["proved"]) for entry in found.entries] == [("low", True), ("high", True)]
    assert looked == [2]  # one box for each mill
