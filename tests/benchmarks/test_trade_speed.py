"""How long all checks of the trade take on 10 000 formulas: under a second, so that a search can use them as limits."""

import time

import numpy as np
import pandas as pd
import pytest

from doe import Study
from doe.trade import Given, TradeChecks

FORMULAS = 10_000
# Every kind of fact that a check rests on. Invented.
STUDY = {
    "study": {"name": "Invented, every fact given", "product": "leave-on", "market": "EU"},
    "ingredient": [
        {"name": "Water", "qs": True, "inci": "Aqua"},
        {"name": "Gum", "low": 0.1, "high": 1.0, "inci": "Xanthan Gum", "use_low": 0.2, "use_high": 0.9},
        {"name": "Glycerin", "low": 0.0, "high": 6.0, "density": 1.26, "natural_share": 1.0},
        {"name": "Oil", "low": 3.0, "high": 15.0, "required_hlb": 11, "density": 0.92, "natural_share": "98 %"},
        {"name": "Wax", "low": 1.0, "high": 5.0, "required_hlb": 9, "density": 0.96, "melts_c": 62},
        {"name": "Emulsifier A", "low": 0.5, "high": 4.0, "hlb": 15, "ph_low": 4, "ph_high": 8},
        {"name": "Emulsifier B", "low": 0.5, "high": 4.0, "hlb": 5, "charge": "anionic"},
        {"name": "Conditioner", "low": 0.0, "high": 2.0, "inci": "Behentrimonium Chloride"},
        {"name": "Beads", "low": 0.0, "high": 5.0, "density": 0.94, "d50_um": 500, "polymer": "synthetic"},
        {"name": "Salt", "low": 0.0, "high": 1.0, "inci": "Potassium Sorbate", "ph_high": 5.5},
        {"name": "Alcohol", "low": 0.0, "high": 1.2, "inci": "Benzyl Alcohol"},
        {"name": "Scent", "low": 0.0, "high": 1.0, "allergens": {"Linalool": 0.03, "Citral": 0.02, "Geraniol": 0.01}},
        {"name": "Clay", "low": 0.0, "high": 4.0, "density": 2.5, "d50_um": 20, "made_of": {"Kaolin": 1.0}},
    ],
    "response": [{"name": "pH", "unit": "pH", "method": "meter", "aim": "within", "low": 5.0, "high": 6.0}],
}  # fmt: skip


def chosen():
    """The same study with three materials to choose from in three places: 27 combinations."""
    places = ("Gum", "Emulsifier A", "Salt")
    choice = {name: [{"name": f"{name} {k}", "ph_high": 5.0 + k} for k in range(3)] for name in places}
    items = [
        item | ({"choice": choice[item["name"]]} if item["name"] in places else {}) for item in STUDY["ingredient"]
    ]
    return STUDY | {"ingredient": items}


@pytest.mark.parametrize("source", [STUDY, chosen()], ids=["one material each", "27 choices"])
def test_ten_thousand_formulas_in_under_a_second(source):
    study = Study.from_dict(source)
    points = pd.DataFrame(study.region.sample(FORMULAS, 1), columns=list(study.region.names))
    combos = study.region.combinations
    for name in study.region.categories:
        points[name] = [combos[i % len(combos)][name] for i in range(FORMULAS)]
    levels = study.complete(points)
    given = Given(ph=np.linspace(4.5, 7.5, FORMULAS), yield_pa=np.geomspace(0.01, 10, FORMULAS), how="predicted")
    checks = TradeChecks(study)
    took = {}
    for name, run in {
        "all checks as numbers": lambda: checks.by_choice(levels, given),
        "allowed or not": lambda: checks.allowed(levels, given),
        "told together": lambda: checks.together(levels, given),
    }.items():
        start = time.perf_counter()
        out = run()
        took[name] = time.perf_counter() - start
    found = checks.by_choice(levels, given)[0][1]
    print(  # noqa: T201
        f"\n{len(found)} checks on {FORMULAS} formulas: " + ", ".join(f"{k} {v:.3f} s" for k, v in took.items())
    )
    assert len({check.code for check in found}) >= 12
    assert max(took.values()) < 1.0
    assert out
