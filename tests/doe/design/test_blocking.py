"""Textbook plans stay textbook in blocks."""

from itertools import combinations

import numpy as np
import pytest

from doe import Study, plan
from doe.design.blocking import central_composite, confounded
from doe.design.classical import box_behnken, fractional, two_level
from doe.search.allocation import in_blocks, sizes


def study(k, keys):
    text = '[study]\nname = "f"\n' + "".join(f'[[factor]]\nname = "{n}"\nlow = 0\nhigh = 10\n' for n in "ABCDEF"[:k])
    return Study.from_toml(text + f'[[response]]\nname = "y"\naim = "watch"\n[plan]\n{keys}\n')


@pytest.mark.parametrize(
    "k,blocks,lengths",
    [
        # Montgomery, Design and Analysis of Experiments, ch. 7 (from memory): ABC; ABCD; ACD and BCD with AB; for 2^5
        # ABCDE, then ABC and CDE with ABDE; for 2^6 in eight blocks nothing shorter than three letters.
        (3, 2, [3]), (4, 2, [4]), (4, 4, [2, 3, 3]), (5, 2, [5]), (5, 4, [3, 3, 4]), (6, 8, [3, 3, 3, 3, 4, 4, 4]),
    ],
)  # fmt: skip
def test_two_level_plans_are_parted_by_the_longest_words(k, blocks, lengths):
    rows = two_level(k)
    block, words = confounded(rows, blocks, np.column_stack([np.ones(2**k), rows]))
    assert sorted(len(word) for word in words) == lengths
    assert np.bincount(block).tolist() == [2**k // blocks] * blocks
    for word in words:
        product = rows[:, word].prod(axis=1)
        assert all(np.ptp(product[block == b]) == 0 for b in range(blocks))


def test_the_model_is_kept_clear_of_blocks():
    # 2^4 in four blocks loses one two-factor product; the one that the model asks for is kept.
    rows = two_level(4)
    plain = np.column_stack([np.ones(16), rows])
    lost = next(word for word in confounded(rows, 4, plain)[1] if len(word) == 2)
    F = np.column_stack([plain, rows[:, lost].prod(axis=1)])
    block, words = confounded(rows, 4, F)
    assert lost not in words
    means = np.array([F[block == b].mean(axis=0) for b in range(4)])
    assert np.ptp(means, axis=0).max() == pytest.approx(0)


def test_a_fraction_counts_aliases():
    # E = ABCD: every word of four letters is a single factor, so the block word is a product of two or three factors.
    rows = fractional(5, "E = ABCD")
    _, words = confounded(rows, 2, np.column_stack([np.ones(16), rows]))
    assert [len(word) for word in words] == [2]


def test_what_is_no_regular_plan_is_left_to_swaps():
    rows = two_level(3)
    assert confounded(rows[:6], 2, rows[:6]) is None
    assert confounded(rows, 3, rows) is None
    assert confounded(rows, 8, rows) is None


@pytest.mark.parametrize(
    "k,blocks,trials,reach",
    # Box & Hunter (1957), as tabled in Myers & Montgomery (from memory): trials in all, distance of the star.
    [(2, 2, 14, 1.414), (3, 3, 20, 1.633), (4, 3, 30, 2.0), (5, 5, 54, 2.366)],
)
def test_central_composites_in_orthogonal_blocks(k, blocks, trials, reach):
    made = central_composite(k, blocks, None, face=False, rotatable=False)
    assert made.reach == pytest.approx(reach, abs=5e-4)
    assert len(made.rows) == trials
    X = made.rows
    F = np.column_stack([X, X**2, *(X[:, i] * X[:, j] for i, j in combinations(range(k), 2))])
    means = np.array([F[made.block == b].mean(axis=0) for b in range(blocks)])
    assert np.allclose(means, F.mean(axis=0))


def test_plans_in_blocks_come_out_of_plan_as_the_textbook_has_them():
    design = plan(study(3, 'design = "central-composite"\nmodel = "quadratic"\nblocks = ["cube 1", "cube 2", "star"]'))
    assert design.quality.blocks["kept"] == pytest.approx(1)
    assert design.runs["block"].value_counts().to_dict() == {"star": 8, "cube 1": 6, "cube 2": 6}
    half = plan(study(4, 'design = "factorial"\nmodel = "linear"\nblocks = 2\ncentre_points = 4\nruns = 20'))
    signs = (half.table[list("ABCD")].to_numpy() - 5) / 5
    corner = np.abs(signs).min(axis=1) > 0.5
    product = signs[corner].prod(axis=1)
    assert len(set(zip(product, half.runs["block"][corner], strict=True))) == 2
    assert half.runs["block"][~corner].value_counts().to_dict() == {1: 2, 2: 2}
    assert any("A × B × C × D" in f.got for f in half.findings)
    # With the star on the faces blocks cannot be orthogonal, and how much that costs is said.
    face = plan(study(2, 'design = "central-composite"\nmodel = "quadratic"\nblocks = 2\naxial = "face"'))
    assert face.quality.blocks["kept"] < 0.99
    assert any(f.code == "blocks-not-orthogonal" for f in face.findings)


@pytest.mark.parametrize("k,blocks,centres", [(4, 3, 3), (5, 2, 6)])
def test_box_behnken_plans_have_orthogonal_blocks(k, blocks, centres):
    # Box & Behnken (1960): four factors in three blocks of nine, five in two of twenty-three.
    X = np.concatenate([box_behnken(k), np.zeros((centres, k))])
    F = np.column_stack([np.ones(len(X)), X, X**2, *(X[:, i] * X[:, j] for i, j in combinations(range(k), 2))])
    block = in_blocks(F, range(len(X)), sizes(len(X), blocks), 1)
    means = np.array([F[block == b].mean(axis=0) for b in range(blocks)])
    assert np.allclose(means, F.mean(axis=0))
