"""The same model in another coding: how coefficients of one become coefficients of the other."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from doe.problems import Unavailable
from doe.region.region import Region
from doe.terms.codings import Coding
from doe.terms.terms import Terms

Array = npt.NDArray[np.float64]

_SAME = 1e-9
_DUST = 1e-13


def recoding(terms: Terms, region: Region, given: Coding, wanted: Coding) -> Array | Unavailable:
    """The matrix T (p, p) with coefficients(wanted) = T coefficients(given); a covariance becomes T V T'.

    It holds wherever the blend adds up to its total, inside the region or not. Where the terms do not span the same
    functions in both codings (a product without the terms that divide it, say), the answer is why not. Both codings
    are first written in the well-scaled one, so that nothing is lost when units differ by powers of ten.
    """
    X, chosen = _points(terms, region)
    base = terms.rows(X, chosen, terms.fitting_coding(region))
    first, second = terms.rows(X, chosen, given), terms.rows(X, chosen, wanted)
    one, other = _written(base, first), _written(base, second)
    if one is not None and other is not None:
        size = np.linalg.norm(other, axis=0)
        solved: Array = np.linalg.solve(other / size, one) / size[:, None]
        return solved
    direct = _written(second, first)
    if direct is None:
        return Unavailable(
            f"in the coding {wanted.name} these terms make another model than in {given.name}",
            "keep the terms that divide every product, or read the coefficients in the coding of the fit",
        )
    return direct


def _written(columns: Array, wanted: Array) -> Array | None:
    """The coefficients (p, p) by which `columns` (n, p) make each of `wanted` (n, p), or None where they cannot."""
    size, aim = np.linalg.norm(columns, axis=0), np.linalg.norm(wanted, axis=0)
    if not size.all() or not aim.all():
        return None
    scaled = columns / size
    found, _, rank, _ = np.linalg.lstsq(scaled, wanted / aim, rcond=1e-12)
    if rank < columns.shape[1] or np.abs(scaled @ found - wanted / aim).max() > _SAME:
        return None
    found[np.abs(found) <= _DUST * np.abs(found).max(axis=0)] = 0.0
    out: Array = found / size[:, None] * aim
    return out


def _points(terms: Terms, region: Region) -> tuple[Array, dict[str, npt.NDArray[np.object_]]]:
    """Points spread wide enough to tell the terms apart, with the blend at its total; always the same ones."""
    rng = np.random.default_rng(np.random.SeedSequence([31, len(terms)]))
    n = 6 * len(terms) + 40
    code = terms.fitting_coding(region)
    V = rng.uniform(-1.0, 1.0, size=(n, len(region.names)))
    X = V * code.scale + code.shift
    blend = [region.names.index(name) for name in region.blend]
    if blend:
        low = np.array([region.reach[name][0] for name in region.blend])
        total = region.blend_total or 0.0
        room = total - low.sum()
        if room <= 1e-9 * abs(total):
            low, room = np.zeros(len(blend)), total
        mixed = low + room * rng.dirichlet(np.full(len(blend), 0.7), size=n)
        if region.fill is None or terms.form == "scheffe":
            X[:, blend] = mixed
        else:
            fill = region.names.index(region.fill)
            X[:, fill] = total - X[:, [j for j in blend if j != fill]].sum(axis=1)
    chosen = {
        name: np.array(levels, dtype=object)[rng.integers(len(levels), size=n)]
        for name, levels in region.categories.items()
    }
    return X, chosen
