"""Processor time of check, plan, fit, optimise and predict as ingredients grow, on fixed random regions with limits.

Run by hand, see DEVELOPERS.md; ratios only, so that the machine does not matter.
"""

import sys
import time

import numpy as np
import pytest

from doe import Study, StudyError, plan
from optimise import find, fit
from reports import documents
from reports.terminal import terminal

CASES = [(8, 3), (8, 6), (10, 4), (12, 3), (12, 4), (12, 6)]
CHECK_SHARE = 0.2


def wash(count, limits, model="linear"):
    """`count` ingredients, one taking up the rest, from a tenth of a per cent up, under sums and ratios of several."""
    rng = np.random.default_rng([count, limits])
    size = rng.choice([0.5, 2.0, 5.0, 10.0], count - 1)
    low = np.round(rng.uniform(0.05, 0.4, count - 1) * size, 2)
    high = np.round(low + rng.uniform(0.6, 1.6, count - 1) * size, 2)
    names = [f"Material {chr(65 + i)}" for i in range(count - 1)]
    rows = [{"name": n, "low": float(a), "high": float(b)} for n, a, b in zip(names, low, high, strict=True)]
    rules = []
    for k in range(limits):
        pick = np.sort(rng.choice(count - 1, int(rng.integers(3, 6)), replace=False))
        top = float(((low + high) / 2 + 0.15 * (high - low))[pick].sum())
        ratio = float((low + high)[pick[0]] / (low + high)[pick[1]])
        sum_of = " + ".join(names[j] for j in pick)
        rules.append(
            f"{names[pick[0]]} >= {0.6 * ratio:.3f} * {names[pick[1]]}" if k % 3 == 2 else f"{sum_of} <= {top:.2f}"
        )
    return Study.from_dict(
        {
            "study": {"name": "time"},
            "ingredient": [{"name": "Water", "qs": True, "low": 30}, *rows],
            "limit": [{"rule": rule} for rule in rules],
            "response": [{"name": "y", "method": "m", "aim": "above", "low": 5}],
            "plan": {"model": model, "runs": 2 * count + 4},
        }
    )


def worked(call):
    start = time.process_time()
    out = call()
    return out, time.process_time() - start


def measured(design):
    frame = design.table.copy()
    X = frame.to_numpy(dtype=float)[:, 1:]
    rng = np.random.default_rng(7)
    frame["y"] = 5 + (X - X.mean(axis=0)) / X.std(axis=0) @ rng.normal(size=X.shape[1]) + 0.5 * rng.normal(size=len(X))
    return frame


def test_twelve_ingredients_with_several_limits_stay_interactive():
    sys.stdout.write(
        "\n| ingredients | limits | corners | check | plan | fit | optimise | predict |\n|--|--|--|--|--|--|--|--|\n"
    )
    for count, limits in CASES:
        study, building = worked(lambda c=count, m=limits: wash(c, m))
        _, checking = worked(lambda s=study: (terminal.check(s), documents.check_document(s)))
        design, planning = worked(lambda s=study: plan(s))
        frame = measured(design)
        models, fitting = worked(lambda s=study, d=design, f=frame: fit(s, s.results(f, design=d)))
        best, finding = worked(lambda s=study, m=models: find(s, m))
        _, predicting = worked(lambda m=models, d=design: m.predict(d.table.head(5)))
        times = [building + checking, planning, fitting, finding, predicting]
        cells = [str(count), str(limits), str(study.region.vertex_count), *(f"{t:.2f} s" for t in times)]
        sys.stdout.write(f"| {' | '.join(cells)} |\n")
        assert times[0] < CHECK_SHARE * sum(times)
        assert study.region.contains(best.levels[list(study.region.names)].to_numpy(dtype=float), 1e-7).all()


def test_corners_grow_faster_than_what_does_not_need_them():
    """Where corners cannot be listed, what stands without them is there in the time of a region that has them."""
    few, many = wash(12, 4), wash(24, 4)
    with pytest.raises(StudyError, match="corners"):
        many.region.vertices()
    _, small = worked(lambda: few.region.sample(5000, seed=1))
    _, large = worked(lambda: many.region.sample(5000, seed=1))
    sys.stdout.write(f"\n5000 uniform points: 12 ingredients {small:.2f} s, 24 ingredients {large:.2f} s\n")
    assert large < 40 * small
