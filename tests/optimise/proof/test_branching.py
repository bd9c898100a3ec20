"""Bounds that proofs rest on, against dense points; and what is proven against known and published answers."""

from functools import lru_cache

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from doe import Study
from optimise.formula.brief import Brief
from optimise.formula.peaks import Multistart, Peak
from optimise.formula.space import Space
from optimise.models.aims import desirability, overall
from optimise.models.chance import joint_chance
from optimise.models.models import fit
from optimise.proof import batches, branching, tlaw
from optimise.proof.association import share_of_log
from optimise.proof.boxes import Boxes, tightened
from optimise.proof.branching import prove
from optimise.proof.certify import searched
from optimise.proof.chancebound import ChanceBound, _chord
from optimise.proof.chancefield import ChanceField
from optimise.proof.cuts import Quadratic
from optimise.proof.desirabilityfield import DesirabilityField
from optimise.proof.expansion import Vicinity
from optimise.proof.quadratics import highest, narrowed
from optimise.search import find
from optimise.statistics.predictive import TMixture

SEEDS = st.integers(0, 10_000)


def study_of(responses, factors=2, model="quadratic", ingredients=(), limits=()):
    source = {
        "study": {"name": "proof", **({"total": 100} if ingredients else {})},
        "factor": [{"name": f"P{j}", "low": -1, "high": 1} for j in range(factors)],
        "response": responses,
        "plan": {"model": model},
    }
    if ingredients:
        source["ingredient"] = [{"name": "Water", "qs": True}, *ingredients]
    if limits:
        source["limit"] = [{"rule": rule} for rule in limits]
    return Study.from_dict(source)


def made(study, truth, n, seed, noise=0.0):
    """Trials spread over the region with readings of `truth`, a function of coded coordinates and the response."""
    region = study.region
    rng = np.random.default_rng(seed)
    corners = region.vertex_array
    X = np.vstack([corners, region.sample(max(n - len(corners), 6), seed=seed)])
    frame = study.complete(pd.DataFrame(X, columns=list(region.names)))
    for number, response in enumerate(study.fitted_responses):
        frame[response.name] = truth(region.coded(X), number) + noise * rng.normal(size=len(X))
    return frame.set_axis([f"H{i}" for i in range(len(X))])


GUM = {"name": "Gum", "low": 0.2, "high": 1.2}
WAX = {"name": "Wax", "low": 1.0, "high": 5.0}
OIL = {"name": "Oil", "low": 2.0, "high": 8.0}
BRIEF = [
    {"name": "Thick", "unit": "u", "method": "m", "aim": "target", "low": 9.5, "target": 10, "high": 10.5},
    {"name": "Soft", "unit": "u", "method": "m", "aim": "above", "low": 9.3, "target": 12},
    {"name": "Pale", "unit": "u", "method": "m", "aim": "below", "target": 6, "high": 9.2, "scale": "log"},
]


def bowl(U, number):
    """Three surfaces that pull apart, the last above 0."""
    rise = U @ np.linspace(1.5, -1.0, U.shape[1])
    return [10 + rise - U[:, 0] * U[:, 1], 10 - 0.8 * rise - 0.5 * U[:, 1] ** 2, 9 * np.exp(0.2 * rise)][number]


@lru_cache(maxsize=8)
def case(terms, model="quadratic"):
    """A blend with a limit and a process factor, fitted; its brief and space."""
    study = study_of(BRIEF, 1, model, (GUM, WAX, OIL), ("Wax + Oil <= 11",))
    models = fit(study, study.results(made(study, bowl, 34, 5, 0.35)), terms=terms)
    brief = Brief.of(study, models, "desirability" if terms == "planned" else "chance")
    return models, brief, Space.build(study, None, brief.exact)


def field_of(models, brief, space, objective):
    """The brief and the field of an objective at the first combination."""
    if objective == "chance":
        return brief, ChanceField.of(space, space.combos[0], brief.fence, brief.aimed)
    brief = Brief.of(brief.study, models, objective)
    return brief, DesirabilityField.of(space, space.combos[0], brief.fence, brief.properties)


def spread(rng, a, w):
    """A point of each box |u - a| <= w, often on its edge."""
    share = rng.uniform(-1, 1, a.shape)
    return a + w * np.where(rng.random(a.shape) < 0.5, np.sign(share), share)


# -- quadratics, boxes, the t law ------------------------------------------------------------------------------------


