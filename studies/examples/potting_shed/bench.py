"""The invented bench of the potting-shed wash: the physics a wash of this kind might follow. Nothing here was measured.

Forms are those of the trade (a power law for gum, packing laws for what is dispersed, a yield criterion for
what is suspended, a buffer equation for pH); the constants are made up, common practice at best.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from studies.bench import Bench, Measure

Array = npt.NDArray[np.float64]

GRAVITY = 9.81
STONE_DENSITY = 1350.0
BASE_DENSITY = 1015.0
STONE_D90 = 500e-6


def truth(levels: pd.DataFrame) -> pd.DataFrame:
    """Median Viscosity [mPa.s], Settled [mm], pH and Spread [score] of recipes (levels in % w/w, minutes)."""
    gum, humectant, emulsifier, wax, stone, minutes = (
        levels[name].to_numpy(float) for name in ("Gum", "Humectant", "Emulsifier", "Wax", "Stone", "Homogenise")
    )
    water = 100.0 - gum - humectant - emulsifier - wax - stone - 1.6
    strength = _gum_strength(gum, water + humectant, emulsifier, minutes)
    oily = (wax + 0.7 * emulsifier) / 92.0
    gritty = stone / STONE_DENSITY * BASE_DENSITY / 100.0
    viscosity = 11500.0 * strength**2.1 * _packed(oily, 0.42) * _packed(gritty, 0.58)
    return pd.DataFrame(
        {
            "Viscosity": viscosity,
            "Settled": _settled(strength, oily, gritty),
            "pH": _ph(emulsifier, stone),
            "Spread": _spread(viscosity, humectant, wax, stone),
        },
        index=levels.index,
    )


def _gum_strength(gum: Array, aqueous: Array, emulsifier: Array, minutes: Array) -> Array:
    """Effective gum in the water phase against 0.55 %: salts of the emulsifier shield it, long shear breaks it."""
    wetted = 1.0 - np.exp(-minutes / 1.8)
    broken = np.exp(-0.0035 * minutes**2)
    shielded = np.exp(-0.03 * (emulsifier - 3.5))
    return gum / aqueous * 100.0 / 0.6 * wetted * broken * shielded / 0.80


def _packed(share: Array, most: float) -> Array:
    """Krieger and Dougherty (1959), relative viscosity of a suspension with volume share `share`; from memory."""
    return (1.0 - share / most) ** (-2.5 * most)


def _settled(strength: Array, oily: Array, gritty: Array) -> Array:
    """Clear layer after a week warm: creep falls off as the yield value exceeds what the coarse grains need.

    Yield needed: g d (difference of densities) / 21, Beris et al. (1985), as in the trade notes.
    """
    needed = GRAVITY * STONE_D90 * (STONE_DENSITY - BASE_DENSITY) / 21.0
    yield_value = 0.55 * strength**2.4 * np.exp(6.0 * oily)
    hindered = (1.0 - gritty) ** 4.65
    return 26.0 * hindered * np.exp(-0.15 * yield_value / needed) + 0.15


def _ph(emulsifier: Array, stone: Array) -> Array:
    """Citrate buffer (third pKa 6.40 less an ionic-strength shift, from memory) meeting alkali of the materials."""
    acid = 3.2 - 0.16 * (emulsifier - 3.5) - 0.14 * (stone - 3.0)
    base = 1.0 + 0.16 * (emulsifier - 3.5) + 0.14 * (stone - 3.0)
    return np.asarray(5.75 + np.log10(base / acid), dtype=float)


def _spread(viscosity: Array, humectant: Array, wax: Array, stone: Array) -> Array:
    """What ten invented gardeners like: neither runny nor stiff, some slip, not greasy, grit but not too much."""
    stiff = np.log(viscosity / 17000.0)
    liked = 8.3 - 1.6 * stiff**2 - 0.16 * (wax - 2.8) ** 2 - 0.20 * (stone - 2.6) ** 2 + 0.22 * (humectant - 4.2)
    return np.asarray(10.0 / (1.0 + np.exp(-(liked - 5.0) / 2.2)), dtype=float)


BENCH = Bench(
    truth,
    {
        "Viscosity": Measure(log=True, batch_sd=0.08, reading_sd=0.02, digits=3, readings=2, batch_on=0.6),
        "Settled": Measure(log=True, batch_sd=0.12, reading_sd=0.04, digits=2, batch_on=-0.5),
        "pH": Measure(log=False, batch_sd=0.06, reading_sd=0.02, digits=2),
        "Spread": Measure(log=False, batch_sd=0.25, reading_sd=0.1, digits=1),
    },
)
