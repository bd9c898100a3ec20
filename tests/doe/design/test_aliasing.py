"""What two-level plans mix up, against published resolutions and words.

Resolutions of the tabled fractions: NIST/SEMATECH e-Handbook of Statistical Methods, table 5.3.3.4.7 (from memory); the
words of the 2^(7-4) and 2^(5-1) plans: the same, 5.3.3.4.4. Plackett-Burman plans of 12 runs: every product of two is
a third of each other main effect (Box, Hunter & Hunter 2005, section 7.3; from memory).
"""

import numpy as np
import pytest

from doe.design.aliasing import two_level
from doe.design.classical import _GENERATORS, fractional, plackett_burman

RESOLUTION = {
    (3, 4): 3, (4, 8): 4, (5, 8): 3, (5, 16): 5, (6, 8): 3, (6, 16): 4, (6, 32): 6, (7, 8): 3, (7, 16): 4, (7, 32): 4,
    (7, 64): 7, (8, 16): 4, (8, 32): 4, (8, 64): 5, (9, 16): 3, (9, 32): 4, (9, 64): 4, (9, 128): 6, (10, 16): 3,
    (10, 32): 4, (10, 64): 4, (10, 128): 5, (11, 16): 3, (11, 32): 4, (11, 64): 4, (11, 128): 5,
}  # fmt: skip


@pytest.mark.parametrize("size", list(_GENERATORS))
def test_tabled_fractions_have_the_published_resolution(size):
    k, runs = size
    U = fractional(k, _GENERATORS[size])
    assert U.shape == (runs, k)
    found = two_level(U, list("ABCDEFGHJKLMNOP"[:k]))["resolution"]
    assert found == (RESOLUTION[size] if RESOLUTION[size] <= 5 else None)


def test_words_and_chains_of_a_half_fraction():
    found = two_level(fractional(5, "E = ABCD"), list("ABCDE"))
    assert [word["factors"] for word in found["words"]] == [list("ABCDE")]
    assert found["chains"] == []
    quarter = two_level(fractional(4, "D = -ABC"), list("ABCD"))
    assert quarter["words"] == [{"factors": list("ABCD"), "sign": -1}]
    assert quarter["chains"] == [
        {"A × B": 1, "C × D": -1}, {"A × C": 1, "B × D": -1}, {"A × D": 1, "B × C": -1}
    ]  # fmt: skip


def test_main_effects_of_a_saturated_fraction():
    found = two_level(fractional(7, _GENERATORS[7, 8]), list("ABCDEFG"))
    assert found["resolution"] == 3
    assert {"D": 1, "A × B": 1, "C × G": 1, "E × F": 1} in found["chains"]
    assert len(found["words"]) == 7 + 7  # seven words of three factors, seven of four, of the sixteen


def test_plackett_burman_is_mixed_up_in_thirds():
    found = two_level(plackett_burman(11), [f"X{i}" for i in range(11)])
    assert found["partial"] == pytest.approx(1 / 3)
    assert found["resolution"] == pytest.approx(3 + 2 / 3)
    assert found["chains"] == []


def test_centre_points_and_other_plans():
    U = np.vstack([fractional(4, "D = ABC"), np.zeros((3, 4))])
    assert two_level(U, list("ABCD"))["resolution"] == 4
    assert two_level(np.array([[0.5, 1.0], [1, -1], [-1, 1], [1, 1]]), ["a", "b"]) == {}
