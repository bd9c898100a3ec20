"""Whether the trials that `next` advises are worth making, and whether the gain it states is the gain they bring.

    python tests/benchmarks/advice.py --studies 80 --workers 2

Studies, benches and limits are those of `calibration.py`; 16 to 20 trials are made, the formula is found, and where it
is said to pass with 10 to 90 %, as many further trials are made by each of several ways, on the same bench errors.
After each the models are fitted and the formula found anew, and its true chance is held against that before:

    next       what `next --learn` advises
    random     drawn evenly over the region
    spread     each as far as can be from all that was tried (maximin)
    plan       those that go best with the plan already made
    repeat     the formula found, again and again
    promising  the most promising formulas of a spread, one after another
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from calibration import FAMILIES, Truth, blind, coding, definition, fitted, responses, trials, truth_of

from doe import Study, StudyError, plan
from doe.problems import Unavailable
from doe.split import split
from optimise import Models, Optimum, find, fit, next_trials
from studies.workers import carried_by

WAYS = ("next", "random", "spread", "plan", "repeat", "promising")
_SEED = 6
_POOL = 400
_ASKED = (0.1, 0.9)


@dataclass(frozen=True)
class Bench:
    """A study with its truth: `truth` over coded levels, limits (low, high), and its region's coding."""

    study: Study
    truth: Truth
    low: np.ndarray
    high: np.ndarray

    @property
    def names(self) -> list[str]:
        """Names of what varies."""
        return list(self.study.region.names)

    def coded(self, X: np.ndarray) -> np.ndarray:
        """Levels (n, k) as the coordinates of the true surfaces."""
        return coding(self.study.region)(X)

    def made(self, X: np.ndarray, rng: np.random.Generator) -> pd.DataFrame:
        """A table of batches of levels X (n, k)."""
        frame = self.study.complete(pd.DataFrame(X, columns=self.names))
        frame[[f"Y{i}" for i in range(len(self.low))]] = self.truth.batches(self.coded(X), rng)
        return frame

    def true(self, best: Optimum) -> float:
        """True chance of the formula found."""
        X = best.levels[self.names].to_numpy(dtype=float)
        return float(self.truth.chance(self.coded(X), self.low, self.high)[0])


def bench(rule: str, number: int, rng: np.random.Generator) -> Bench:
    """A study drawn as in `calibration.simulated`."""
    family = FAMILIES[number % len(FAMILIES)]
    made, r = definition(int(rng.integers(4, 7)), rng), int(rng.integers(3, 6))
    bare = Study.from_dict({**made, "response": [{"name": "Y", "method": "m", "aim": "watch"}]})
    places = coding(bare.region)(bare.region.sample(2000, seed=int(rng.integers(1 << 30))))
    truth = truth_of(family, places.shape[1], r, places, rng)
    low, high = blind(r, rng) if rule == "blind" else fitted(truth, places, rng)
    made["study"] |= {"batch_cost": 1.0}
    study = Study.from_dict({**made, "response": responses(low, high), "plan": {"model": "quadratic"}})
    return Bench(study, truth, low, high)


def further(
    way: str, one: Bench, models: Models, best: Optimum, made: np.ndarray, count: int, seed: int
) -> tuple[np.ndarray, float]:
    """Levels (count, k) of further trials by one of `WAYS`, and the gain stated (nan but for `next`)."""
    study, names = one.study, one.names
    at = best.levels[names].to_numpy(dtype=float)
    if way == "next":
        more = next_trials(study, models, learn=count, best=best)
        gain = more.gain["chance"]
        return more.table[names].to_numpy(dtype=float), gain if isinstance(gain, float) else float("nan")
    pool = study.region.sample(_POOL, seed=seed)
    if way == "random":
        return pool[:count], float("nan")
    if way == "repeat":
        return np.repeat(at, count, axis=0), float("nan")
    if way == "plan":
        design = plan(study, runs=count, round=2, first_trial=len(made) + 1, existing=models.results.made(),
                      design="optimal", replicate_batches=0, pure_error_df=0)  # fmt: skip
        return design.table[names].to_numpy(dtype=float), float("nan")
    if way == "promising":
        joint = models.chance(study.complete(pd.DataFrame(pool, columns=names))).to_numpy(dtype=float)
        return np.vstack([at, pool[np.argsort(-joint, kind="stable")[: count - 1]]]), float("nan")
    chosen, known, coded = [], one.coded(made), one.coded(pool)
    for _ in range(count):
        far = np.linalg.norm(coded[:, None] - known[None], axis=2).min(axis=1)
        chosen.append(int(np.argmax(far)))
        known = np.vstack([known, coded[chosen[-1]]])
    return pool[chosen], float("nan")


