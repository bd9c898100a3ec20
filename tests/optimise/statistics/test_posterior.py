"""The averaged posterior against direct Gaussian algebra, numerical derivatives and simulated surfaces."""

import json

import numpy as np
import pytest
from scipy import special, stats
from scipy.stats import special_ortho_group

from doe.problems import ModelError
from optimise.statistics.hyperprior import grid_of
from optimise.statistics.marginal import ALONE, Groups
from optimise.statistics.posterior import Posterior


def matern(r):
    """Matern of order 5/2 and length 1 by Bessel functions: Rasmussen & Williams (2006), eq. 4.14; 1 at r = 0."""
    a = np.sqrt(5) * np.maximum(r, 1e-9)
    return 2 ** (1 - 2.5) / special.gamma(2.5) * a**2.5 * special.kv(2.5, a)


def surface(n=22, d=3, noise=0.3, seed=4):
    rng = np.random.default_rng(seed)
    z = rng.uniform(-1, 1, (n, d))
    y = 5 + 2 * z[:, 0] - z[:, 1] + 1.5 * z[:, 0] * z[:, 1] - z[:, -1] ** 2 + noise * rng.normal(size=n)
    return z, y


def test_marginal_likelihood_and_prediction_by_brute_force():
    """A proper but very flat prior on the intercept, and the textbook normal-inverse-gamma formulas."""
    z, y = surface(n=10, d=2)
    axes = np.array([[1.0, 0.0], [0.6, 0.8], [0.0, -1.0]])
    post = Posterior.fit(z, y, axes=axes)
    new = np.array([[0.2, -0.4], [1.1, 0.3]])
    mixture = post.at(new)
    ys = (y - y.mean()) / y.std(ddof=1)
    everyone = np.vstack([z, new])
    flat = 1e5
    logs, means, scales = [], [], []
    dots = everyone @ everyone.T
    bells = matern(np.linalg.norm(everyone[:, None] - everyone, axis=2))
    curves = np.mean([matern(np.abs(np.subtract.outer(x, x))) for x in (everyone @ axes.T).T], axis=0)
    for prior, linear, quadratic, smooth, bent, *_ in grid_of(ALONE):
        K = linear**2 * dots + quadratic**2 * dots**2 + smooth**2 * bells + bent**2 * curves + flat
        V = K[:10, :10] + np.eye(10)
        inverse = np.linalg.inv(V)
        q = ys @ inverse @ ys
        # n - 1 degrees of freedom: the flat intercept takes one.
        logs.append(prior - 0.5 * np.linalg.slogdet(V)[1] - 4.5 * np.log(q))
        means.append(K[10:, :10] @ inverse @ ys)
        scales.append(np.sqrt(q / 9 * np.diag(K[10:, 10:] - K[10:, :10] @ inverse @ K[:10, 10:])))
    w = np.exp(np.array(logs) - max(logs))
    w /= w.sum()
    kept = np.argsort(-w, kind="stable")[: post.weights.size]
    mean = y.mean() + y.std(ddof=1) * (w[kept] @ np.array(means)[kept]) / w[kept].sum()
    assert mixture.mean() == pytest.approx(mean, abs=1e-3)
    best = int(np.argmax(w))
    assert mixture.location[:, 0] == pytest.approx(y.mean() + y.std(ddof=1) * means[best], abs=1e-3)
    assert mixture.mean_scale[:, 0] == pytest.approx(y.std(ddof=1) * scales[best], rel=1e-3)
    assert post.weights[0] == pytest.approx(w[best] / w[kept].sum(), rel=1e-3)


def test_slopes_match_differences():
    z, y = surface()
    post = Posterior.fit(z, y, axes=np.vstack([np.eye(3), np.full((1, 3), -(3**-0.5))]))
    # Both kinds of discrepancy are among what is differentiated.
    assert (post.points[:, 2] > 0).any()
    assert (post.points[:, 3] > 0).any()
    at = np.array([[0.3, -0.2, 0.7], z[4], [1.4, 0.0, -1.1]])  # one of them a training point
    by_location, by_variance = post.slopes(at)
    step = 1e-5
    for j in range(3):
        shift = np.zeros(3)
        shift[j] = step
        up, down = post.at(at + shift), post.at(at - shift)
        assert by_location[:, :, j] == pytest.approx((up.location - down.location) / (2 * step), abs=1e-6)
        differences = (up.mean_scale**2 - down.mean_scale**2) / (2 * step)
        assert by_variance[:, :, j] == pytest.approx(differences, abs=1e-6)


def test_an_orthogonal_turn_of_the_coordinates_changes_nothing():
    z, y = surface()
    turn, _ = np.linalg.qr(np.random.default_rng(1).normal(size=(3, 3)))
    # The axes turn with the coordinates: a row of `turn` is where a coordinate has gone.
    a, b = Posterior.fit(z, y).at(z[:5] + 0.1), Posterior.fit(z @ turn, y, axes=turn).at((z[:5] + 0.1) @ turn)
    assert a.location == pytest.approx(b.location)
    assert a.mean_scale == pytest.approx(b.mean_scale)


def test_units_of_the_response_do_not_matter():
    z, y = surface()
    a, b = Posterior.fit(z, y).at(z), Posterior.fit(z, 1000 * y - 7).at(z)
    assert 1000 * a.location - 7 == pytest.approx(b.location)
    assert 1000 * a.residual == pytest.approx(b.residual)


