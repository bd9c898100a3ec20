"""How much more often the musts of a batch may be met together than if each were met or missed by itself.

Two facts about normal variables with a correlation matrix R carry it, whatever the windows:

- the chance that all lie in their windows is at most the product of each one's to the power 1 / l, with l the largest
  eigenvalue of R (a Hölder inequality: Chen, Dafnis & Paouris 2015, Adv. Math. 281, 643-689, from memory);
- it rises with the correlation of two that are to lie on the same side of one limit each, and falls with that of two
  that are to lie on opposite sides, as the derivative by it is the chance's by both limits (Plackett 1954, Biometrika
  41, 351-360; Slepian 1962, Bell Syst. Tech. J. 41, 463-501; both from memory).

So where a correlation only makes it harder to meet two limits at once, it may be left out, as far as what is left is a
correlation matrix.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

_STEPS = 10  # from the matrix as it is to the one without what only makes it harder
_ROUNDING = 1e-12


def share_of_log(correlation: Array, sides: npt.ArrayLike) -> float:
    """The share of the log of the product, 0..1, that bounds the log of the chance of all: 1 where it is the product.

    `correlation` (r, r) of normal variables; `sides` (r,) is 1 for one that has an upper limit alone, -1 for a lower
    limit alone, 0 for a window.
    """
    way = np.asarray(sides, dtype=float)
    harder = np.where(np.outer(way, way) * correlation < 0, correlation, 0.0)
    best = 1.0 if len(way) < 2 else np.inf
    for part in np.linspace(0, 1, _STEPS + 1):
        values = np.linalg.eigvalsh(correlation - part * harder)
        # Between two correlation matrices, all on the way are such too; beyond, there is nothing to compare with.
        if values[0] >= -_ROUNDING:
            best = min(best, float(values[-1]))
    return 1 / max(best, 1.0)
