"""Mixtures of t against closed forms, published-style reference numbers and numerical derivatives."""

import numpy as np
import pytest
from scipy import stats

from optimise.statistics.predictive import TMixture
from optimise.statistics.tolerance import tolerance_factor

# reference_stats.json of the reference data: exact tolerance factors, integrated independently in R 4.2.2.
SAMPLE_FACTORS = {  # n: (90 % held with 95 %, 95 % held with 95 %, 99 % held with 99 %)
    2: (31.09222559975173, 36.51921461206286, 234.8774598168384),
    5: (4.29060407068653, 5.076874532059487, 10.220090305043449),
    10: (2.8563108485789566, 3.3934294787126396, 5.610168286814838),
    30: (2.1451110919449970, 2.5548928132777045, 3.7424634972405224),
    50: (1.9990003779175733, 2.381559742115303, 3.3897216501682363),
}
FITTED_FACTORS = [  # (h, df, 95 % with 95 %, 99 % with 95 %), same source
    (0.1, 3, 5.99350254290901, 7.8456209923808755),
    (0.9, 3, 7.448219643080989, 9.337331030345043),
    (0.25, 7, 3.952713641002425, 5.104707943152621),
    (0.5, 20, 3.4234198809728467, 4.274569785603619),
]


@pytest.mark.parametrize("n", SAMPLE_FACTORS)
def test_tolerance_factors_of_a_normal_sample(n):
    got = [
        float(tolerance_factor(1 / n, n - 1, level, share))
        for share, level in ((0.90, 0.95), (0.95, 0.95), (0.99, 0.99))
    ]
    assert got == pytest.approx(SAMPLE_FACTORS[n], rel=1e-8)


# Printed tables of two-sided factors of a normal sample, all from memory: {n: factor} at (confidence, share). The older
# tables (Eisenhart, Hastay & Wallis 1947, reprinted in Natrella 1963, NBS Handbook 91, table A-6) are Wald and
# Wolfowitz's approximation, which lies up to three quarters of a percent below the exact values of ISO 16269-6.
PRINTED = {
    (0.95, 0.90): {5: 4.275, 10: 2.839, 20: 2.310, 30: 2.140, 50: 1.996, 100: 1.874},
    (0.95, 0.95): {5: 5.079, 10: 3.379, 20: 2.752, 30: 2.549, 50: 2.379, 100: 2.233},
    (0.95, 0.99): {5: 6.634, 10: 4.433, 20: 3.615, 30: 3.350, 50: 3.126, 100: 2.934},
    (0.99, 0.95): {5: 7.855, 10: 4.265, 20: 3.168, 30: 2.841, 50: 2.576, 100: 2.355},
}


@pytest.mark.parametrize(("level", "share"), PRINTED)
def test_tolerance_factors_agree_with_printed_tables(level, share):
    for n, printed in PRINTED[level, share].items():
        got = float(tolerance_factor(1 / n, n - 1, level, share))
        assert got == pytest.approx(printed, rel=7.5e-3), n


def test_tolerance_factor_of_the_wafers_of_the_handbook():
    """NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3 (from memory): 43 wafers, 90 % held with 99 %.

    Printed is 2.217, by Howe's approximation sqrt(df (1 + 1/n) z² / chi²(df; 0.01)), which lies a quarter of a
    percent below the exact factor.
    """
    howe = np.sqrt(42 * (1 + 1 / 43) * stats.norm.isf(0.05) ** 2 / stats.chi2.ppf(0.01, 42))
    assert howe == pytest.approx(2.217, abs=5e-4)
    assert float(tolerance_factor(1 / 43, 42, 0.99, 0.90)) == pytest.approx(2.217, rel=3e-3)


def test_tolerance_factor_of_many_batches_is_the_normal_one():
    assert float(tolerance_factor(1e-12, np.inf)) == pytest.approx(stats.norm.isf(0.025), rel=1e-6)


