"""The search beside a general library on the same candidates, and how its time grows. Run by hand, see DEVELOPERS.md.

The library is pyDOE3's `doe_optimal.optimal_design` (1.6.2): D-optimal exchange over a candidate set. Both get the same
candidates, the same full quadratic in the free coordinates, the same number of runs, one start each; one run of each is
timed by processor time. "polished" is the same plan moved on over the continuous region.
"""

import os
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import plotly.graph_objects as go
import pytest
from pyDOE3.doe_optimal import optimal_design

from doe import Region, Terms
from doe.ideal.approximate import optimum
from doe.search import candidates
from doe.search.exchange import sweep
from doe.search.moves import to_candidates
from doe.search.spaces import layout
from doe.search.staged import Pool, search, starting

FASTER = 20


def region(blend, factors=(), rows=(), total=100.0, fill="Water"):
    names = [*blend, *factors]
    low = np.array([*(pair[0] for pair in blend.values()), *(-1.0 for _ in factors)])
    high = np.array([*(pair[1] for pair in blend.values()), *(1.0 for _ in factors)])
    whole = {"blend": list(blend), "blend_total": total, "fill": fill} if blend else {}
    return Region.build(names=names, low=low, high=high, rows=rows, **whole)


FIVE = {"Gum": (0.2, 1.2), "Humectant": (2, 6), "Emulsifier": (0.5, 3), "Wax": (3, 12), "Water": (70, 95)}
REGIONS = {
    "five ingredients": (region(FIVE), 20, 1200),
    "five, two limits": (
        region(
            FIVE,
            rows=[({"Wax": 1, "Emulsifier": 1}, None, 12, "greasy"), ({"Humectant": 1, "Gum": -4}, 0, None, "wetting")],
        ),
        20,
        600,
    ),
    "four ingredients": (region({"Gum": (0.2, 1.2), "Wax": (3, 12), "Oil": (0, 8), "Water": (75, 95)}), 14, 800),
    "eight ingredients": (
        region(
            {
                "Gum": (0.2, 1.2), "Humectant": (2, 6), "Emulsifier": (0.5, 3), "Wax": (3, 12), "Oil": (0, 4),
                "Butter": (1, 3), "Fragrance": (0.1, 0.5), "Water": (70, 85),
            }
        ),
        40,
        400,
    ),
    "mixture x process": (region({"Gum": (0.2, 1.2), "Wax": (3, 12), "Water": (70, 97)}, ["Speed", "Heat"]), 20, 500),
}  # fmt: skip


