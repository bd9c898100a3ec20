"""Choosing terms, and fitting with full diagnosis, beside a loop of statsmodels fits of the same models, in one run."""

import sys
import time
from itertools import combinations

import numpy as np
import pandas as pd
import statsmodels.api as sm

from doe import Study
from optimise import fit
from optimise.statistics.subsets import bits, every_subset


def mixture(n=40, q=6, seed=3):
    rng = np.random.default_rng(seed)
    x = rng.dirichlet(np.ones(q), n)
    products = [x[:, i] * x[:, j] for i, j in combinations(range(q), 2)]
    y = x @ rng.normal(5, 2, q) + 4 * products[0] - 3 * products[7] + 0.2 * rng.normal(size=n)
    return x, np.column_stack(products), y


def worked(call):
    start = time.process_time()
    out = call()
    return out, time.process_time() - start


def test_all_subsets_of_a_mixture_quadratic():
    """21 terms (6 linear, 15 products, 32 768 models under heredity) on 40 runs; at least 50 times faster."""
    x, products, y = mixture()

    def ours():
        q = np.linalg.qr(x)[0]
        left = products - q @ (q.T @ products)
        left /= np.linalg.norm(left, axis=0)
        target = y - q @ (q.T @ y)
        return every_subset(left.T @ left, left.T @ target, float(target @ target))

    everything = bits(np.arange(2**15), 15)
    some = np.random.default_rng(0).permutation(2**15)[:1500]

    def theirs():
        return np.array([sm.OLS(y, np.column_stack([x, products[:, everything[code]]])).fit().ssr for code in some])

    mine, my_time = worked(ours)
    reference, their_time = worked(theirs)
    their_time *= 2**15 / len(some)
    gap = float(np.abs(mine[some] / reference - 1).max())
    times = their_time / my_time
    sys.stdout.write(f"\nall subsets: {my_time:.4f} s beside {their_time:.1f} s ({times:.0f} times), gap {gap:.1e}\n")
    assert gap < 1e-10
    assert their_time > 50 * my_time


def test_eight_responses_with_selection_and_diagnosis():
    """Eight responses fitted with terms chosen and fully diagnosed, beside statsmodels over the same models."""
    x, products, _ = mixture()
    rng = np.random.default_rng(9)
    names = list("ABCDEF")
    responses = [f"Y{i}" for i in range(8)]
    study = Study.from_dict(
        {
            "study": {"name": "Speed", "total": 1, "unit": "proportion"},
            "ingredient": [{"name": name, "low": 0, "high": 1} for name in names],
            "plan": {"model": "quadratic"},
            "response": [{"name": name, "aim": "watch", "method": "simulated"} for name in responses],
        }
    )
    frame = pd.DataFrame(x, columns=names)
    for i, name in enumerate(responses):
        frame[name] = x @ rng.normal(5, 2, 6) + 4 * products[:, i] + 0.2 * rng.normal(size=len(x))
    results = study.results(frame)
    models, my_time = worked(lambda: fit(study, results))
    looked_at = sum(model.selection["looked_at"] for model in models.values())

    def theirs():
        for code in range(0, 2**15, 2**7):
            made = sm.OLS(frame["Y0"], np.column_stack([x, products[:, bits(np.array([code]), 15)[0]]])).fit()
            made.aic  # noqa: B018  (computed when asked for)
        made.get_influence().summary_frame()

    _, their_time = worked(theirs)
    their_time *= looked_at / 2**8
    times = their_time / my_time
    sys.stdout.write(f"\neight responses: {my_time:.2f} s beside {their_time:.0f} s ({times:.0f} times)\n")
    assert looked_at == 8 * 2**15
    assert their_time > 50 * my_time