@pytest.mark.parametrize(("h", "df", "k95", "k99"), FITTED_FACTORS)
def test_tolerance_factors_at_a_fitted_point(h, df, k95, k99):
    assert float(tolerance_factor(h, df)) == pytest.approx(k95, rel=1e-8)
    assert float(tolerance_factor(h, df, share=0.99)) == pytest.approx(k99, rel=1e-8)


def test_tolerance_of_one_component_uses_the_factor():
    one = TMixture.single([10.0, 20.0], [1.0, 2.0], 2.0, 7)
    k = tolerance_factor(np.array([0.25, 1.0]), 7)
    assert one.tolerance() == pytest.approx(np.column_stack([[10, 20] - 2 * k, [10, 20] + 2 * k]))


@pytest.mark.parametrize("relative", [0.05, 0.3, 1.0])
@pytest.mark.parametrize("df", [2.0, 9.0, 60.0])
def test_tolerance_of_equal_components_is_the_exact_one(relative, df):
    one = TMixture.single([3.0], [relative * 1.5], 1.5, df)
    half = np.full(2, 0.5)
    two = TMixture(half, np.full(2, df), np.full((1, 2), 3.0), np.full((1, 2), relative * 1.5), np.full(2, 1.5))
    assert two.tolerance() == pytest.approx(one.tolerance(), rel=1e-6)


def test_tolerance_of_a_mixture_holds_its_share_as_often_as_it_says():
    mixture = example()
    low, high = mixture.tolerance()[1]
    rng = np.random.default_rng(5)
    means, sds = mixture.at([1]).draws(*rng.uniform(size=(3, 40000)))
    held = stats.norm.cdf((high - means[0]) / sds[0]) - stats.norm.cdf((low - means[0]) / sds[0]) >= 0.95
    # Binomial standard error of 40 000 draws at 0.95 is 0.0011.
    assert held.mean() == pytest.approx(0.95, abs=0.0045)


def example() -> TMixture:
    return TMixture(
        np.array([0.2, 0.5, 0.3]),
        np.array([5.0, 12.0, 30.0]),
        np.array([[0.0, 1.0, 2.0], [1.0, 1.2, 0.4], [5.0, 5.0, 5.5]]),
        np.array([[0.5, 0.2, 0.1], [0.3, 0.3, 0.9], [0.2, 0.1, 0.4]]),
        np.array([1.0, 0.7, 1.3]),
    )


def test_one_component_is_the_plain_t():
    one = TMixture.single([2.0], [0.6], 0.8, 9)
    t = stats.t(9, loc=2.0, scale=1.0)
    assert one.batch_interval() == pytest.approx(np.array([t.interval(0.95)]))
    assert one.mean_interval(0.9) == pytest.approx(np.array([stats.t.interval(0.9, 9, 2.0, 0.6)]))
    assert one.median() == pytest.approx([2.0])
    assert one.chance(1.0, 2.5) == pytest.approx([t.cdf(2.5) - t.cdf(1.0)])


def test_mixture_intervals_invert_its_distribution():
    mixture = example()
    low, high = mixture.batch_interval(0.9).T
    assert mixture.cdf(low) == pytest.approx(0.05, abs=1e-12)
    assert mixture.cdf(high) == pytest.approx(0.95, abs=1e-12)
    assert mixture.cdf(mixture.median()) == pytest.approx(0.5, abs=1e-12)


def test_chance_is_the_weighted_sum_of_windows():
    mixture = example()
    scale = np.hypot(mixture.mean_scale, mixture.residual)
    t = stats.t(mixture.df, loc=mixture.location, scale=scale)
    assert mixture.chance(0.5, 1.7) == pytest.approx((t.cdf(1.7) - t.cdf(0.5)) @ mixture.weights)
    assert mixture.chance() == pytest.approx(1.0)