def quadratics(rng, d, curved=1.0):
    """Slopes (8, d) and curvatures (8, d, d) of eight quadratics, half-widths (8, d) of boxes, rows kept."""
    g, w = rng.normal(size=(8, d)), rng.uniform(0.01, 1, (8, d))
    B = curved * rng.normal(size=(8, d, d))
    B = B + B.transpose(0, 2, 1) - curved * rng.uniform(0, 3) * np.eye(d)
    G, room = rng.normal(size=(3, d)), rng.uniform(0, 0.5, (8, 3))
    return g, B, w, G, room


@settings(max_examples=40, deadline=None)
@given(seed=SEEDS, d=st.integers(1, 5))
def test_no_point_of_a_box_is_above_the_bound_of_its_quadratic(seed, d):
    rng = np.random.default_rng(seed)
    g, B, w, G, room = quadratics(rng, d)
    bound, place = highest(g, B, w, G, room)
    assert (np.abs(place) <= w + 1e-12).all()
    for _ in range(60):
        t = spread(rng, np.zeros((8, d)), w)
        value = (g * t).sum(axis=1) + 0.5 * np.einsum("nd,nde,ne->n", t, B, t)
        kept = (t @ G.T <= room).all(axis=1)
        assert (value <= bound + 1e-9)[kept].all()


@settings(max_examples=40, deadline=None)
@given(seed=SEEDS, d=st.integers(1, 5), curved=st.sampled_from([0.0, 1e-9, 1.0]))
def test_narrowing_a_box_keeps_every_point_that_is_high_enough(seed, d, curved):
    rng = np.random.default_rng(seed)
    g, B, w, G, room = quadratics(rng, d, curved)
    bound, _ = highest(g, B, w, G, room)
    need = bound - rng.choice([0.0, 0.05, 0.5], 8) * np.abs(bound)
    found, low, high = narrowed(g, B, w, need, G, room)
    assert (found <= bound + 1e-12).all()
    assert (low >= -w).all()
    assert (low <= high).all()
    assert (high <= w).all()
    for _ in range(200):
        t = spread(rng, np.zeros((8, d)), w)
        value = (g * t).sum(axis=1) + 0.5 * np.einsum("nd,nde,ne->n", t, B, t)
        high_enough = (value >= need) & (t @ G.T <= room).all(axis=1)
        assert ((t >= low - 1e-12) & (t <= high + 1e-12)).all(axis=1)[high_enough].all()


@settings(max_examples=40, deadline=None)
@given(seed=SEEDS, d=st.integers(1, 5))
def test_what_a_quadratic_reaches_is_met_in_the_box_and_no_start_is_left_downhill(seed, d):
    """Against the bound, which nothing in the box exceeds, and the corners that are climbed from."""
    rng = np.random.default_rng(seed)
    g, w = rng.normal(size=(8, d)), rng.uniform(0.01, 1, (8, d))
    B = rng.normal(size=(8, d, d))
    cut = Quadratic(rng.normal(size=8), g, B + B.transpose(0, 2, 1))

    def value(t):
        return cut.level + (g * t).sum(axis=1) + 0.5 * np.einsum("nd,nde,ne->n", t, cut.bend, t)

    start = spread(rng, np.zeros((8, d)), w)
    end = cut.peak(w, start)
    assert (np.abs(end) <= w).all()
    assert (value(end) >= value(start) - 1e-12).all()
    assert (cut.reached(w) <= cut.level + highest(g, cut.bend, w)[0] + 1e-9).all()
    assert (cut.reached(w) >= value(w * np.sign(g)) - 1e-12).all()


def test_the_chord_of_an_inverse_root_is_nowhere_below_it():
    least = np.array([0.0, 1e-9, 0.01, 0.3, 0.9, 0.99])
    most = np.array([0.0, 5e-7, 1e-3, 0.4, 30.0])
    least, most = (part.ravel() for part in np.meshgrid(least, most))
    root, fall = _chord(least, most)
    assert (fall > 0).all()
    for share in np.linspace(0, 1, 101):
        e = share * (least + most) - least
        assert (root - fall * e >= (1 + e) ** -0.5 - 1e-14).all()
    # It meets the curve at both ends where these lie apart.
    wide = least + most > 1e-3
    assert (root + fall * least)[wide] == pytest.approx((1 - least[wide]) ** -0.5)
    assert (root - fall * most)[wide] == pytest.approx((1 + most[wide]) ** -0.5)


