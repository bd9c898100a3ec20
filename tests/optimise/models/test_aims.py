"""Windows and the published desirability functions, against the article's own example and closed forms."""

import numpy as np
import pytest

from doe.definition.parts import Response
from optimise.models.aims import desirability, overall, ramps

# NIST/SEMATECH e-Handbook 5.5.3.2.2, after Derringer & Suich (1980) J. Qual. Technol. 12(4) 214-219.
TYRE = (
    Response("Abrasion", aim="above", low=120, target=170),
    Response("Modulus", aim="above", low=1000, target=1300),
    Response("Elongation", aim="target", low=400, target=500, high=600),
    Response("Hardness", aim="target", low=60, target=67.5, high=75),
)


def test_the_published_tyre_tread_desirability():
    # Predictions as printed: 136.4, 1571, 450.6, 69.26. The page prints D = 0.596; its d1 = 0.34 and d3 = 0.49 do not
    # follow from its own predictions, which give 0.328 and 0.506.
    printed = dict(zip([r.name for r in TYRE], (136.4, 1571.05, 450.56, 69.26), strict=True))
    d = {r.name: desirability(r, np.array([printed[r.name]]))[0] for r in TYRE}
    assert d["Abrasion"][0] == pytest.approx(0.328)
    assert d["Modulus"][0] == 1.0
    assert d["Elongation"][0] == pytest.approx(0.5056)
    assert d["Hardness"][0] == pytest.approx(0.7653, abs=1e-4)
    assert overall(d, TYRE)[0] == pytest.approx(0.596, abs=1e-3)  # from rounded predictions


@pytest.mark.parametrize(
    ("response", "points"),
    [
        (Response("a", aim="above", low=10, target=20), {5: 0, 10: 0, 12.5: 0.25, 20: 1, 30: 1}),
        (Response("a", aim="above", low=10, target=20, exponent_low=2), {12.5: 0.0625, 15: 0.25}),
        (Response("a", aim="below", high=10, target=6), {5: 1, 6: 1, 9: 0.25, 10: 0, 12: 0}),
        (Response("a", aim="target", low=0, target=4, high=6, exponent_high=0.5), {0: 0, 2: 0.5, 4: 1, 5.5: 0.5}),
        (Response("a", aim="within", low=0, high=6), {-1: 0, 0: 1, 3: 1, 6: 1, 7: 0}),
        (Response("a", aim="above", low=10), {9.99: 0, 10: 1, 50: 1}),
    ],
)
def test_desirability_by_hand(response, points):
    values = np.array(list(points), dtype=float)
    assert desirability(response, values)[0] == pytest.approx(list(points.values()))


@pytest.mark.parametrize("response", [*TYRE, Response("a", aim="below", high=10, target=6, exponent_high=2.5)])
def test_slopes_match_differences(response):
    spread = np.linspace((response.low or 5) * 1.003, (response.high or response.target) * 0.997, 17)
    step = 1e-6 * spread.max()
    slope = desirability(response, spread)[1]
    moved = desirability(response, spread + step)[0] - desirability(response, spread - step)[0]
    assert slope == pytest.approx(moved / (2 * step), rel=1e-4, abs=1e-9)


def test_weights_are_those_of_a_weighted_geometric_mean():
    two = (Response("a", aim="above", low=0, target=1, weight=3), Response("b", aim="above", low=0, target=1))
    d = {"a": np.array([0.5, 1.0]), "b": np.array([0.25, 0.0])}
    assert overall(d, two) == pytest.approx([(0.5**3 * 0.25) ** 0.25, 0.0])


def test_windows_follow_the_aim():
    both = {"low": 1.0, "target": 2.0, "high": 3.0}
    assert Response("a", aim="above", **both).window == (1.0, None)
    assert Response("a", aim="below", **both).window == (None, 3.0)
    assert Response("a", aim="target", **both).window == (1.0, 3.0)
    assert Response("a", aim="within", **both).window == (1.0, 3.0)
    assert Response("a", aim="watch", **both).window == (None, None)


def test_a_pass_is_desired_as_far_as_it_is_likely():
    """Its value is the chance of a pass: 0 is worth nothing, 1 all, and the search goes by the same ramp."""
    response = Response("Lid", kind="pass", aim="above", low=1.0)
    assert desirability(response, np.array([0.0, 0.88, 1.0]))[0] == pytest.approx([0.0, 0.88, 1.0])
    assert desirability(Response("Lid", kind="pass", aim="below", high=0.0), 0.88)[0] == pytest.approx(0.12)
    slopes, walls = ramps([response])
    assert walls == []
    assert (slopes[0].start, slopes[0].full) == (0.0, 1.0)
