"""Small invented studies for checks of the trade: what a test needs, and nothing else."""

import pandas as pd
import pytest

from doe import Study
from doe.trade import TradeChecks
from doe.trade.check import NOTHING


def _study(*items, product="rinse-off", market="EU", **more):
    rows = [{"name": "Water", "qs": True, "inci": "Aqua"}, *items]
    head = {"name": "Invented", "product": product, "market": market, **more.pop("head", {})}
    head = {key: value for key, value in head.items() if value is not None}
    source = {"study": head, "ingredient": rows, "response": [{"name": "pH", "method": "meter"}], **more}
    if not any("low" in row or "choice" in row for row in rows):
        source["factor"] = [*source.get("factor", ()), {"name": "Stirring", "low": 1, "high": 2}]
    return Study.from_dict(source)


def _findings(study, levels=None, given=NOTHING, **one):
    """Findings of one recipe, given by its levels: code -> finding. One code twice is an error of the test."""
    row = {f.name: 1.0 for f in study.factors if not f.is_category} | dict(levels or {}) | one
    (found,) = TradeChecks(study).each(study.complete(pd.DataFrame([row])), given)
    codes = [p.code for p in found]
    assert len(set(codes)) == len(codes), codes
    return {p.code: p for p in found}


@pytest.fixture
def study():
    return _study


@pytest.fixture
def findings():
    return _findings