def test_a_narrowed_box_by_hand():
    # 1 - t²/2 - s is at least 1/2 for |t| <= 1 and s <= 1/2 only.
    found, low, high = narrowed(
        np.array([[0.0, -1.0]]), np.diag([-1.0, 0.0])[None], np.array([[3.0, 1.0]]), np.array([-0.5])
    )
    assert found[0] == pytest.approx(1.0)
    # With s at its best, -1, the parabola may fall by 1.5; with t at its best s may rise from -1 by 1.5.
    assert low[0] == pytest.approx([-np.sqrt(3.0), -1.0], abs=1e-6)
    assert high[0] == pytest.approx([np.sqrt(3.0), 0.5], abs=1e-6)


def test_a_concave_quadratic_is_bounded_by_its_top_on_a_limit():
    # -(t1² + t2²)/2 + t1 + t2 under t1 + t2 <= 1: the top is at (1/2, 1/2), 3/4, by Lagrange.
    g, B, w = np.ones((1, 2)), -np.eye(2)[None], np.full((1, 2), 5.0)
    bound, _ = highest(g, B, w, np.ones((1, 2)), np.ones((1, 1)))
    assert bound[0] == pytest.approx(0.75, abs=1e-5)


@settings(max_examples=30, deadline=None)
@given(seed=SEEDS, d=st.integers(1, 5))
def test_drawing_in_a_box_cuts_off_nothing_that_is_allowed(seed, d):
    rng = np.random.default_rng(seed)
    low = rng.uniform(-1, 0.5, (20, d))
    boxes = Boxes(low, low + rng.uniform(0, 1, (20, d)))
    G, h = rng.normal(size=(4, d)), rng.uniform(-0.3, 0.6, 4)
    found, alive = tightened(boxes, G, h)
    for _ in range(40):
        u = spread(rng, boxes.centre, boxes.half)
        inside = (u @ G.T <= h).all(axis=1)
        assert alive[inside].all()
        assert ((u >= found.low - 1e-12) & (u <= found.high + 1e-12))[inside].all()


@pytest.mark.parametrize("df", [1.0, 2.0, 3.5, 8.0, 26.0, 150.0, np.inf])
def test_the_t_law_and_its_ranges(df):
    law = stats.norm() if np.isinf(df) else stats.t(df)
    x = np.concatenate([np.linspace(-30, 30, 4001), -np.geomspace(30, 500, 100)])
    assert tlaw.cdf(df, x) == pytest.approx(law.cdf(x), abs=1e-11)
    assert tlaw.density(df, x) == pytest.approx(law.pdf(x), abs=1e-12)
    step = 1e-5
    assert tlaw.density_slope(df, x) == pytest.approx((law.pdf(x + step) - law.pdf(x - step)) / (2 * step), abs=1e-7)
    rng = np.random.default_rng(3)
    ends = np.sort(rng.normal(scale=4, size=(300, 2)), axis=1)
    low, high = ends.T
    for _ in range(60):
        at = low + rng.random(300) * (high - low)
        least, most = tlaw.density_slope_range(df, low, high)
        assert (tlaw.density_slope(df, at) >= least - 1e-12).all()
        assert (tlaw.density_slope(df, at) <= most + 1e-12).all()


@pytest.mark.parametrize("df", [1.0, 3.0, 12.0, 80.0, np.inf])
def test_no_value_of_the_t_law_is_above_its_line(df):
    law = stats.norm() if np.isinf(df) else stats.t(df)
    rng = np.random.default_rng(7)
    low, high = np.sort(rng.normal(scale=rng.choice([0.1, 3, 12], 4000)[:, None], size=(4000, 2)), axis=1).T
    at = low + rng.random(4000) * (high - low)
    shrink = rng.random(4000)
    value, rise = tlaw.line_above(df, low, high, at, shrink)
    assert (rise >= 0).all()
    for share in np.linspace(0, 1, 41):
        z = low + share * (high - low)
        assert (law.cdf(z) <= value + rise * (z - at) + 2e-11).all()
        assert (law.cdf(shrink * z) <= value + rise * (z - at) + 2e-11)[z < 0].all()
    # Where it is bent down all over, the line is its tangent.
    down = low >= 0
    assert value[down] == pytest.approx(law.cdf(at[down]), abs=2e-11)


# -- expansions and the chance of one response -----------------------------------------------------------------------


