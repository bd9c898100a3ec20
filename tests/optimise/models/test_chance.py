"""The joint chance against closed forms, a reference integrator and plain simulation."""

import numpy as np
import pytest
from scipy import stats

from optimise.models.chance import chance_interval, joint_chance
from optimise.statistics.predictive import TMixture


def at(margin, df=10.0):
    """One response predicted `margin` prediction sds inside a limit at 0."""
    return TMixture.single([-margin], [0.6], 0.8, df)


@pytest.mark.parametrize(("margin", "together"), [(0.0, 0.0625), (1.0, 0.47), (2.0, 0.86)])
def test_four_responses_at_their_limits(margin, together):
    # trade.md K40: independent responses, t with 10 df, one-sided limits, margin in prediction sds.
    found = joint_chance([at(margin)] * 4, [(None, 0.0)] * 4)
    assert found.joint[0] == pytest.approx(together, abs=0.005)
    assert found.error[0] == 0
    assert found.each[0] == pytest.approx(np.full(4, stats.t.cdf(margin, 10)))


@pytest.mark.parametrize("rho", [-0.7, 0.3, 0.9])
def test_two_correlated_normals_have_sheppards_orthant(rho):
    # Sheppard (1899): P(both below their means) = 1/4 + asin(rho) / 2 pi.
    normal = TMixture.single([0.0], [0.0], 1.0, np.inf)
    found = joint_chance([normal, normal], [(None, 0.0)] * 2, np.array([[1, rho], [rho, 1]]))
    assert found.joint[0] == pytest.approx(0.25 + np.arcsin(rho) / (2 * np.pi), abs=2e-4)
    assert found.error[0] < 1e-4


def test_three_correlated_normals_have_the_orthant_of_their_angles():
    # P = 1/8 + (asin r12 + asin r13 + asin r23) / 4 pi, the same source's extension to three.
    R = np.array([[1, 0.5, 0.3], [0.5, 1, 0.4], [0.3, 0.4, 1]])
    normal = TMixture.single([0.0], [0.0], 1.0, np.inf)
    found = joint_chance([normal] * 3, [(0.0, None)] * 3, R)
    exact = 0.125 + (np.arcsin(0.5) + np.arcsin(0.3) + np.arcsin(0.4)) / (4 * np.pi)
    assert found.joint[0] == pytest.approx(exact, abs=4e-4)


def test_a_box_of_five_agrees_with_another_integrator():
    R = np.array(
        [
            [1, 0.42, -0.31, 0.18, 0.05],
            [0.42, 1, 0.12, -0.17, 0.36],
            [-0.31, 0.12, 1, 0.38, -0.12],
            [0.18, -0.17, 0.38, 1, 0.19],
            [0.05, 0.36, -0.12, 0.19, 1],
        ]
    )
    low, high = np.array([-1.0, -2, -0.5, -1.5, -1]), np.array([1.0, 1, 2.5, 1.2, 2])
    laws = [TMixture.single([0.0], [0.0], 1.0, np.inf)] * 5
    found = joint_chance(laws, list(zip(low, high, strict=True)), R)
    other = stats.multivariate_normal(cov=R, seed=1, maxpts=400000).cdf(high, lower_limit=low)
    assert found.joint[0] == pytest.approx(other, abs=1e-3)
    assert abs(found.joint[0] - other) < 5 * found.error[0] + 2e-4


def test_correlation_of_passing_lifts_the_joint_chance_above_the_product():
    laws = [at(0.5), at(0.5), at(0.5)]
    R = np.full((3, 3), 0.6) + 0.4 * np.eye(3)
    alone = joint_chance(laws, [(None, 0.0)] * 3).joint[0]
    together = joint_chance(laws, [(None, 0.0)] * 3, R).joint[0]
    each = joint_chance(laws, [(None, 0.0)] * 3).each[0]
    assert alone < together < each.min()


def test_the_chance_is_smooth_in_the_recipe():
    """Fixed nodes: a tiny move of a centre makes a tiny, even change. Second differences show no noise."""
    R = np.array([[1, 0.5], [0.5, 1]])
    moves = np.linspace(0, 1e-4, 5)
    laws = [TMixture.single(0.3 + moves, np.full(5, 0.2), 1.0, 8.0), TMixture.single(-moves, np.full(5, 0.4), 1.0, 8.0)]
    joint = joint_chance(laws, [(None, 1.0), (-1.0, 1.0)], R).joint
    assert np.abs(np.diff(joint, 2)).max() < 1e-8


def test_how_the_chance_may_move_against_plain_sampling():
    law = TMixture.single([0.5], [0.4], 0.9, 7.0)
    low, high = chance_interval([law], [(-1.0, 1.5)], level=0.9)[0]
    rng = np.random.default_rng(2)
    sigma = 0.9 * np.sqrt(7 / rng.chisquare(7, 200_000))
    mean = 0.5 + 0.4 * sigma / 0.9 * rng.normal(size=200_000)
    chances = stats.norm.cdf((1.5 - mean) / sigma) - stats.norm.cdf((-1 - mean) / sigma)
    assert (low, high) == pytest.approx(np.quantile(chances, [0.05, 0.95]), abs=0.01)
    assert low < law.chance(-1.0, 1.5)[0] < high


def test_a_chance_beyond_nearly_all_it_may_be_in_truth_lies_within_its_interval_all_the_same():
    """Far from what passes the chance in truth is next to 0 but for a few: its mean lies above 95 in 100 of them."""
    law = TMixture(np.array([0.97, 0.03]), np.full(2, 12.0), np.array([[9.0, 0.0]]), np.full((1, 2), 0.2), np.ones(2))
    chance = law.chance(None, 1.0)
    plain, wide = (chance_interval([law], [(None, 1.0)], chance=said)[0] for said in (None, chance))
    # By hand: either component passes with the chance of t on 12 degrees of freedom.
    far, near = stats.t.cdf(np.array([-8.0, 1.0]) / np.hypot(1, 0.2), 12)
    assert chance[0] == pytest.approx(0.97 * far + 0.03 * near, rel=1e-6)
    assert plain[1] < 1e-5 < chance[0]
    assert wide.tolist() == [plain[0], chance[0]]
    sure = chance_interval([law], [(1.0, None)], chance=1 - chance)[0]
    assert sure[0] == pytest.approx(1 - chance[0]), "the same next to 1"


def test_the_interval_is_the_same_each_time():
    laws = [at(1.0), at(0.4)]
    first, second = (chance_interval(laws, [(None, 0.0)] * 2) for _ in range(2))
    assert np.array_equal(first, second)
