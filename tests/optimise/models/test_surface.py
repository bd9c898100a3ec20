"""Errors of a stationary point and the best way out: published examples, closed forms. Data: data/README.md."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from doe import Study
from doe.problems import Unavailable
from optimise import fit
from optimise.models.surface import Fitted, best_way, eigenvalue_errors, stationary_edges
from optimise.statistics.leastsq import solve
from optimise.statistics.stationary import canonical, quadratic_of

DATA = Path(__file__).parents[1] / "data"
BOX = np.vstack([np.eye(2), -np.eye(2)])


def rows(U):
    return np.column_stack([np.ones(len(U)), U, U**2, U[:, 0] * U[:, 1]])


def chemical(phase="phase2"):
    frame = pd.read_csv(DATA / "nist_chemical_yield.csv")
    part = frame[frame["phase"].str.startswith(phase)]
    return part[["x1", "x2"]].to_numpy(dtype=float), part["yield_pct"].to_numpy(dtype=float)


def fitted():
    x, y = chemical()
    fit_ = solve(rows(x), y)
    return Fitted(rows, fit_.estimate, fit_.sd**2 * fit_.unscaled, fit_.df)


def test_path_of_steepest_ascent_of_the_handbook():
    """NIST/SEMATECH e-Handbook 5.5.3.1.1: 40.644 - 1.2925 x1 + 11.14 x2, unit step (-0.1152, 0.9933)."""
    x, y = chemical("phase1")
    first = solve(np.column_stack([np.ones(len(x)), x]), y)
    straight = Fitted(lambda U: np.column_stack([np.ones(len(U)), U]), first.estimate, first.unscaled, first.df)
    places, distances = best_way(straight, 1.0, np.zeros(2), BOX, np.full(4, 9.0), [1.0, 2.0])
    assert places[1] == pytest.approx([-0.1152, 0.9933], abs=5e-5)
    assert places[2] == pytest.approx(2 * places[1], abs=1e-6)
    assert distances == pytest.approx([0, 1, 2])


def test_ridge_of_maximum_response():
    """On each sphere the best place solves (B - mu I) x = -b / 2 with mu above every eigenvalue (Draper 1963)."""
    surface = fitted()
    _, g, H = quadratic_of(surface.value, 2)
    point = canonical(*quadratic_of(surface.value, 2))
    places, distances = best_way(surface, 1.0, np.zeros(2), BOX, np.full(4, 9.0), [0.25, 0.5, 0.75, 2.0])
    for place in places[1:4]:
        pull = g / 2 + H / 2 @ place  # = mu x
        mu = float(pull @ place / (place @ place))
        assert pull == pytest.approx(mu * place, abs=1e-4)
        assert mu > point.eigenvalues.max()
    # The way ends on the top itself, which is the stationary point of the handbook (5.5.3.1.4).
    assert places[-1] == pytest.approx(point.place, abs=1e-4)
    assert distances[-1] == pytest.approx(float(np.linalg.norm(point.place)), abs=1e-4)


def test_the_way_stays_within_limits():
    surface = fitted()
    G, h = np.vstack([BOX, [[-1.0, 1.0]]]), np.array([1, 1, 1, 1, 0.2])
    places, _ = best_way(surface, 1.0, np.zeros(2), G, h, [0.5, 1.0, 1.5])
    assert (places @ G.T <= h + 1e-9).all()
    assert (np.diff(surface.value(places)) > 0).all()


def test_eigenvalues_have_the_errors_of_the_pure_quadratic_terms():
    """In a rotatable design these do not depend on the axes: 2.188 as published for both squares (e-Handbook)."""
    surface = fitted()
    point = canonical(*quadratic_of(surface.value, 2))
    errors = eigenvalue_errors(surface, point.place, point.axes)
    assert errors == pytest.approx(np.sqrt(np.diag(surface.covariance))[3:5], rel=1e-3)


def test_the_region_of_the_stationary_point_holds_it_as_often_as_said():
    """150 simulated composite designs with the top at (0.3, -0.2): the box round the 95 % region misses it in few."""
    x, _ = chemical()
    true = np.array([10, 1.2, -0.8, -2, -2, 0.0])
    held, closed = 0, 0
    for seed in range(150):
        y = rows(x) @ true + np.random.default_rng(seed).normal(0, 0.5, len(x))
        fit_ = solve(rows(x), y)
        surface = Fitted(rows, fit_.estimate, fit_.sd**2 * fit_.unscaled, fit_.df)
        point = canonical(*quadratic_of(surface.value, 2))
        edges = stationary_edges(surface, point.place)
        if not isinstance(edges, Unavailable):
            closed += 1
            held += bool((edges.min(axis=0) <= [0.3, -0.2]).all() and (edges.max(axis=0) >= [0.3, -0.2]).all())
    assert closed > 120
    assert held / closed > 0.92


def test_the_region_of_the_top_of_a_parabola_is_the_interval_of_a_ratio():
    """The top -b/2c of one factor: Fieller (1954, J. R. Statist. Soc. B 16, 175-185), the roots of a quadratic."""
    x = np.repeat([-1.0, -0.5, 0.0, 0.5, 1.0], 3)
    y = 4 + 1.2 * x - 2 * x**2 + np.random.default_rng(3).normal(0, 0.3, 15)
    curve = lambda U: np.column_stack([np.ones(len(U)), U[:, 0], U[:, 0] ** 2])  # noqa: E731
    fit_ = solve(curve(x[:, None]), y)
    V = fit_.sd**2 * fit_.unscaled
    b, c = fit_.estimate[1:]
    t2 = stats.t.isf(0.025, fit_.df) ** 2
    ends = np.roots([4 * (c**2 - t2 * V[2, 2]), 4 * (b * c - t2 * V[1, 2]), b**2 - t2 * V[1, 1]])
    found = stationary_edges(Fitted(curve, fit_.estimate, V, fit_.df), np.array([-b / (2 * c)]))
    assert (found.min(), found.max()) == pytest.approx(sorted(ends), abs=1e-6)


def test_the_region_of_the_handbook_s_top_is_open_by_its_own_equation():
    """Box & Hunter (1954, Biometrika 41, 190-199): a place belongs to it where F of its slope is below the limit.

    Along the axis of -4.97 this F stays below it as far as one goes, so that the region never closes.
    """
    surface = fitted()
    point = canonical(*quadratic_of(surface.value, 2))
    way = point.axes[:, int(np.argmax(point.eigenvalues))]
    limit = stats.f.isf(0.05, 2, surface.df)
    for place in (point.place + step * way for step in (-5.0, 5.0)):
        J = surface.slope(place)
        g = J @ surface.beta
        assert g @ np.linalg.solve(J @ surface.covariance @ J.T, g) / 2 < limit


def test_an_open_region_is_said():
    """The handbook's own second phase: its eigenvalue of -4.97 has an error of 2.19."""
    surface = fitted()
    assert isinstance(stationary_edges(surface, canonical(*quadratic_of(surface.value, 2)).place), Unavailable)