@pytest.mark.parametrize(("terms", "model"), [("all", "quadratic"), ("all", "special-cubic"), ("select", "quadratic")])
@pytest.mark.parametrize("width", [0.4, 0.05])
def test_no_prediction_leaves_what_its_expansion_allows(terms, model, width):
    _, brief, space = case(terms, model)
    combo, d = space.combos[0], space.dimension
    field = ChanceField.of(space, combo, brief.fence, brief.aimed)
    rng = np.random.default_rng(4)
    a, w = rng.uniform(-0.9, 0.9, (30, d)), rng.uniform(0.2, 1, (30, d)) * width
    for one, aim in zip(field.expanders, field.aimed, strict=True):
        vicinity = Vicinity(a, w)
        near, mean = one.at(vicinity), one.mean(vicinity)
        chance = ChanceBound.of(near, (aim.low, aim.high), w)
        cuts = [chance.cut(t) for t in (0 * a, spread(rng, 0 * a, w), w)]
        for _ in range(30):
            u = spread(rng, a, w)
            t = u - a
            law = aim.predictor.at(space.region.decoded(u), space.chosen(combo, len(u)))
            lost = law.location - near.m - np.einsum("ncd,nd->nc", near.m_slope, t)
            assert (np.abs(lost) <= near.m_second * (1 + 1e-7) + 1e-9).all()
            variance = (law.mean_scale / near.sd) ** 2
            over = variance - near.v - np.einsum("ncd,nd->nc", near.v_slope, t)
            size = 1e-9 * (1 + variance)
            assert (over <= near.v_over + size).all()
            bent = 0.5 * np.einsum("nd,ncde,ne->nc", t, near.m_bend, t)
            assert (np.abs(lost - bent) <= near.m_third + 1e-9).all()
            bent = 0.5 * np.einsum("nd,ncde,ne->nc", t, near.v_bend, t) - near.v_third
            assert (over >= bent - size).all()
            assert (over >= -near.v_under - size).all()
            assert (bent >= -near.v_dip - size).all()
            assert (bent <= near.v_second + size).all()
            curve = mean.value + (mean.slope * t).sum(axis=1) + 0.5 * np.einsum("nd,nde,ne->n", t, mean.bend, t)
            assert (np.abs(law.mean() - curve) <= mean.third + 1e-9).all()
            log = np.log(np.maximum(law.chance(aim.low, aim.high), 1e-300))
            assert (log <= chance.top + 1e-9).all()
            for cut in cuts:
                bound = cut.level + (cut.slope * t).sum(axis=1) + 0.5 * np.einsum("nd,nde,ne->n", t, cut.bend, t)
                assert (log <= bound + 1e-9).all()


def test_responses_read_on_the_same_batches_look_at_them_once(monkeypatch):
    _, brief, space = case("select")
    field = ChanceField.of(space, space.combos[0], brief.fence, brief.aimed)
    looked, bells = [], batches.bells
    monkeypatch.setattr(batches, "bells", lambda *given: looked.append(1) or bells(*given))
    a, w = np.zeros((2, space.dimension)), np.full((2, space.dimension), 0.1)
    vicinity = Vicinity(a, w)
    together = [one.mean(vicinity) for one in field.expanders]
    assert len(field.expanders) > 1
    assert len(looked) == 1
    for one, curve in zip(field.expanders, together, strict=True):
        alone = one.mean(Vicinity(a, w))
        assert (alone.value == curve.value).all()
        assert (alone.third == curve.third).all()


# -- whole proofs ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("terms", "objective"), [("all", "chance"), ("select", "chance"), ("all", "desirability")])
def test_no_recipe_is_above_its_box_or_the_final_bound(terms, objective):
    models, brief, space = case(terms)
    combo = space.combos[0]
    brief, field = field_of(models, brief, space, objective)
    multistart = Multistart(brief, space, objective, brief.fence)
    U = space.region.coded(space.region.sample(4000, seed=8))
    U = U[multistart.inside(U, combo)]
    scores = multistart.score(U, combo)
    if objective == "desirability":
        X, chosen = space.region.decoded(U), space.chosen(combo, len(U))
        wants = tuple(p.response for p in brief.properties)
        values = {p.response.name: desirability(p.response, p.values(X, chosen))[0] for p in brief.properties}
        worth = overall(values, wants)
        assert ((scores < -20) == (worth == 0)).all()
        scores = np.where(worth > 0, np.log(np.maximum(worth, 1e-300)), -np.inf)
    for enough in (-np.inf, scores.max() - 1.0, scores.max() - 0.05):
        boxes, high = field.domain.whole(), scores > enough
        for _ in range(5):
            found = field.over(boxes, np.full(boxes.count, np.inf), enough)
            inside = ((U[:, None] >= found.boxes.low) & (U[:, None] <= found.boxes.high)).all(axis=2)
            assert inside.any(axis=1)[high].all()
            assert (scores[:, None] <= np.where(inside, found.upper, np.inf) + 1e-9).all()
            boxes = found.boxes.halved(found.side)
    peaks = multistart.peaks(12)
    proof = searched(multistart, peaks, peaks[0].score, 3e8 if terms == "select" else 2e9).proof
    assert max(scores.max(), peaks[0].score) <= proof.upper
    if terms == "all":
        assert proof.closed
        assert proof.upper <= np.log(np.exp(peaks[0].score) + 0.001) + 1e-12


