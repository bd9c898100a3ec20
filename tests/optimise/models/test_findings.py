"""What a fit says of itself: the sd left over after its own batches chose the terms."""

from functools import cache

import numpy as np
import pandas as pd

from doe import Study, Unavailable
from optimise import fit
from optimise.models.findings import AFTER_CHOICE

SD = 0.06  # of a batch, in truth
NAMES = [f"Y{i}" for i in range(16)]


@cache
def fitted(terms="select"):
    """Sixteen responses with a bend in gum and a product of wax and oil that scatter by SD, on 14 batches."""
    source = {
        "study": {"name": "Invented"},
        "ingredient": [
            {"name": "Water", "qs": True},
            *({"name": name, "low": 1.0, "high": 3.0} for name in ("Gum", "Wax", "Oil")),
        ],
        "response": [{"name": name, "method": "m", "aim": "above", "low": 1.0} for name in NAMES],
    }
    study = Study.from_dict(source)
    rng = np.random.default_rng(11)
    levels = 1.0 + rng.integers(0, 3, (14, 3))
    frame = pd.DataFrame(levels, columns=["Gum", "Wax", "Oil"])
    for name in NAMES:
        bent = 0.1 * (frame["Gum"] - 2) ** 2 + 0.08 * (frame["Wax"] - 2) * (frame["Oil"] - 2)
        frame[name] = 1 + 0.4 * frame["Gum"] + bent + SD * rng.normal(size=len(frame))
    return fit(study, study.results(frame), terms=terms)


def warned(model):
    return [finding for finding in model.findings if finding.code == AFTER_CHOICE]


def test_an_sd_left_over_by_a_choice_of_many_terms_is_said_to_be_too_small():
    models = fitted()
    told = {name: warned(models[name]) for name in NAMES}
    small, rest = ([models[name].residual_sd for name in NAMES if bool(told[name]) is such] for such in (True, False))
    assert len(small) >= 4
    assert len(rest) >= 4
    assert np.median(small) < 0.9 * SD < np.median(rest) < 1.25 * SD
    assert np.mean(np.array(small) < SD) >= 0.75, "most of those warned of are too small"
    for name in NAMES:
        for finding in told[name]:
            kept, df = len(models[name].chosen), models[name].df_residual
            assert kept / (kept + df) >= 0.2
            assert finding.got.startswith(f"{kept} of its terms ")
            assert f"{df} degrees of freedom left" in finding.got
            assert finding.level == "warn"
            assert "predictions reckon with a batch sd of" in finding.got


def test_the_sd_that_predicts_stands_beside_that_of_the_fit():
    models = fitted()
    held = 0
    for name in NAMES:
        entry = models.entry(name)
        low, high = entry["batch_sd"]["limits"]
        assert low < entry["batch_sd"]["sd"] < high
        assert entry["batch_sd"]["level"] == 0.9
        held += low <= SD <= high
    assert held >= 13, "limits of 90 % hold the true sd in most of sixteen"


def test_where_no_terms_were_chosen_nothing_is_said_of_a_choice():
    model = fitted("all")["Y0"]
    assert model.chosen == ()
    assert not warned(model)
    assert isinstance(model.batch_sd, Unavailable)
