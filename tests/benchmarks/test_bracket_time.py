"""How long the best possible plan and its proof take, in processor time, and how close the bracket is.

Printed, one row a region and criterion; only what is promised of the bracket is asserted, and that it is sound.
By hand: pytest -o addopts=--import-mode=importlib tests/benchmarks/test_bracket_time.py -s
"""

import sys
import time

import numpy as np
import pytest

from doe import Region, Terms
from doe.ideal import bracket
from doe.ideal.approximate import optimum
from doe.ideal.bracket import bounded, proven
from doe.ideal.symmetry import pieces, spread_of
from doe.search.spaces import layout

# Ingredients and factors; regions are bounded blends drawn with the seed 0, or the cube where there are no ingredients.
SIZES = [
    (3, 0), (4, 0), (3, 1), (5, 0), (4, 1), (3, 2), (6, 0), (5, 1), (4, 2),
    (7, 0), (6, 1), (0, 6), (8, 0), (7, 1), (0, 7), (9, 0), (8, 1), (10, 0),
]  # fmt: skip
HEADINGS = ("blend", "factors", "free", "terms", "corners", "by", "found s", "1 % s", "0.3 % s", "proof s", "proven")


def region_of(q, p):
    rng = np.random.default_rng(0)
    low = rng.uniform(0, 0.12, q)
    high = low + rng.uniform(0.15, 0.45, q)
    low = low / max(1, low.sum() * 1.6)
    names = [f"x{i}" for i in range(q)] + [f"z{i}" for i in range(p)]
    return Region.build(
        names=names, blend=names[:q], blend_total=1.0 if q else None, fill=names[q - 1] if q else None,
        low=np.concatenate([low, -np.ones(p)]), high=np.concatenate([high, np.ones(p)]),
    )  # fmt: skip


def seconds(call):
    start = time.process_time()
    return call(), time.process_time() - start


def to_level(plan, best, share):
    """Processor time until nothing exceeds the mean by this share, by cutting the region up; nan when it gives up."""
    spread = spread_of(plan, best)

    def once():
        parts = pieces(spread, plan, halved=True)
        return (
            bracket._greatest(spread.best, parts, 20_000, share, finest=share) if plan.region.dimension < 7 else np.inf
        )

    greatest, taken = seconds(once)
    return taken if greatest <= spread.best.mean * (1 + share) * 1.0005 else np.nan


def looked_at(plan, best):
    """The greatest variance at many places of the region, as a share of the proven bound."""
    spread, greatest = bounded(plan, best)
    U = plan.region.coded(plan.region.sample(20_000, seed=9))
    F = plan.space.model(U, np.zeros((len(U), 0), dtype=np.intp))
    return float(np.einsum("np,np->n", F @ spread.shape, F).max() / greatest)


@pytest.fixture(scope="module", autouse=True)
def _headings():
    sys.stdout.write("\n" + "  ".join(f"{h:>8}" for h in HEADINGS) + "\n")


@pytest.mark.parametrize("name", "DI")
@pytest.mark.parametrize("q,p", SIZES)
def test_the_bracket_keeps_its_promise(q, p, name):
    plan = layout(region_of(q, p), Terms.build(region_of(q, p), "quadratic"))
    best, found = seconds(lambda: optimum(plan, plan.criterion(name), 30))
    sure, proof = seconds(lambda: proven(plan, best))
    d = plan.region.dimension
    row = (q, p, d, len(plan.terms), plan.region.vertex_count, name, found, to_level(plan, best, 0.01))
    row = (*row, to_level(plan, best, 0.003), proof, sure)
    told = [f"{v:8.4f}" if v is row[-1] else f"{v:8.3f}" if isinstance(v, float) else f"{v:>8}" for v in row]
    sys.stdout.write("  ".join(told) + "\n")
    assert sure >= (0.997 if d <= 4 else 0.99 if d <= 5 else 0.85)
    assert sure <= 1
    if d <= 5:
        assert looked_at(plan, best) <= 1