def places(where, count):
    """`count` candidates: corners, middles, centroids, then mixes; every so manieth where they are more."""
    U = candidates.unique(
        np.concatenate([candidates.short(where, most=count // 2), candidates.mixes(where, count=count)])
    )
    return U[:count]


def value(plan, U):
    G = plan.space.model(U, np.zeros((len(U), 0), dtype=np.intp))
    sign, logdet = np.linalg.slogdet(G.T @ G / len(U))
    return logdet / G.shape[1] if sign > 0 else -np.inf


def ours(plan, U, runs):
    """One start over the candidates alone: in a space with no directions there is nowhere else to go."""
    C = np.zeros((len(U), 0), dtype=np.intp)
    pools, criterion = [Pool(U, C)] * runs, plan.criterion("D")
    points = replace(plan.space, swaps=np.zeros((0, U.shape[1])), pairs=np.zeros((0, U.shape[1])), cox=None)
    start = time.process_time()
    made = search(points, criterion, pools, starts=1)
    used = time.process_time() - start
    return made.X[0], used, search(plan.space, criterion, pools, first=made.take(np.zeros(1, dtype=np.intp))).X[0]


def theirs(U, runs):
    start = time.process_time()
    design, _ = optimal_design(U, n_points=runs, degree=2, criterion="D", method="fedorov", max_iter=50)
    return design, time.process_time() - start


@pytest.mark.parametrize("name", REGIONS)
def test_never_lower_and_far_faster_than_a_general_library(name):
    where, runs, count = REGIONS[name]
    plan = layout(where, Terms.build(where, "quadratic"))
    U = places(where, count)
    best = optimum(plan, plan.criterion("D"), runs).value
    made, used, polished = ours(plan, U, runs)
    other, taken = theirs(U, runs)
    mine, fine, their = (float(np.exp(value(plan, X) - best)) for X in (made, polished, other))
    sys.stdout.write(
        f"\n{name:18} {len(U):5} candidates {runs:3} runs {len(plan.terms):3} terms: D-efficiency {their:.4f} in "
        f"{taken:.2f} s; ours {mine:.4f} in {used:.4f} s ({taken / used:.0f} x); polished {fine:.4f}\n"
    )
    assert mine >= their - 1e-9
    assert fine > max(mine, their)
    assert taken > FASTER * used


@pytest.mark.parametrize("name,least", [("D", 0.955), ("I", 0.919)])
def test_the_five_ingredient_targets_in_under_a_second(name, least):
    # Efficiencies against the certified approximate optimum, found beforehand for this project.
    where, runs, _ = REGIONS["five ingredients"]
    plan = layout(where, Terms.build(where, "quadratic"))
    criterion = plan.criterion(name)
    pools = [Pool(*candidates.with_levels(candidates.short(where), plan.combinations()))] * runs
    start = time.process_time()
    found = search(plan.space, criterion, pools)
    used = time.process_time() - start
    G = plan.space.model(found.X[0], found.C[0])
    best = optimum(plan, criterion, runs).value
    if name == "D":
        got = float(np.exp(np.linalg.slogdet(G.T @ G / runs)[1] / G.shape[1] - best))
    else:
        got = best / (runs * float(np.trace(np.linalg.inv(G.T @ G) @ plan.moment)))
    sys.stdout.write(f"\nfive ingredients, 20 runs, criterion {name}: efficiency {got:.4f} in {used:.2f} s\n")
    assert got >= least
    assert used < 1


def blend(q):
    """An invented blend of q ingredients, the last one taking up the rest."""
    levels = {f"I{i}": (0.2 * (1 + i % 3), 1.0 + i) for i in range(q - 1)}
    return region({**levels, "Water": (0, 100)})


def searched(plan, U, runs, starts=4):
    """The least processor time of three searches; there is always someone else on the machine."""
    C = np.zeros((len(U), 0), dtype=np.intp)
    times = []
    for _ in range(3):
        start = time.process_time()
        search(plan.space, plan.criterion("D"), [Pool(U, C)] * runs, starts=starts)
        times.append(time.process_time() - start)
    return min(times)


def exchanged(plan, U, runs):
    """Two passes of twelve starts over the candidates alone."""
    C = np.zeros((len(U), 0), dtype=np.intp)
    pools = [Pool(U, C)] * runs
    times = []
    for _ in range(3):
        start = time.process_time()
        move = to_candidates(plan.space, U, C)
        sweep(plan.space, plan.criterion("D"), starting(pools, None, 12, 1), [move] * runs, np.ones(runs), passes=2)
        times.append(time.process_time() - start)
    return min(times)


def growth():
    """(what, how many, terms, seconds) as ingredients, runs, and candidates grow, the others held."""
    for q in (3, 4, 5, 6, 7, 8, 10):
        where = blend(q)
        plan = layout(where, Terms.build(where, "quadratic"))
        yield "ingredients", q, len(plan.terms), searched(plan, candidates.short(where), len(plan.terms) + 5)
    where = blend(5)
    plan = layout(where, Terms.build(where, "quadratic"))
    for runs in (15, 20, 30, 45, 60):
        yield "runs", runs, len(plan.terms), searched(plan, candidates.short(where), runs)
    for model in ("linear", "quadratic", "special-cubic", "full-cubic"):
        other = layout(where, Terms.build(where, model))
        yield "terms", len(other.terms), len(other.terms), searched(other, candidates.short(where), 40)
    for count in (500, 1000, 2000, 4000, 8000):
        U = candidates.mixes(where, count=count)
        yield "candidates", count, len(plan.terms), exchanged(plan, U, 20)


def test_how_time_grows(tmp_path):
    """Writes growth.csv and growth.html into BENCHMARK_DIR, or a folder of the test's own."""
    rows = list(growth())
    into = Path(os.environ.get("BENCHMARK_DIR", str(tmp_path)))
    lines = ["what,how many,terms,seconds", *(f"{what},{n},{p},{s:.4f}" for what, n, p, s in rows)]
    (into / "growth.csv").write_text("\n".join(lines) + "\n")
    figure = go.Figure()
    sys.stdout.write("\n")
    for what in dict.fromkeys(row[0] for row in rows):
        mine = [row for row in rows if row[0] == what]
        n, s = np.array([row[1] for row in mine]), np.array([row[3] for row in mine])
        slope = float(np.polyfit(np.log(n), np.log(s), 1)[0])
        figure.add_scatter(x=n, y=s, name=f"{what}: time grows as its power {slope:.2f}", mode="lines+markers")
        told = ", ".join(f"{a}: {b:.3f} s" for a, b in zip(n, s, strict=True))
        sys.stdout.write(f"{what:12} power {slope:5.2f}   {told}\n")
        if what == "candidates":
            assert slope < 1.3
    figure.update_layout(xaxis_type="log", yaxis_type="log", xaxis_title="how many", yaxis_title="processor time [s]")
    figure.write_html(into / "growth.html", include_plotlyjs=True)
    sys.stdout.write(f"table and plot in {into}\n")