def test_a_fit_tells_its_way_and_its_errors():
    study = Study.from_dict(
        {
            "study": {"name": "Yield"},
            "factor": [{"name": "x1", "low": -1, "high": 1}, {"name": "x2", "low": -1, "high": 1}],
            "plan": {"model": "quadratic"},
            "response": [{"name": "Yield", "aim": "above", "low": 70, "method": "assay"}],
        }
    )
    x, y = chemical()
    frame = pd.DataFrame(x, columns=["x1", "x2"]).assign(Yield=y)
    entry = fit(study, study.results(frame), terms="all")["Yield"].to_dict()
    assert entry["stationary"]["eigenvalue_se"] == pytest.approx([2.188, 2.188], abs=1e-3)
    assert "unavailable" in entry["stationary"]["confidence"]
    assert entry["way"][0]["at"] == pytest.approx({"x1": 0, "x2": 0})
    assert entry["way"][-1]["predicted"] == pytest.approx(77.589, abs=1e-3)
    low, high = entry["way"][-1]["confidence"]
    assert low < 77.589 < high


def blend(spread):
    """Constructed: ten blends of three made twice, a top near the edge, batches `spread` apart."""
    study = Study.from_dict(
        {
            "study": {"name": "Blend", "total": 1, "unit": "proportion"},
            "ingredient": [{"name": name, "low": 0, "high": 1} for name in "ABC"],
            "plan": {"model": "quadratic"},
            "response": [{"name": "Y", "aim": "above", "low": 5, "method": "m"}],
        }
    )
    half, sixth = [(0.5, 0.5, 0), (0.5, 0, 0.5), (0, 0.5, 0.5)], np.full((3, 3), 1 / 6) + np.eye(3) / 2
    x = np.vstack([np.eye(3), half, np.full((1, 3), 1 / 3), sixth] * 2)
    y = 10 - 12 * ((x - [0.1, 0.45, 0.45]) ** 2).sum(axis=1)
    y = y + np.random.default_rng(2).normal(0, spread, len(x))
    return fit(study, study.results(pd.DataFrame(x, columns=list("ABC")).assign(Y=y)), terms="all")["Y"]


