"""The invented bench of the tide-pool mask: the physics a mask of this kind might follow. Nothing here was measured.

Forms are those of the trade (a power law for gum and clay together, the law of Herschel and Bulkley for the flow curve,
buffer equations for pH); the constants are made up, common practice at best.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from studies.bench import Bench, Curve, Measure
from studies.examples.tide_pool.way_out import taken as way_out

__all__ = ["BENCH", "truth", "way_out"]

Array = npt.NDArray[np.float64]

BLUE, SORBATE = "Blue perlite", "Sorbate"
SORBIC_PKA, CITRIC_PKA = 4.76, 6.40  # the last of citric acid; from memory
SORBATE_G_MOL = 150.218


def truth(levels: pd.DataFrame) -> pd.DataFrame:
    """Median Yield value [Pa], Consistency [Pa s^n], Spreads [score] and pH of recipes (levels in % w/w)."""
    gum, glycerin, clay, beads, preservative = (
        levels[name].to_numpy(float) for name in ("Gum", "Glycerin", "Clay", "Beads", "Preservative")
    )
    blue = levels["material: Beads"].to_numpy() == BLUE
    acid = levels["material: Preservative"].to_numpy() == SORBATE
    water = 100.0 - gum - clay - beads - preservative - 0.65
    strength = gum / water / 0.0075 * np.exp(0.055 * (clay - 7.0)) * _packed(beads, blue)
    yield_value = 1.5 * strength**2.1 * np.where(acid, 0.93, 1.0)  # salt draws the edges of the clay together
    return pd.DataFrame(
        {
            "Yield value": yield_value,
            "Consistency": 1.9 * strength**1.5,
            "Spreads": _spreads(yield_value, glycerin, clay, beads, blue),
            "pH": np.where(acid, _ph_of_sorbate(preservative, clay, beads), _ph_of_citrate(clay, beads, blue)),
        },
        index=levels.index,
    )


def _packed(beads: Array, blue: npt.NDArray[np.bool_]) -> Array:
    """What beads add by the room they take: light ones take more of it."""
    share = beads / 100.0 * 1.07 / np.where(blue, 0.62, 1.45)
    return np.asarray((1.0 - share / 0.6) ** -0.6, dtype=float)


def _ph_of_sorbate(sorbate: Array, clay: Array, beads: Array) -> Array:
    """Sorbate as its own buffer: citric acid that clay and slate have not taken up makes a part of it sorbic acid."""
    salt = 1e4 * sorbate / SORBATE_G_MOL  # mmol/kg
    free = 7.4 - 0.22 * clay - 0.8 * (beads - 2.0)
    return np.asarray(SORBIC_PKA + np.log10((salt - free) / free), dtype=float)


def _ph_of_citrate(clay: Array, beads: Array, blue: npt.NDArray[np.bool_]) -> Array:
    """The last step of citric acid, met by the alkali of clay and beads."""
    met = np.where(blue, 0.78 + 0.02 * (beads - 2.0), 0.70 + 0.03 * (beads - 2.0)) + 0.005 * (clay - 7.0)
    return np.asarray(CITRIC_PKA + np.log10(met / (1.0 - met)), dtype=float)


def _spreads(yield_value: Array, glycerin: Array, clay: Array, beads: Array, blue: npt.NDArray[np.bool_]) -> Array:
    """What eight invented testers like: soft under the finger, some slip, little drag, few hard grains."""
    liked = 6.9 - 0.9 * np.log(yield_value / 1.2) - 0.10 * (clay - 6.0) + 0.16 * (glycerin - 5.5)
    liked = liked - 0.25 * (beads - 2.0) - np.where(blue, 0.0, 0.5)
    return np.asarray(10.0 / (1.0 + np.exp(-(liked - 5.0) / 2.2)), dtype=float)


BENCH = Bench(
    truth,
    {
        "Yield value": Measure(log=True, batch_sd=0.12, readings=0, batch_on=0.9),
        "Consistency": Measure(log=True, batch_sd=0.08, readings=0, batch_on=0.9),
        "Spreads": Measure(log=False, batch_sd=0.25, reading_sd=0.1, digits=1, batch_on=-0.4),
        "pH": Measure(log=False, batch_sd=0.05, reading_sd=0.02, digits=2),
    },
    curves=(Curve("Flow curve", "Yield value", "Consistency", 0.42, (0.01, 0.03, 0.1, 0.3, 1, 3, 10, 30, 100), 0.02),),
)
