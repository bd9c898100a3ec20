"""What fits say against what is true, over many simulated studies. Run by hand, see DEVELOPERS.md.

The small forms stand in tests/optimise. `BLENDWRIGHT_STUDIES` sets how many studies are simulated (1 000 unless given).
"""

import os
import sys

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from doe import Study
from optimise import fit
from optimise.models.censored import estimate
from optimise.statistics.censored import censored_fit
from optimise.statistics.censored_shared import censored_shared
from optimise.statistics.leastsq import solve
from optimise.statistics.mixed import reml
from optimise.statistics.multivariate_t import joint_factor
from optimise.statistics.selection import choose

STUDIES = int(os.environ.get("BLENDWRIGHT_STUDIES", "1000"))
NAMES = ["Water", "Gum", "Wax", "Oil"]


def study():
    varied = [{"name": name, "low": low, "high": high} for name, low, high in
              (("Gum", 0.2, 1.0), ("Wax", 1.0, 5.0), ("Oil", 2.0, 8.0))]  # fmt: skip
    return Study.from_dict(
        {
            "study": {"name": "Simulated"},
            "ingredient": [{"name": "Water", "qs": True}, *varied],
            "plan": {"model": "quadratic"},
            "response": [{"name": "Y", "aim": "watch", "method": "simulated"}],
        }
    )


def coded(frame):
    return (frame[["Gum", "Wax", "Oil"]].to_numpy() - [0.6, 3, 5]) / [0.4, 2, 3]


def surface(rng):
    """A quadratic in the coded levels: first order strong, some squares and products, as in methods of the trade."""
    g, H = rng.normal(0, 1, 3), rng.normal(0, 0.5, (3, 3)) * (rng.random((3, 3)) < 0.5)
    return lambda u: 10 + u @ g + np.einsum("ni,ij,nj->n", u, H, u)