KNOWN = {
    "corner": (lambda U, _: 5 + U[:, 0] + 2 * U[:, 1] + 0.5 * U[:, 0] * U[:, 1], 8.5),
    "edge": (lambda U, _: 5 + 2 * U[:, 0] - (U[:, 1] - 0.3) ** 2, 7.0),
    "interior": (lambda U, _: 5 - (U[:, 0] - 0.2) ** 2 - 2 * (U[:, 1] + 0.4) ** 2, 5.0),
    "two equal": (lambda U, _: 5 + U[:, 0] ** 2 - U[:, 1] ** 2, 6.0),
    "flat": (lambda U, _: 5 - (U[:, 0] + U[:, 1] - 0.2) ** 2, 5.0),
}


@pytest.mark.parametrize("place", KNOWN)
def test_known_answers_are_proven(place):
    """Surfaces whose top is known by arithmetic: desirability (top + 10) / 40, proven to within 0.001 of it."""
    surface, top = KNOWN[place]
    study = study_of([{"name": "Y", "unit": "u", "method": "m", "aim": "above", "low": -10, "target": 30}])
    models = fit(study, study.results(made(study, surface, 14, 1, 1e-5)), terms="all")
    best = find(study, models, objective="desirability", outside=True)
    assert best.certificate.proved
    assert best.certificate.upper_bound == pytest.approx((top + 10) / 40, abs=1.1e-3)
    assert best.certificate.upper_bound >= best.desirability >= (top + 10) / 40 - 1e-4


def test_the_published_tyre_tread_optimum_is_proven():
    # NIST/SEMATECH e-Handbook 5.5.3.2.2 (Derringer & Suich 1980): D = 0.596 is the best in the cube.
    folder = "tests/published/tyre-tread"
    study = Study.read(folder)
    models = fit(study, study.results(pd.read_csv(f"{folder}/trials.csv")))
    proven = find(study, models, objective="desirability").certificate
    assert proven.proved
    assert proven.upper_bound == pytest.approx(0.596, abs=1.5e-3)


def test_an_empty_brief_has_no_proof():
    study = study_of([{"name": "Y", "unit": "u", "method": "m"}])
    best = find(study, fit(study, study.results(made(study, bowl, 14, 1, 0.1))))
    assert not best.certificate.proved
    assert best.certificate.boxes == 0


def test_the_same_study_gives_the_same_proof():
    models, brief, _ = case("all")
    first, second = (find(brief.study, models).to_dict() for _ in range(2))
    assert first == second


def test_a_search_that_ends_nowhere_is_helped_by_the_proof():
    """Peaks without any worth: the pieces of the region still hold the recipes that are."""
    models, brief, space = case("all")
    brief = Brief.of(brief.study, models, "desirability")
    multistart = Multistart(brief, space, "desirability", brief.fence)
    good = multistart.peaks(12)[0]
    combo = space.combos[0]
    pool = multistart.pool(combo)
    worst = pool[multistart.score(pool, combo).argmin()]
    lost = [Peak(worst, combo, float(multistart.score(worst[None], combo)[0]))]
    found = searched(multistart, lost, lost[0].score)
    assert found.peaks[0].score == pytest.approx(good.score, abs=1e-3)