def test_block_columns_take_out_a_shift():
    z, y = surface()
    block = np.where(np.arange(22) % 2 == 0, 1.0, -1.0)[:, None]
    plain = Posterior.fit(z, y, Groups(block))
    shifted = Posterior.fit(z, y + 5 * block[:, 0], Groups(block))
    assert plain.df == 20
    # Standardising by the whole spread of y leaves the same posterior of the rest.
    assert plain.at(z).mean() == pytest.approx(shifted.at(z).mean(), abs=1e-6)
    assert plain.at(z).residual == pytest.approx(shifted.at(z).residual, rel=1e-6)


def test_dependent_block_columns_are_counted_once():
    z, y = surface()
    block = np.where(np.arange(22) % 2 == 0, 1.0, -1.0)[:, None]
    assert Posterior.fit(z, y, Groups(np.hstack([block, -block]))).df == 20


def test_weights_count_as_repeats():
    """A value with weight 2 pulls the prediction nearer than one with weight 1; equal weights change nothing."""
    z, y = surface()
    y = y.copy()
    y[0] += 3
    flat = Posterior.fit(z, y).at(z[:1]).mean()[0]
    assert Posterior.fit(z, y, weights=np.full(22, 3.0)).at(z[:1]).mean()[0] == pytest.approx(flat)
    heavy, light = np.ones(22), np.ones(22)
    heavy[0], light[0] = 4.0, 0.25
    pulled, spared = (Posterior.fit(z, y, weights=w).at(z[:1]).mean()[0] for w in (heavy, light))
    assert abs(pulled - y[0]) < abs(flat - y[0]) < abs(spared - y[0])


def test_a_script_can_predict_from_what_is_written():
    z, y = surface()
    post = Posterior.fit(z, y)
    kept = json.loads(json.dumps(post.to_dict()))
    again = Posterior.from_dict(kept).at(z[:4] * 1.1)
    assert again.location == pytest.approx(post.at(z[:4] * 1.1).location, rel=1e-9)
    # By hand, from the numbers of the file alone, with the formula of its docstring.
    part, new = kept["components"][0], z[0] * 1.1
    Z = np.array(kept["z"])
    dots, r = Z @ new, np.linalg.norm(Z - new, axis=1)
    a, along = np.sqrt(5) * r, np.sqrt(5) * np.abs((Z - new) @ np.array(kept["axes"]).T)
    k = part["linear"] ** 2 * dots + part["quadratic"] ** 2 * dots**2
    k += part["smooth"] ** 2 * (1 + a + a * a / 3) * np.exp(-a)
    k += part["curves"] ** 2 * ((1 + along + along**2 / 3) * np.exp(-along)).mean(axis=1)
    location = kept["centre"] + kept["size"] * (part["intercept"] + k @ np.array(part["alpha"]))
    assert location == pytest.approx(post.at(new[None]).location[0, 0])


def test_a_threshold_of_one_ingredient_is_followed_by_a_curve():
    """Where one coordinate of three acts, as a step does, curves are believed, and means come nearer the truth."""
    rng = np.random.default_rng(2)
    z, new = rng.uniform(-1, 1, (2, 24, 3))
    y, truth = np.tanh(4 * z[:, 1]) + 0.05 * rng.normal(size=24), np.tanh(4 * new[:, 1])
    post = Posterior.fit(z, y)
    assert post.weights[post.points[:, 3] > 0].sum() > 0.8
    # Axes between the coordinates, along which nothing acts alone.
    askew = special_ortho_group.rvs(3, random_state=5)
    other = Posterior.fit(z, y, axes=askew)
    assert np.std(post.at(new).mean() - truth) < 0.8 * np.std(other.at(new).mean() - truth)


def test_predictions_cover_new_batches_as_often_as_they_say():
    """40 simulated studies, 30 new batches each: 90 % intervals. Source: the definition of coverage."""
    inside = []
    for seed in range(40):
        z, y = surface(n=20, noise=0.5, seed=seed)
        new, values = surface(n=30, noise=0.5, seed=1000 + seed)
        low, high = Posterior.fit(z, y).at(new).batch_interval(0.9).T
        inside.append(np.mean((low < values) & (values < high)))
    # Between-study sd is about 0.08: the mean of 40 has a standard error of 0.013.
    assert np.mean(inside) == pytest.approx(0.90, abs=0.045)


def test_a_perfect_surface_is_followed_closely():
    z, y = surface(noise=0.0)
    new, truth = surface(n=10, noise=0.0, seed=9)
    mixture = Posterior.fit(z, y).at(new)
    assert mixture.mean() == pytest.approx(truth, abs=0.15)
    assert np.all(np.isfinite(mixture.batch_interval()))


@pytest.mark.parametrize(("y", "code"), [([1.0, 2.0], "too-few-batches"), ([3.0] * 8, "all-equal")])
def test_what_cannot_be_modelled_is_named(y, code):
    z = stats.qmc.Sobol(2, scramble=False).random(len(y)) if len(y) == 8 else np.array([[0.0, 0.0], [1.0, 0.0]])
    with pytest.raises(ModelError) as caught:
        Posterior.fit(z, np.array(y))
    assert [p.code for p in caught.value.problems] == [code]