def test_intervals_cover_as_often_as_they_say():
    """95 % confidence and prediction intervals at random places of the region: 93 to 97 % each."""
    made = study()
    counts = {key: [0, 0] for key in ("all confidence", "all prediction", "select confidence", "select prediction")}
    for seed in range(STUDIES // 4):
        rng = np.random.default_rng(seed)
        frame = pd.DataFrame(rng.uniform([0.2, 1, 2], [1, 5, 8], (22, 3)), columns=NAMES[1:])
        frame["Water"] = 100 - frame.sum(axis=1)
        true = surface(rng)
        results = made.results(frame.assign(Y=true(coded(frame)) + rng.normal(0, 0.6, 22)))
        new = pd.DataFrame(rng.uniform([0.2, 1, 2], [1, 5, 8], (20, 3)), columns=NAMES[1:])
        mean = true(coded(new))
        batch = mean + rng.normal(0, 0.6, 20)
        for terms in ("all", "select"):
            law = fit(made, results, terms=terms)["Y"].predictive(new)
            for name, ends, value in (
                ("confidence", law.mean_interval(), mean),
                ("prediction", law.batch_interval(), batch),
            ):
                held = (ends[:, 0] <= value) & (value <= ends[:, 1])
                counts[f"{terms} {name}"][0] += int(held.sum())
                counts[f"{terms} {name}"][1] += len(held)
    shares = {key: held / of for key, (held, of) in counts.items()}
    sys.stdout.write("\ncoverage of 95 % intervals: " + ", ".join(f"{k} {v:.3f}" for k, v in shares.items()) + "\n")
    assert all(0.93 <= share <= 0.97 for key, share in shares.items() if key.startswith("all"))
    assert all(0.92 <= share <= 0.99 for share in shares.values())


def test_size_for_a_whole_plot_factor():
    """A 5 % test of a hard-to-change factor that does nothing: 4 to 6.5 %; as if randomised about 26 % (K32)."""
    plots = np.repeat(np.arange(8), 4)
    X = np.column_stack([np.ones(32), np.repeat([-1.0, 1] * 4, 4), np.tile([-1.0, -0.3, 0.3, 1], 8)])
    found = ignored = 0
    for seed in range(4 * STUDIES):
        rng = np.random.default_rng(seed)
        y = rng.normal(size=8)[plots] + rng.normal(size=32)
        found += reml(X, y, [plots]).contrast([0, 1, 0]).p < 0.05
        plain = solve(X, y)
        ignored += 2 * stats.t.sf(abs(plain.estimate[1] / plain.standard_error()[1]), plain.df) < 0.05
    sizes = found / (4 * STUDIES), ignored / (4 * STUDIES)
    sys.stdout.write(f"\nsize of a 5 % whole-plot test: {sizes[0]:.3f}; as if randomised {sizes[1]:.3f}\n")
    assert 0.04 <= sizes[0] <= 0.065
    assert sizes[1] > 0.15


def censored_slopes(seed):
    """Slopes of 24 simulated batches of which those above the method's reach are bounds: by likelihood, by putting the
    limit in their place, by leaving them out.
    """
    made = Study.from_dict(
        {
            "study": {"name": "Bounds"},
            "factor": [{"name": name, "low": -1, "high": 1} for name in ("a", "b")],
            "plan": {"model": "linear"},
            "response": [{"name": "Y", "aim": "watch", "method": "simulated"}],
        }
    )
    rng = np.random.default_rng(seed)
    x = rng.uniform(-1, 1, (24, 2))
    y = 10 + x @ [2.0, 1.0] + rng.normal(0, 0.5, 24)
    top = 11.0
    frame = pd.DataFrame(x, columns=["a", "b"])
    bounds = frame.assign(Y=[f">{top:g}" if v > top else repr(float(v)) for v in y])
    model = fit(made, made.results(bounds), terms="all")["Y"]
    ours = model.terms.set_index("term").loc[["a", "b"], "estimate"].to_numpy(dtype=float)
    X = np.column_stack([np.ones(24), x])
    return ours, solve(X, np.minimum(y, top)).estimate[1:], solve(X[y <= top], y[y <= top]).estimate[1:]


def test_limits_cover_with_bounds_in_whole_plots():
    """Six and eight whole plots of four, a quarter of the readings beyond reach: 95 % limits of a factor of the whole
    plots and of one within them hold in 92 to 98 %; by a likelihood that knows nothing of the plots in far fewer.
    """
    shares = {}
    for plots in (6, 8):
        held, ignored, count = np.zeros(2), 0, max(STUDIES // 10, 60)
        for seed in range(count):
            rng = np.random.default_rng(seed)
            names = np.repeat(np.arange(plots), 4)
            hard, easy = np.repeat(np.tile([-1.0, 1], plots // 2), 4), np.tile(np.linspace(-1, 1, 4), plots)
            X = np.column_stack([np.ones(len(names)), hard, easy])
            y = 10 + easy + rng.normal(0, 0.8, plots)[names] + rng.normal(0, 0.5, len(names))
            low, high = np.minimum(y, 10.6), np.where(y > 10.6, np.inf, y)
            found = censored_shared(X, low, high, names)
            for j, (row, true) in enumerate((([0, 1, 0], 0.0), ([0, 0, 1], 1.0))):
                one = found.contrast(row)
                held[j] += abs(one.estimate - true) <= stats.t.isf(0.025, one.df) * one.se
            used = estimate(censored_fit(X, low, high), len(y))
            ignored += abs(used.beta[1]) <= stats.t.isf(0.025, used.df) * np.sqrt(used.covariance[1, 1])
        shares[plots] = (*(held / count).tolist(), ignored / count)
        sys.stdout.write(
            f"\n{plots} whole plots with bounds: 95 % limits hold {shares[plots][0]:.3f} (of plots),"
            f" {shares[plots][1]:.3f} (within); plots ignored {shares[plots][2]:.3f}\n"
        )
    assert all(0.92 <= share <= 0.99 for two in shares.values() for share in two[:2])
    assert all(two[2] < 0.85 for two in shares.values())


def test_readings_beyond_reach_bend_slopes_less_by_likelihood():
    """About a quarter of the readings lie above the reach: bias of the slopes (2, 1) in three ways of taking them."""
    found = np.array([censored_slopes(seed) for seed in range(STUDIES // 2)])
    bias = found.mean(axis=0) - [2.0, 1.0]
    sys.stdout.write(
        f"\nbias of slopes 2 and 1 with readings beyond reach: by likelihood {bias[0].round(3)}, limit in their place"
        f" {bias[1].round(3)}, left out {bias[2].round(3)}\n"
    )
    assert (np.abs(bias[0]) < 0.25 * np.abs(bias[1])).all()
    assert (np.abs(bias[0]) < np.abs(bias[2])).all()


def test_limits_of_terms_after_a_choice():
    """What the 95 % limits of read terms hold of the truth: those of chosen second-order terms by themselves far less
    than they say, those of the full planned model (`Models.planned_limits`) 93 to 97 % over all planned terms, though
    not of those kept. Limits for all planned terms at once hold for all terms kept in at least 95 % of the studies.
    """
    pairs = [(i, j) for i in range(3) for j in range(i, 3)]
    parents = [frozenset()] + [frozenset([0])] * 3 + [frozenset({1 + i, 1 + j}) for i, j in pairs]
    held = {"chosen": [], "planned": [], "planned, of those kept": [], "together, all kept": []}
    for seed in range(max(STUDIES, 200)):
        rng = np.random.default_rng(seed)
        u = rng.uniform(-1, 1, (22, 3))
        true = surface(rng)
        X = np.column_stack([np.ones(22), u, *(u[:, i] * u[:, j] for i, j in pairs)])
        grid = rng.uniform(-1, 1, (40, 3))
        whole = np.column_stack([np.ones(40), grid, *(grid[:, i] * grid[:, j] for i, j in pairs)])
        beta = np.linalg.lstsq(whole, true(grid), rcond=None)[0]
        y = X @ beta + rng.normal(0, 0.6, 22)
        kept = list(choose(X, y, [True] * 4 + [False] * 6, parents, draws=1).chosen)
        chosen, full = solve(X[:, kept], y), solve(X, y)
        size = full.standard_error()
        off_by = np.abs(full.estimate - beta) / size
        near = off_by <= stats.t.isf(0.025, full.df)
        factor = joint_factor(full.unscaled * full.sd**2 / np.outer(size, size), float(full.df))
        held["together, all kept"].append(bool((off_by[kept] <= factor).all()))
        for place, column in enumerate(kept):
            if column >= 4:
                off = abs(chosen.estimate[place] - beta[column])
                held["chosen"].append(off <= stats.t.isf(0.025, chosen.df) * chosen.standard_error()[place])
                held["planned, of those kept"].append(near[column])
        held["planned"] += near[1:].tolist()
    shares = {name: float(np.mean(flags)) for name, flags in held.items()}
    sys.stdout.write("\n95 % limits of terms hold: " + ", ".join(f"{k} {v:.3f}" for k, v in shares.items()) + "\n")
    assert 0.93 <= shares["planned"] <= 0.97
    assert shares["chosen"] < shares["planned, of those kept"] < shares["planned"]
    assert shares["together, all kept"] >= 0.94


LOW, HIGH = np.array([0.3, 2, 2, 3, 1]), np.array([1.0, 5, 6, 8, 5])  # per cent; the rest of 98 is the sixth


def noise_study(rng):
    """24 random recipes of six ingredients in L-pseudo-components, their 15 cross products, and pure noise."""
    x = rng.uniform(LOW, HIGH, (24, 5))
    rest = 98 - x.sum(axis=1)
    least = 98 - HIGH.sum()
    room = 98 - LOW.sum() - least
    u = np.column_stack([x - LOW, rest - least]) / room
    pairs = [(i, j) for i in range(6) for j in range(i + 1, 6)]
    return u, np.column_stack([u[:, i] * u[:, j] for i, j in pairs]), rng.normal(size=24)


def stepwise(u, crosses, y, adding=3):
    """Today's practice, as in K38: the linear terms stay, the cross product that lowers the residual sum of squares
    most comes in, three times. Smallest p of those three in the last fit, and R² about the mean.
    """
    chosen: list[int] = []
    for _ in range(adding):
        rest = [j for j in range(crosses.shape[1]) if j not in chosen]
        rss = [solve(np.column_stack([u, crosses[:, [*chosen, j]]]), y).rss for j in rest]
        chosen.append(rest[int(np.argmin(rss))])
    last = solve(np.column_stack([u, crosses[:, chosen]]), y)
    t = (last.estimate / last.standard_error())[6:]
    return float(2 * stats.t.sf(np.abs(t), last.df).min()), 1 - last.rss / float(((y - y.mean()) ** 2).sum())


def test_pure_noise_beside_stepwise_practice():
    """Nothing acts. K38: with the best 3 of 15 cross products added greedily to 24 recipes, 67 % of studies show a
    p < 0.05 and the mean R² is 0.54. Beside it, on the same studies: how often AICc takes a product in, and how often
    one is read as sure, that is chosen in nine of ten resamples as well.
    """
    count = max(STUDIES // 4, 20)
    found = {"stepwise": 0, "chosen": 0, "sure": 0}
    fitted = []
    for seed in range(count):
        u, crosses, y = noise_study(np.random.default_rng(seed))
        p, r2 = stepwise(u, crosses, y)
        fitted.append(r2)
        ours = choose(np.column_stack([u, crosses]), y, [True] * 6 + [False] * 15, [frozenset()] * 21)
        kept = [j for j in ours.chosen if j >= 6]
        found["stepwise"] += p < 0.05
        found["chosen"] += bool(kept)
        found["sure"] += any(ours.share[j] >= 0.9 for j in kept)
    shares = {name: number / count for name, number in found.items()}
    sys.stdout.write(
        f"\npure noise, {count} studies as in K38: stepwise practice finds something in {shares['stepwise']:.2f}"
        f" (R² {np.mean(fitted):.2f}); AICc takes a product in in {shares['chosen']:.2f}, and in"
        f" {shares['sure']:.2f} one is chosen in nine of ten resamples\n"
    )
    off = 3 * np.sqrt(0.67 * 0.33 / count)
    assert shares["stepwise"] == pytest.approx(0.67, abs=0.04 + off)
    assert np.mean(fitted) == pytest.approx(0.54, abs=0.05)
    assert shares["sure"] < 0.5 * shares["stepwise"]
