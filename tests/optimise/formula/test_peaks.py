"""Starts and stops of the search: published functions of several tops, all of which are known."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import pytest

from doe import Study
from optimise.formula.brief import Brief
from optimise.formula.climb import climb_down
from optimise.formula.peaks import Multistart
from optimise.formula.space import Space
from optimise.models.models import fit

# Dixon & Szegö (1978), The global optimization problem, in Towards Global Optimisation 2, from memory: the function,
# where it is looked at, its least value and all places where it is that low.
BRANIN = 5.1 / (4 * np.pi**2), 5 / np.pi, 10 * (1 - 1 / (8 * np.pi))


def camel(x, y):
    return (4 - 2.1 * x**2 + x**4 / 3) * x**2 + x * y + (4 * y**2 - 4) * y**2


def branin(x, y):
    return (y - BRANIN[0] * x**2 + BRANIN[1] * x - 6) ** 2 + BRANIN[2] * np.cos(x) + 10


PUBLISHED = {
    "camel": (camel, (-3, 3), (-2, 2), -1.031628, [(0.08984, -0.71266), (-0.08984, 0.71266)]),
    "branin": (branin, (-5, 10), (0, 15), 0.397887, [(-np.pi, 12.275), (np.pi, 2.275), (9.42478, 2.475)]),
}


@dataclass(frozen=True, slots=True, eq=False)
class Published(Multistart):
    """A search that goes down a published function of two levels."""

    function: Callable[..., np.ndarray]

    def score_levels(self, X, combo):
        return -20.0 - self.function(*X.T)

    def uphill(self, subproblem, starts, known=None):
        def valued(U):
            around = U[:, None] + 1e-6 * np.array([[0, 0], [1, 0], [-1, 0], [0, 1], [0, -1]])
            f = self.function(*subproblem.space.region.decoded(around.reshape(-1, 2)).T).reshape(-1, 5)
            return f[:, :1], np.stack([f[:, 1] - f[:, 2], f[:, 3] - f[:, 4]], axis=1)[:, None] / 2e-6

        return climb_down(subproblem, valued, starts)


def published(name):
    """The search, the least value and the places of it."""
    function, *ends, least, places = PUBLISHED[name]
    asked = {"name": "Y", "unit": "u", "method": "m", "aim": "above", "low": 0, "target": 1}
    factors = [{"name": n, "low": low, "high": high} for n, (low, high) in zip("AB", ends, strict=True)]
    study = Study.from_dict({"study": {"name": name}, "factor": factors, "response": [asked]})
    X = study.region.sample(14, seed=1)
    frame = study.complete(pd.DataFrame(X, columns=list(study.region.names)))
    frame["Y"] = function(*X.T)
    brief = Brief.of(study, fit(study, study.results(frame)), "desirability")
    return Published(brief, Space.build(study), "desirability", None, function), least, np.array(places)


@pytest.mark.parametrize("name", PUBLISHED)
def test_all_published_tops_are_found(name):
    multistart, least, places = published(name)
    peaks = multistart.peaks(3)
    tops = [peak for peak in peaks if peak.score >= peaks[0].score - 1e-6]
    assert -20.0 - peaks[0].score == pytest.approx(least, abs=1e-6)
    found = multistart.space.region.decoded(np.array([peak.u for peak in tops]))
    assert len(found) == len(places)
    assert all(np.linalg.norm(found - place, axis=1).min() < 1e-3 for place in places)


def test_a_climb_next_to_a_known_top_tells_of_it_only_what_is_higher():
    multistart, _, _ = published("branin")
    subproblem, top = multistart.subproblem({}), multistart.peaks(3)[0]
    start = (top.u + np.array([0.3, 0.1]))[None]
    assert all(peak is top for peak in multistart.climbs(subproblem, start, [top]))
    lower = replace(top, u=top.u + np.array([0.02, 0.0]), score=top.score - 1.0)
    (higher,) = multistart.climbs(subproblem, start, [lower])
    assert higher.score == pytest.approx(top.score, abs=1e-6)
