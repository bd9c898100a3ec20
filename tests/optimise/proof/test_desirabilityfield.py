"""Desirability of several targets and aims, with category levels: what a box is said to hold, against dense points."""

import numpy as np
import pandas as pd
import pytest

from doe import Study
from optimise.formula.brief import Brief
from optimise.formula.peaks import Multistart
from optimise.formula.space import Space
from optimise.models.models import fit
from optimise.proof.boxes import Boxes
from optimise.proof.certify import searched
from optimise.proof.desirabilityfield import DesirabilityField

AIMS = ("target", "target", "target", "target", "above", "below")


def multistart_of(seed):
    """Four targets and two one-sided aims over three factors and two mills, targets as of one recipe, widths drawn."""
    rng = np.random.default_rng(seed)
    factors = [{"name": f"P{j}", "low": -1, "high": 1} for j in range(3)]
    n, responses = 40, []
    X, mill = rng.uniform(-1, 1, (n, 3)), np.arange(n) % 2
    terms = np.column_stack([X, X[:, [0, 0, 1]] * X[:, [1, 2, 2]], X**2, 2 * mill - 1, (2 * mill - 1) * X[:, 0]])
    readings = 10 + terms @ rng.normal(size=(terms.shape[1], len(AIMS))) + 0.1 * rng.normal(size=(n, len(AIMS)))
    for number, (aim, at) in enumerate(zip(AIMS, readings[0], strict=True)):
        room = rng.uniform(0.3, 2)
        ends = {
            "target": {"low": at - room, "target": at, "high": at + 2 * room},
            "above": {"low": at - room, "target": at + room},
            "below": {"high": at + room, "target": at - room},
        }[aim]
        responses.append({"name": f"Y{number}", "unit": "u", "method": "m", "aim": aim, **ends})
    study = Study.from_dict(
        {
            "study": {"name": "targets"},
            "factor": [*factors, {"name": "Mill", "levels": ["A", "B"]}],
            "response": responses,
            "plan": {"model": "quadratic"},
        }
    )
    frame = study.complete(pd.DataFrame(X, columns=["P0", "P1", "P2"]).assign(Mill=np.where(mill, "B", "A")))
    for number in range(len(AIMS)):
        frame[f"Y{number}"] = readings[:, number]
    models = fit(study, study.results(frame.set_axis([f"H{i}" for i in range(n)])), terms="all")
    brief = Brief.of(study, models, "desirability")
    return Multistart(brief, Space.build(study), "desirability", brief.fence)


@pytest.mark.parametrize("seed", range(2))
def test_no_recipe_above_what_is_enough_is_left_out_or_above_its_box(seed):
    multistart, rng = multistart_of(seed), np.random.default_rng(seed)
    best = multistart.peaks(4)[0]
    place = multistart.space.at(best.combo)
    field = DesirabilityField.of(place, best.combo, multistart.fence, multistart.brief.properties)
    near = np.clip(best.u + rng.normal(size=(8, 3)) * 0.05, -0.95, 0.95)
    centre = np.vstack([near, rng.uniform(-0.9, 0.9, (8, 3))])
    half = rng.uniform(0.2, 1, centre.shape) * 10 ** rng.uniform(-2, 0, (len(centre), 1))
    low, high = np.maximum(centre - half, -1), np.minimum(centre + half, 1)
    high_up = best.u + rng.normal(size=(300, 3)) * rng.choice([0.1, 0.02, 0.003], (300, 1))
    for enough in (-np.inf, best.score - 0.3, best.score - 0.03):
        for i in range(len(centre)):
            box = Boxes(low[i : i + 1], high[i : i + 1])
            U = rng.uniform(low[i], high[i], (200, 3))
            U = np.where(rng.random(U.shape) < 0.2, low[i], U)
            U = np.vstack([U, high_up[((high_up >= low[i]) & (high_up <= high[i])).all(axis=1)]])
            U = U[field.domain.allowed(U) & multistart.inside(U, best.combo)]
            score = multistart.score(U, best.combo)
            U, score = U[score > -20], score[score > -20]
            found = field.over(box, np.full(1, np.inf), enough)
            kept = np.zeros(len(U), dtype=bool)
            if len(found.upper):
                kept = ((found.boxes.low - 1e-12 <= U) & (found.boxes.high + 1e-12 >= U)).all(axis=1)
                t = U - found.boxes.centre
                cut = found.cut.level + t @ found.cut.slope[0] + 0.5 * np.einsum("nd,de,ne->n", t, found.cut.bend[0], t)
                assert (score <= np.minimum(found.upper, cut) + 1e-9)[kept].all()
            assert (score <= max(enough, found.rest) + 1e-9)[~kept].all() if np.isfinite(enough) else kept.all()


def test_targets_and_category_levels_are_proven_with_what_a_search_gives():
    multistart = multistart_of(1)
    peaks = multistart.peaks(4)
    found = searched(multistart, peaks, peaks[0].score)
    assert found.proof.closed
    assert np.exp(found.proof.upper) <= np.exp(found.peaks[0].score) + 0.001