@settings(max_examples=25, deadline=None)
@given(seed=SEEDS, r=st.integers(2, 5))
def test_chances_that_go_together_pass_no_more_often_than_said(seed, r):
    """At most their product to the power 1 / l, l the largest eigenvalue of the correlation, for any windows.

    A correlation that makes it harder to meet two limits, one a side, does not count.
    """
    rng = np.random.default_rng(seed)
    root = rng.normal(size=(r, r + 1))
    matrix = root @ root.T
    size = np.sqrt(np.diag(matrix))
    matrix = matrix / np.outer(size, size)
    laws = [TMixture.single([rng.normal()], 0.0, 1.0, np.inf) for _ in range(r)]
    ends = np.sort(rng.normal(scale=2, size=(r, 2)), axis=1)
    windows = [(None if rng.random() < 0.3 else low, None if rng.random() < 0.3 else high) for low, high in ends]
    joint = joint_chance(laws, windows, matrix)
    sides = [(low is None) - float(high is None) for low, high in windows]
    share = share_of_log(matrix, sides)
    assert joint.joint[0] <= joint.each.prod() ** share + 5 * joint.error[0] + 1e-9
    assert share >= share_of_log(matrix, np.zeros(r)) == pytest.approx(1 / np.linalg.eigvalsh(matrix)[-1])


def test_limits_that_pull_apart_are_met_together_no_more_often_than_by_chance():
    """Of two that go together, one to be low and one high: at most the product (Slepian's inequality)."""
    matrix = np.array([[1.0, 0.6], [0.6, 1.0]])
    assert share_of_log(matrix, [1, -1]) == 1.0
    assert share_of_log(matrix, [1, 1]) == share_of_log(matrix, [0, -1]) == pytest.approx(1 / 1.6)
    assert share_of_log(-matrix + 2 * np.eye(2), [1, 1]) == 1.0


def test_work_that_runs_out_leaves_a_bound_that_holds():
    _, brief, space = case("select")
    field = ChanceField.of(space, space.combos[0], brief.fence, brief.aimed)
    multistart = Multistart(brief, space, "chance", brief.fence)
    top = multistart.peaks(12)[0].score
    bounds = [prove([field], top + 1e-3, boxes * field.cost) for boxes in (1, 50, 400)]
    assert [proof.closed for proof in bounds] == [False, False, False]
    assert bounds[0].upper >= bounds[1].upper >= bounds[2].upper >= top


@pytest.mark.parametrize(("terms", "objective"), [("all", "chance"), ("select", "chance"), ("all", "desirability")])
def test_every_quadratic_stays_with_its_box_and_no_place_above_what_is_enough_is_lost(terms, objective, monkeypatch):
    """With `enough` below the best score the best stays in an open box, however boxes were cut and drawn in."""
    models, brief, space = case(terms)
    combo = space.combos[0]
    brief, field = field_of(models, brief, space, objective)
    multistart = Multistart(brief, space, objective, brief.fence)
    top, rng, looked, drawn_in = multistart.peaks(12)[0].score, np.random.default_rng(1), [], branching._drawn_in

    def watched(boxes, cut, domain, enough):
        t = spread(rng, np.zeros_like(boxes.low), boxes.half)
        bound = cut.level + (cut.slope * t).sum(axis=1) + 0.5 * np.einsum("nd,nde,ne->n", t, cut.bend, t)
        score = multistart.score(boxes.centre + t, combo)
        allowed = domain.allowed(boxes.centre + t) & multistart.inside(boxes.centre + t, combo)
        assert (score <= bound + 1e-9)[allowed].all()
        found, known = drawn_in(boxes, cut, domain, enough)
        high = (score > enough) & allowed
        kept = (boxes.centre + t >= found.low - 1e-12) & (boxes.centre + t <= found.high + 1e-12)
        assert kept.all(axis=1)[high].all()
        assert (known >= score)[high].all()
        looked.append(np.isfinite(bound).sum())
        return found, known

    monkeypatch.setattr(branching, "_drawn_in", watched)
    for below in (0.02, 1.0):
        proof = prove([field], top - below, 300 * (field.cost + 20_000))
        assert not proof.closed
        assert proof.upper >= top
    assert sum(looked) > 300


def test_a_special_cubic_blend_is_proven():
    """Scheffé's special cubic, also with a fill and a limit, against 20 000 recipes of the region and the search."""
    models, brief, space = case("all", "special-cubic")
    assert any(sum(powers.values()) == 3 for powers in models["Thick"].terms["powers"])
    combo = space.combos[0]
    multistart = Multistart(brief, space, "chance", brief.fence)
    peaks = multistart.peaks(12)
    found = searched(multistart, peaks, peaks[0].score)
    assert found.proof.closed
    U = space.region.coded(space.region.sample(20_000, seed=2))
    scores = multistart.score(U[multistart.inside(U, combo)], combo)
    assert scores.max() <= found.peaks[0].score + 1e-9 <= found.proof.upper + 1e-9
    assert np.exp(found.proof.upper) - np.exp(found.peaks[0].score) <= 0.001