def simulated(rule: str, seed: int, counts: Sequence[int], ways: Sequence[str], number: int) -> list[dict[str, Any]]:
    """One study: a row for each way and number of further trials; none where nothing is said."""
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(number,)))
    one = bench(rule, number, rng)
    X = trials(one.study, int(rng.integers(16, 21)), rng)
    first = one.made(X, rng)
    noise = int(rng.integers(1 << 30))
    rows = []
    try:
        models = fit(one.study, one.study.results(first))
        best = find(one.study, models, lean=True)
        if isinstance(best.chance, Unavailable) or not _ASKED[0] <= best.chance <= _ASKED[1]:
            return []
        for count in counts:
            for way in ways:
                begin = time.process_time()
                more, gain = further(way, one, models, best, X, count, noise)
                took = time.process_time() - begin
                frame = pd.concat([first, one.made(more, np.random.default_rng(noise))], ignore_index=True)
                after = find(one.study, fit(one.study, one.study.results(frame)), lean=True)
                rows.append({
                    "study": number, "way": way, "count": count, "stated": gain, "took": took,
                    "said": best.chance, "said_after": after.chance,
                    "true": one.true(best), "true_after": one.true(after),
                })  # fmt: skip
    except StudyError as error:
        sys.stderr.write(f"study {number}: {error}\n")
    return rows


def run(
    numbers: Sequence[int], rule: str, counts: Sequence[int], ways: Sequence[str] = WAYS, seed: int = _SEED
) -> pd.DataFrame:
    """One row a study, way and number of further trials, of the studies that could be judged."""
    found = split(partial(simulated, rule, seed, tuple(counts), tuple(ways)), list(numbers))
    return pd.DataFrame([row for rows in found for row in rows])


def table(rows: pd.DataFrame) -> pd.DataFrame:
    """By number and way, in points: rise of the true chance and of that said, the gain stated, and `next` against it.

    Each with its standard error, that of `next` against a way over the same studies.
    """
    out = []
    for (count, way), part in rows.groupby(["count", "way"], sort=False):
        ours = rows[(rows["count"] == count) & (rows["way"] == "next")].set_index("study")["true_after"]
        true, said = part["true_after"] - part["true"], part["said_after"] - part["said"]
        ahead = (ours - part.set_index("study")["true_after"]).dropna()
        told = {"rise": true, "said": said, "stated": part["stated"], "next ahead by": ahead}
        row: dict[str, Any] = {"trials": count, "way": way, "studies": len(part)}
        for name, values in told.items():
            row |= {name: 100 * values.mean(), f"±{name}": 100 * values.std() / np.sqrt(max(len(values), 1))}
        out.append(row)
    return pd.DataFrame(out).round(1)


def main() -> None:
    """Run it from a terminal; `--into` takes every row as a JSON line, `--first` goes on from a number."""
    asked = argparse.ArgumentParser(description="whether advised trials are worth making")
    asked.add_argument("--studies", type=int, default=150)
    asked.add_argument("--first", type=int, default=0)
    asked.add_argument("--trials", type=int, nargs="+", default=[4])
    asked.add_argument("--rule", choices=("blind", "fitted"), default="blind")
    asked.add_argument("--workers", type=int, default=1)
    asked.add_argument("--cluster")
    asked.add_argument("--into")
    args = asked.parse_args()
    with carried_by(args.workers, args.cluster):
        rows = run(range(args.first, args.first + args.studies), args.rule, args.trials)
    if args.into:
        with open(args.into, "a", encoding="utf-8") as file:
            file.writelines(json.dumps(row) + "\n" for row in rows.to_dict("records"))
    sys.stdout.write(table(rows).to_string(index=False) + "\n")


if __name__ == "__main__":
    main()
