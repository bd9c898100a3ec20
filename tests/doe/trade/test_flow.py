"""Flow curves against closed forms (curves made from a law, found again) and against scipy's own curve fitter."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import curve_fit

from doe.trade.flow import fit_flow

RATE = np.array([0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0])
SCATTER = np.array([0.021, -0.034, 0.012, -0.008, 0.027, -0.019, 0.004])  # relative, invented


@settings(deadline=None, max_examples=40)
@given(st.floats(0.5, 50), st.floats(0.1, 20), st.floats(0.2, 1.0))
def test_a_curve_made_from_herschel_bulkley_is_found_again(tau, k, n):
    flow = fit_flow(RATE, tau + k * RATE**n)
    assert flow.law == "Herschel-Bulkley"
    assert [flow.yield_value, flow.consistency, flow.index] == pytest.approx([tau, k, n], rel=1e-5)
    assert flow.viscosity(0.1) == pytest.approx((tau + k * 0.1**n) / 0.1, rel=1e-7)


@settings(deadline=None, max_examples=40)
@given(st.floats(0.1, 20), st.floats(0.2, 1.0))
def test_a_curve_made_from_a_power_law_has_no_yield_value(k, n):
    flow = fit_flow(RATE, k * RATE**n)
    assert flow.law == "power law"
    assert flow.yield_value == 0.0
    assert [flow.consistency, flow.index] == pytest.approx([k, n], rel=1e-9)
    assert 0 <= flow.yield_below < 1e-5 * k


def test_bingham_and_newton_are_its_special_cases():
    bingham = fit_flow(RATE, 8.0 + 0.5 * RATE)
    assert (bingham.yield_value, bingham.index) == pytest.approx((8.0, 1.0), rel=1e-7)
    newton = fit_flow(RATE, 0.02 * RATE)
    assert (newton.law, newton.index) == ("power law", pytest.approx(1.0))
    assert newton.viscosity(5.0) == pytest.approx(0.02)


def test_estimates_and_errors_are_those_of_another_fitter():
    stress = (5.0 + 2.0 * RATE**0.5) * np.exp(SCATTER)
    flow = fit_flow(RATE, stress)

    def law(rate, tau, k, n):
        return np.log(tau + k * rate**n)

    best, covariance = curve_fit(law, RATE, np.log(stress), p0=[4.0, 2.0, 0.5], xtol=1e-14, ftol=1e-14)
    assert flow.law == "Herschel-Bulkley"
    assert [flow.yield_value, flow.consistency, flow.index] == pytest.approx(best, rel=1e-6)
    errors = [flow.sd["yield_value"], flow.sd["consistency"], flow.sd["index"]]
    assert errors == pytest.approx(np.sqrt(np.diag(covariance)), rel=1e-4)
    left = np.log(stress) - law(RATE, *best)
    assert flow.relative_sd == pytest.approx(np.sqrt(left @ left / 4), rel=1e-6)


def test_the_law_is_chosen_by_aicc_worked_by_hand():
    stress = 3.0 * RATE**0.4 * np.exp(SCATTER)
    flow = fit_flow(RATE, stress)
    slope, level = np.polyfit(np.log(RATE), np.log(stress), 1)
    rss = np.sum((np.log(stress) - level - slope * np.log(RATE)) ** 2)
    # Seven points; slope, level and the error variance: 7 ln(rss/7) + 2*3 + 2*3*4/(7-3-1).
    assert flow.aicc["power law"] == pytest.approx(7 * np.log(rss / 7) + 6 + 8, rel=1e-9)
    assert flow.law == "power law"


def test_a_yield_value_that_does_not_show_is_bounded_by_its_profile():
    """The bound is where the fit is worse by F = t(0.95, 4)^2: one-sided 95 % (t = 2.132, tables)."""
    stress = 3.0 * RATE**0.4 * np.exp(SCATTER)
    flow = fit_flow(RATE, stress)
    assert 0 < flow.yield_below < stress.min()

    def rss(tau):
        def law(rate, k, n):
            return np.log(tau + k * rate**n)

        best, _ = curve_fit(law, RATE, np.log(stress), p0=[3.0, 0.4], xtol=1e-14, ftol=1e-14)
        return np.sum((np.log(stress) - law(RATE, *best)) ** 2)

    least = min(rss(tau) for tau in np.linspace(0, 0.3, 121))
    assert rss(flow.yield_below) / least == pytest.approx(1 + 2.132**2 / 4, rel=2e-3)


@pytest.mark.parametrize("points", [3, 4, 5])
def test_few_points_bear_a_power_law_only_and_leave_the_yield_value_open(points):
    flow = fit_flow(RATE[:points], 4.0 + RATE[:points] ** 0.5)
    assert flow.law == "power law"
    assert flow.yield_below > 3.9  # the true one, 4, is not ruled out
    assert flow.yield_below <= 4.0 + 0.1**0.5  # the lowest stress read is above any yield value


@pytest.mark.parametrize("rates", [[1.0, 10.0], [5.0, 5.0, 5.0], [0.0, 1.0, 10.0]])
def test_no_curve_no_law(rates):
    assert fit_flow(np.array(rates), np.array([1.0, 2.0, 3.0][: len(rates)])) is None


def test_a_yield_value_that_six_readings_prove_is_kept():
    """True yield value 6.2 Pa, scatter 1 %: AICc at six points asks for e^5 times the squares, F far less.

    The 1 % point of F(1, 3) is 34.12 (tables), so that the squares have to rise by 1 + 34.12 / 3.
    """
    rate = np.array([0.1, 1, 5, 10, 50, 100])
    flow = fit_flow(rate, np.array([6.949, 9.294, 12.785, 15.427, 27.489, 36.454]))
    assert flow.aicc["power law"] < flow.aicc["Herschel-Bulkley"]
    assert flow.law == "Herschel-Bulkley"
    assert flow.yield_value == pytest.approx(6.06, abs=0.1)
    assert flow.sd["yield_value"] == pytest.approx(0.17, abs=0.05)


def test_a_power_law_seldom_shows_a_yield_value():
    rate, found = np.logspace(-1, 2, 6), 0
    for seed in range(100):
        noise = np.exp(np.random.default_rng(seed).normal(0, 0.02, 6))
        found += fit_flow(rate, 5 * rate**0.3 * noise).law == "Herschel-Bulkley"
    assert found <= 4
