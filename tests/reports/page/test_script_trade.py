"""The script's checks of the trade say of every formula what the checks themselves say, word for word.

The studies are invented; what the checks hold a formula against is tested with its sources in tests/doe/trade.
"""

import json

import numpy as np
import pandas as pd
import pytest

from doe import Study
from doe.trade import TradeChecks
from doe.trade.suspension import readings_of
from optimise.formula.livemodel import trade_asked
from reports.page.script import SCRIPTS
from studies.commands.new import EXAMPLES, example_toml

pytestmark = pytest.mark.browser

YIELD = {"name": "Yield", "unit": "mPa", "method": "yield stress, invented"}
SLOW = {"name": "Slow", "unit": "mPa.s", "method": "low shear viscosity, invented"}
PH = {"name": "pH", "unit": "pH", "method": "meter"}
INGREDIENTS = [
    {"name": "Water", "qs": True, "inci": "Aqua"},
    {"name": "Gum", "low": 0.1, "high": 1.0, "inci": "Xanthan Gum", "use_low": 0.2, "use_high": 0.9},
    {"name": "Glycerin", "low": 0.0, "high": 6.0, "density": 1.26},
    {"name": "Oil", "low": 0.0, "high": 15.0, "required_hlb": 11, "density": 0.92},
    {"name": "Emulsifier A", "low": 0.0, "high": 1.0, "hlb": 15, "ph_low": 4, "ph_high": 6},
    {"name": "Emulsifier B", "low": 0.0, "high": 1.0, "hlb": 5, "charge": "anionic", "ph_low": 6.5},
    {"name": "Conditioner", "low": 0.0, "high": 2.0, "inci": "Behentrimonium Chloride", "ph_high": 5},
    {"name": "Beads", "low": 0.0, "high": 5.0, "density": 0.99, "d50_um": 500, "polymer": "synthetic"},
    {"name": "Stones", "low": 0.0, "high": 5.0, "density": 2.6, "d90_um": 300},
    {"name": "Salt", "low": 0.0, "high": 1.5, "inci": "Potassium Sorbate"},
    {"name": "Scent", "low": 0.0, "high": 1.0, "allergens": {"Linalool": 0.02, "Citral": 0.01}},
]


def every(*responses):
    """A study in which nearly all can go wrong."""
    told = {"name": "Invented", "product": "rinse-off", "market": "EU"}
    return Study.from_dict({"study": told, "ingredient": INGREDIENTS, "response": list(responses)})


STUDIES = {
    "with a yield value": lambda: every(PH, YIELD),
    "with a viscosity at low shear": lambda: every(PH, SLOW),
    "with neither": lambda: every(PH),
    **{name: lambda name=name: Study.from_toml(example_toml(name)) for name in EXAMPLES},
}
SEEN = set()


def recipes(study, n):
    """Random recipes, some without what may be left out, at all choices of materials."""
    rng = np.random.default_rng(6)
    region = study.region
    frame = pd.DataFrame(region.sample(n, seed=8), columns=list(region.names))
    for name in region.names:
        if region.reach[name][0] <= 0:
            frame.loc[rng.random(n) < 0.3, name] = 0.0
    for name in region.categories:
        frame[name] = [region.combinations[i % len(region.combinations)][name] for i in range(n)]
    return study.complete(frame)


@pytest.mark.parametrize("which", STUDIES)
def test_the_script_says_what_the_checks_say(which, browser):
    study, n = STUDIES[which](), 200
    whole, rng = recipes(study, n), np.random.default_rng(9)
    spread = {"ph": (3.0, 8.5), "yield_pa": (1e-3, 5.0), "low_shear": (1.0, 1e6)}
    values = {name: np.exp(rng.uniform(*np.log(spread[key]), n)) / factor
              for key, (name, factor) in readings_of(study).items()}  # fmt: skip
    checks = TradeChecks(study)
    given = checks.given(values, "predicted")
    known = [
        checks.each(whole.iloc[[i]], given.take(np.arange(n) == i))[0]
        for i in range(n)
    ]  # fmt: skip
    rows = [
        {"x": [float(whole[name].iloc[i]) for name in study.region.names],
         "levels": {name: str(whole[name].iloc[i]) for name in study.region.categories},
         "read": {name: {"value": float(value[i])} for name, value in values.items()}}
        for i in range(n)
    ]  # fmt: skip
    names = ("numbers", "special", "models", "sums", "trade")
    source = "\n".join((SCRIPTS / f"{name}.js").read_text(encoding="utf-8") for name in names)
    page = browser.new_page()
    seen = page.evaluate(
        f"""([trade, rows]) => {{ {source}
        const missed = makeTrade(trade);
        return rows.map((row) => missed(row, row.read)); }}""",
        [json.loads(json.dumps(trade_asked(study))), rows],
    )
    page.close()

    def told(level, code, where, got, allowed, do):
        # K13 tells of the acid in words of its own, and only where too little of it is left at a pH that is predicted.
        return (level, code, where, *((got, allowed) if code != "K13" else ()), do)

    for own, row in zip(known, seen, strict=True):
        asked = [p for p in own if p.code != "K13" or (p.level == "warn" and given.ph is not None)]
        said = [told(*(one[key] for key in ("level", "code", "where", "got", "allowed", "do"))) for one in row]
        assert sorted(said) == sorted(told(p.level, p.code, p.where, p.got, p.allowed, p.do) for p in asked)
        SEEN.update(p.code for p in asked)
    if which == list(STUDIES)[-1]:
        assert {"K11", "K13", "K15", "K16", "K17", "K18", "K19", "K21", "K22", "K23", "K46", "ph-outside",
                "emulsifier-share", "use-range", "bead-load"} <= SEEN  # fmt: skip