def test_far_tails_keep_their_digits():
    one = TMixture.single([0.0], [0.0], 1.0, 40)
    assert one.chance(low=30.0)[0] == pytest.approx(stats.t.sf(30.0, 40), rel=1e-9)
    assert one.chance(30.0, 31.0)[0] == pytest.approx(stats.t.sf(30, 40) - stats.t.sf(31, 40), rel=1e-9)
    assert one.chance(high=-30.0)[0] == pytest.approx(stats.t.cdf(-30.0, 40), rel=1e-9)
    assert one.chance(low=30.0)[0] > 0


@pytest.mark.parametrize("window", [(0.5, 1.7), (None, 1.0), (1.0, None)])
def test_slopes_of_the_chance_match_differences(window):
    mixture, step = example(), 1e-6
    by_location, by_batch = mixture.chance_slopes(*window)
    by_mean = by_batch * mixture.mean_scale / mixture.batch_scale
    for name, slopes in (("location", by_location), ("mean_scale", by_mean)):
        for k in range(3):
            moved = []
            for sign in (1, -1):
                values = getattr(mixture, name).copy()
                values[:, k] += sign * step
                parts = {f: getattr(mixture, f) for f in ("weights", "df", "location", "mean_scale", "residual")}
                moved.append(TMixture(**{**parts, name: values}).chance(*window))
            assert slopes[:, k] == pytest.approx((moved[0] - moved[1]) / (2 * step), abs=1e-8)


def test_infinite_df_is_the_normal():
    one = TMixture.single([1.0], [0.6], 0.8, np.inf)
    assert one.chance(0.0, 2.0) == pytest.approx([stats.norm.cdf(1) - stats.norm.cdf(-1)])
    assert one.batch_interval() == pytest.approx(np.array([stats.norm.interval(0.95, 1.0, 1.0)]))


def test_no_spread_at_all_gives_certainty():
    sure = TMixture.single([1.0], [0.0], 0.0, 4)
    assert sure.chance(0.5, 2.0) == pytest.approx([1.0])
    assert sure.chance(1.5, 2.0) == pytest.approx([0.0])
    assert np.all(np.isfinite(sure.chance_slopes(0.5, 2.0)))


def test_draws_reproduce_the_chance():
    mixture = example()
    rng = np.random.default_rng(3)
    means, sds = mixture.draws(*rng.uniform(size=(3, 50000)))
    passed = (stats.norm.cdf((1.7 - means) / sds) - stats.norm.cdf((0.5 - means) / sds)).mean(axis=1)
    assert passed == pytest.approx(mixture.chance(0.5, 1.7), abs=0.006)


def test_arrays_are_read_only_and_shapes_checked():
    mixture = example()
    with pytest.raises(ValueError, match="read-only"):
        mixture.location[0, 0] = 1.0
    with pytest.raises(ValueError, match="add up"):
        TMixture(np.array([0.5]), np.array([3.0]), np.ones((1, 1)), np.ones((1, 1)), np.ones(1))


def test_the_sd_of_a_batch_is_what_its_law_says():
    """Given a component, sd² is inverse gamma of shape df/2 and scale df s²/2 (scipy has that law)."""
    df, s, shared = np.array([4.0, 9.0]), np.array([1.0, 0.5]), np.array([0.6, 0.3])
    own = np.sqrt(s**2 - shared**2)
    weights = np.array([0.3, 0.7])
    law = TMixture(weights, df, np.zeros((1, 2)), np.ones((1, 2)), s, shared)
    for share in (0.05, 0.5, 0.95):
        sd = law.batch_sd(share)
        held = weights @ stats.invgamma.cdf(sd**2, df / 2, scale=df * own**2 / 2)
        assert held == pytest.approx(share, abs=1e-9)
    one = TMixture.single([0.0], [0.2], 0.7, 12.0)
    assert one.batch_sd(0.5) == pytest.approx(0.7 * np.sqrt(12 / stats.chi2.median(12)))
    with pytest.raises(ValueError, match="share"):
        law.batch_sd(1.5)