def test_a_region_that_leaves_the_simplex_is_said():
    near = blend(0.1).stationary
    assert not near.beyond
    assert not near.impossible
    found = blend(0.8)
    assert found.stationary.inside
    low, _ = found.stationary.confidence["A"]
    assert low < 0
    assert found.stationary.to_dict()["beyond"] == found.stationary.to_dict()["impossible"] == ["A"]
    # The levels of every place of the region add up, so that ends of a blend's parts are those of places.
    ends = np.array(list(found.stationary.confidence.values()))
    assert ends[:, 0].sum() < 1 < ends[:, 1].sum()


def test_a_textbook_composite_in_its_own_units():
    """Montgomery, Design and Analysis of Experiments, chapter 11: yield by time and temperature (data and printed
    numbers from memory; they agree with each other when refitted): 79.94 + 0.995 x1 + 0.515 x2 - 1.376 x1² - 1.001 x2²
    + 0.250 x1 x2, top at (0.389, 0.306), 87 minutes and 176.5 degrees, 80.21, eigenvalues -0.9634 and -1.4143; lack of
    fit 0.2843 on 3 beside pure error 0.2120 on 4 degrees of freedom.
    """
    a = 1.414
    x = np.array([(-1, -1), (-1, 1), (1, -1), (1, 1), *[(0, 0)] * 5, (a, 0), (-a, 0), (0, a), (0, -a)])
    y = [76.5, 77.0, 78.0, 79.5, 79.9, 80.3, 80.0, 79.7, 79.8, 78.4, 75.6, 78.5, 77.0]
    study = Study.from_dict(
        {
            "study": {"name": "Yield"},
            "factor": [{"name": "Time", "low": 80, "high": 90}, {"name": "Temp", "low": 170, "high": 180}],
            "plan": {"model": "quadratic"},
            "response": [{"name": "Yield", "aim": "above", "low": 79, "method": "assay"}],
        }
    )
    frame = pd.DataFrame({"Time": 85 + 5 * x[:, 0], "Temp": 175 + 5 * x[:, 1], "Yield": y})
    model = fit(study, study.results(frame), terms="all", coding="coded")["Yield"]
    powers = [(0, 0), (1, 0), (0, 1), (2, 0), (0, 2), (1, 1)]
    by_powers = {tuple(row["powers"].get(name, 0) for name in ("Time", "Temp")): row["estimate"]
                 for row in model.terms.to_dict("records")}  # fmt: skip
    assert [by_powers[key] for key in powers] == pytest.approx([79.94, 0.995, 0.515, -1.376, -1.001, 0.25], abs=6e-4)
    still = model.stationary
    assert dict(still.at) == pytest.approx({"Time": 85 + 5 * 0.389, "Temp": 175 + 5 * 0.306}, abs=0.003)
    assert still.kind == "maximum"
    assert still.inside
    assert still.predicted == pytest.approx(80.21, abs=0.005)
    assert still.eigenvalues == pytest.approx((-0.9634, -1.4143), abs=2e-4)
    assert model.lack_of_fit.ss == pytest.approx((0.2843, 0.2120), abs=2e-4)
    assert model.lack_of_fit.df == (3, 4)
    # Its region closes within the trials; the way up ends on the top.
    assert not still.beyond
    assert model.way[-1]["predicted"] == pytest.approx(80.21, abs=0.005)


def test_a_stationary_point_too_far_off_for_a_number():
    """ln y = 5 x + 0.00001 x² + noise: no slope at x = -250 000, where y is exp(-625 000), which no double holds."""
    study = Study.from_dict({
        "study": {"name": "far"},
        "factor": [{"name": "x", "low": -1, "high": 1}],
        "response": [{"name": "y", "unit": "1", "method": "m", "scale": "log", "aim": "watch"}],
        "plan": {"model": "quadratic"},
    })  # fmt: skip
    x = np.linspace(-1, 1, 7)
    frame = pd.DataFrame({"x": x, "y": np.exp(5 * x + 1e-5 * x**2 + 1e-7 * np.cos(7 * x))})
    told = fit(study, study.results(frame), terms="all")["y"].stationary
    assert told.to_dict()["at"]["x"] < -1e4
    assert isinstance(told.predicted, Unavailable)
    assert set(told.to_dict()["predicted"]) == {"unavailable", "do"}
