"""What is said of chances against what is true, over many simulated studies; the example of a job for a cluster.

    python tests/benchmarks/calibration.py --studies 2000 --workers 2
    python tests/benchmarks/calibration.py --studies 20000 --cluster tcp://10.0.0.5:8786

Each study is drawn, made and fitted, and its formula chosen, by the calls anyone makes (`Study`, `fit`, `find`); only
the bench is simulated, so the true chance of the chosen formula is known. Truths are sparse quadratic, power laws,
saturating, near linear, or mixed by response. In every fourth study a formula is chosen by predicted means as well
(published desirability, least squares). Limits are drawn by one of two rules:

    blind   without looking at the true surface, as briefs are written; many cannot be met
    fitted  around a recipe, then scaled until the best true chance is what was drawn from 0.40 to 0.98

The families and the rules are our own choice; nothing here was measured.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from doe import Region, Study, StudyError
from doe.problems import Unavailable
from doe.split import split
from optimise import find, fit
from studies.workers import carried_by

FAMILIES = ("sparse quadratic", "power law", "saturating", "near linear", "mixed")
BINS = {50: (0.40, 0.60), 70: (0.60, 0.75), 80: (0.75, 0.85), 90: (0.85, 0.925), 95: (0.925, 1.0)}
_SEED = 2026
_MEANS_IN = 4
_CHUNK = 200
_NODES = np.polynomial.hermite_e.hermegauss(40)


@dataclass(frozen=True)
class Outcome:
    """One study: what was said of the chosen formula and what is true; the same of predicted means; what was possible.

    `means_say` is 1 where all means lie within limits, else 0; it and `means_true` are nan where they were not asked.
    `possible` is the best true chance anywhere in the region, `tried` the best within what was tried, where a search
    stays.
    """

    number: int
    family: str
    trials: int
    responses: int
    said: float
    true: float
    low: float
    high: float
    means_say: float
    means_true: float
    possible: float
    tried: float


@dataclass(frozen=True)
class Truth:
    """The true surfaces over coded levels u (-1..1), the sd between batches and its sharing in one common factor."""

    kinds: tuple[str, ...]
    parts: tuple[dict[str, Any], ...]
    sd: np.ndarray
    loading: np.ndarray

    def means(self, u: np.ndarray) -> np.ndarray:
        """True means at u (n, d), (n, r)."""
        return np.column_stack([_SURFACES[kind](u, part) for kind, part in zip(self.kinds, self.parts, strict=True)])

    def batches(self, u: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """One batch of each recipe, (n, r)."""
        common = rng.normal(size=(len(u), 1))
        own = rng.normal(size=(len(u), len(self.kinds)))
        return self.means(u) + self.sd * (self.loading * common + np.sqrt(1 - self.loading**2) * own)

    def chance(self, u: np.ndarray, low: np.ndarray, high: np.ndarray) -> np.ndarray:
        """True chance that one batch meets every limit, (n,), exact: given the common factor, responses are apart."""
        means, own = self.means(u), self.sd * np.sqrt(1 - self.loading**2)
        total = np.zeros(len(u))
        for node, weight in zip(*_NODES, strict=True):
            centre = means + self.sd * self.loading * node
            total += weight * np.prod(special.ndtr((high - centre) / own) - special.ndtr((low - centre) / own), axis=1)
        return total / _NODES[1].sum()


def _quadratic(u: np.ndarray, part: dict[str, Any]) -> np.ndarray:
    return u @ part["g"] + np.einsum("ni,ij,nj->n", u, part["H"], u)


def _power(u: np.ndarray, part: dict[str, Any]) -> np.ndarray:
    return np.exp(np.log1p(part["room"] * (u + 1)) @ part["a"])


def _saturating(u: np.ndarray, part: dict[str, Any]) -> np.ndarray:
    rise = (1 - np.exp(-part["k"] * (u + 1))) / (1 - np.exp(-2 * part["k"]))
    step = special.expit(part["steep"] * (u - part["at"]))
    return rise @ part["c"] + step @ part["s"]


_SURFACES = {
    "sparse quadratic": lambda u, p: p["shift"] + p["size"] * _quadratic(u, p),
    "near linear": lambda u, p: p["shift"] + p["size"] * _quadratic(u, p),
    "power law": lambda u, p: p["shift"] + p["size"] * _power(u, p),
    "saturating": lambda u, p: p["shift"] + p["size"] * _saturating(u, p),
}


def _drawn(kind: str, d: int, rng: np.random.Generator) -> dict[str, Any]:
    if kind == "power law":
        return {"a": rng.normal(0, 0.8, d) * (rng.random(d) < 0.8), "room": rng.uniform(0.5, 2.0)}
    if kind == "saturating":
        there = rng.random((2, d)) < np.array([[0.7], [0.25]])
        return {"c": rng.normal(0, 1, d) * there[0], "k": rng.uniform(0.3, 3.0, d), "steep": rng.uniform(3, 10, d),
                "at": rng.uniform(-0.6, 0.6, d), "s": rng.normal(0, 1, d) * there[1]}  # fmt: skip
    share, bend = (0.35, 0.6) if kind == "sparse quadratic" else (0.5, 0.08)
    H = np.triu(rng.normal(0, bend, (d, d)) * (rng.random((d, d)) < share))
    return {"g": rng.normal(0, 1, d) * (rng.random(d) < 0.75), "H": H}


def truth_of(family: str, d: int, r: int, places: np.ndarray, rng: np.random.Generator) -> Truth:
    """Surfaces with an sd over the region about 1 (0.7 to 1.4), means about 0, and a batch sd of 1/8 to 1 of that."""
    kinds = tuple(str(rng.choice(FAMILIES[:4])) if family == "mixed" else family for _ in range(r))
    parts, spread = [], []
    for kind in kinds:
        part = {**_drawn(kind, d, rng), "shift": 0.0, "size": 1.0}
        values = _SURFACES[kind](places, part)
        if np.std(values) < 1e-3:
            part |= _drawn("near linear", d, rng) | {"g": np.ones(d), "a": np.ones(d), "c": np.ones(d)}
            values = _SURFACES[kind](places, part)
        size = float(np.exp(rng.uniform(-0.35, 0.35)))
        part["size"] = size / float(np.std(values))
        part["shift"] = float(rng.normal(0, 0.4)) - part["size"] * float(np.mean(values))
        parts.append(part)
        spread.append(size)
    sd = np.array(spread) / np.exp(rng.uniform(np.log(1), np.log(8), r))
    signs = rng.choice([-1.0, 1.0], r) if rng.random() < 0.5 else np.ones(r)
    return Truth(kinds, tuple(parts), sd, signs * np.sqrt(rng.uniform(0, 0.5)))


def definition(q: int, rng: np.random.Generator) -> dict[str, Any]:
    """q ingredients and limits: three quarters a box about a fill, half of them with a limit, the rest a simplex."""
    names = [f"I{i}" for i in range(1, q)]
    if rng.random() < 0.25:
        parts = [{"name": name, "low": 0.0, "high": float(rng.uniform(0.5, 1.0))} for name in [*names, "Water"]]
        return {"study": {"name": "simulated", "total": 1, "unit": "proportion"}, "ingredient": parts}
    low = np.round(rng.uniform(0.1, 3.0, q - 1), 2)
    high = np.round(low * rng.uniform(2, 5, q - 1), 2)
    made: dict[str, Any] = {
        "study": {"name": "simulated"},
        "ingredient": [{"name": "Water", "qs": True}]
        + [{"name": n, "low": float(a), "high": float(b)} for n, a, b in zip(names, low, high, strict=True)],
    }
    if rng.random() < 0.5:
        i, j = rng.choice(q - 1, 2, replace=False)
        made["limit"] = [{"rule": f"{names[i]} + {names[j]} <= {(low + 0.65 * (high - low))[[i, j]].sum():.2f}"}]
    return made


def trials(study: Study, n: int, rng: np.random.Generator) -> np.ndarray:
    """Levels (n, k): seven in ten D-optimal, greedily over corners and a spread; else a spread; 3 to 5 made twice."""
    region, again = study.region, int(rng.integers(3, 6))
    spread = region.sample(600, seed=int(rng.integers(1 << 30)))
    if rng.random() < 0.3:
        X = spread[: n - again]
    else:
        pool = np.vstack([region.vertex_array, spread[:300]])
        terms = study.terms()
        rows = terms.rows(pool, {}, terms.fitting_coding(region))
        V, picked = 1e3 * np.eye(rows.shape[1]), []
        for _ in range(n - again):
            best = int(np.argmax(np.einsum("ij,ij->i", rows @ V, rows)))
            f = V @ rows[best]
            V -= np.outer(f, f) / (1 + rows[best] @ f)
            picked.append(best)
        X = pool[picked]
    X = np.where(np.abs(X) < 1e-9, 0.0, X)
    return np.vstack([X, X[rng.choice(len(X), again, replace=False)]])


def blind(r: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Limits (low, high), each (r,): a third each above, below and between, drawn from fixed laws."""
    kind, at, half = rng.integers(3, size=r), rng.normal(0, 0.7, r), rng.uniform(0.5, 1.5, r)
    low = np.where(kind == 0, at, np.where(kind == 1, -np.inf, at - half))
    return low, np.where(kind == 0, np.inf, np.where(kind == 1, at, at + half))


def fitted(truth: Truth, places: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Limits around the true means of a recipe, moved until the best true chance is as drawn."""
    r, aim = len(truth.kinds), float(rng.uniform(0.40, 0.98))
    kind, at = rng.integers(3, size=r), truth.means(places[rng.integers(len(places), size=1)])[0]
    room = rng.uniform(0.5, 1.5, r)

    def limits(scale: float) -> tuple[np.ndarray, np.ndarray]:
        give = room * scale
        return np.where(kind == 1, -np.inf, at - give), np.where(kind == 0, np.inf, at + give)

    near, far = -6.0, 30.0
    for _ in range(40):
        middle = 0.5 * (near + far)
        low, high = limits(middle)
        reached = float(truth.chance(places, low, np.maximum(low, high)).max()) >= aim
        near, far = (near, middle) if reached else (middle, far)
    return limits(far)


def coding(region: Region) -> Callable[[np.ndarray], np.ndarray]:
    """What takes levels (n, k) to the coordinates of true surfaces, -1 to 1 over the reach of all but the fill."""
    reach = np.array([region.reach[name] for name in region.names])
    free = [j for j, name in enumerate(region.names) if name != region.fill]
    return lambda X: (2 * (X - reach[:, 0]) / (reach[:, 1] - reach[:, 0]) - 1)[:, free]


def simulated(rule: str, seed: int, number: int) -> Outcome | None:
    """One study from a random stream of its own; None where nothing is said (a fit or a search that is refused)."""
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(number,)))
    family = FAMILIES[number % len(FAMILIES)]
    made, r, n = definition(int(rng.integers(4, 7)), rng), int(rng.integers(3, 7)), int(rng.integers(16, 31))
    bare = Study.from_dict({**made, "response": [{"name": "Y", "method": "m", "aim": "watch"}]})
    region, coded = bare.region, coding(bare.region)
    spots = region.sample(2000, seed=int(rng.integers(1 << 30)))
    places = coded(spots)
    truth = truth_of(family, places.shape[1], r, places, rng)
    low, high = blind(r, rng) if rule == "blind" else fitted(truth, places, rng)
    study = Study.from_dict({**made, "response": responses(low, high), "plan": {"model": "quadratic"}})
    X = trials(study, n, rng)
    frame = study.complete(pd.DataFrame(X, columns=list(region.names)))
    frame[[f"Y{i}" for i in range(r)]] = truth.batches(coded(X), rng)
    try:
        models = fit(study, study.results(frame))
        best = find(study, models, lean=True)
        other = find(study, models, objective="desirability", lean=True) if number % _MEANS_IN == 0 else None
    except StudyError:
        return None
    if isinstance(best.chance, Unavailable) or isinstance(best.chance_interval, Unavailable):
        return None
    made_to = [one.levels[list(region.names)].to_numpy(dtype=float) for one in (best, other or best)]
    true = truth.chance(coded(np.vstack(made_to)), low, high)
    reached, fence = truth.chance(places, low, high), models.fence
    within = reached if fence is None else reached[fence.inside(spots, {})]
    possible, tried = max(float(reached.max()), *true), max(float(within.max(initial=0.0)), *true)
    means = (float("nan"), float("nan")) if other is None else (float(other.feasible), float(true[1]))
    said = (best.chance, float(true[0]), *best.chance_interval)
    return Outcome(number, family, n, r, *said, *means, possible, tried)


def responses(low: np.ndarray, high: np.ndarray) -> list[dict[str, Any]]:
    """Responses as a study asks for them; a target lies one further in, or in the middle."""
    out = []
    for i, (a, b) in enumerate(zip(low, high, strict=True)):
        one: dict[str, Any] = {"name": f"Y{i}", "method": "m"}
        if np.isinf(b):
            one |= {"aim": "above", "low": float(a), "target": float(a) + 1}
        elif np.isinf(a):
            one |= {"aim": "below", "high": float(b), "target": float(b) - 1}
        else:
            one |= {"aim": "target", "low": float(a), "high": float(b), "target": float(a + b) / 2}
        out.append(one)
    return out


def run(numbers: Sequence[int], rule: str, seed: int = _SEED) -> pd.DataFrame:
    """One row a study that could be judged, in order of its number; shared out as joblib is told."""
    found = split(partial(simulated, rule, seed), list(numbers))
    return pd.DataFrame([asdict(one) for one in found if one is not None])


def table(outcomes: pd.DataFrame, said: str = "said", true: str = "true") -> pd.DataFrame:
    """By bin of the chance said: studies, mean said, mean true, error in points, and its standard error."""
    rows = {}
    for name, (low, high) in BINS.items():
        top = np.inf if high == 1.0 else high
        part = outcomes[(outcomes[said] >= low) & (outcomes[said] < top)]
        gap = 100 * (part[said] - part[true])
        rows[name] = {
            "studies": len(part), "said": 100 * part[said].mean(), "true": 100 * part[true].mean(),
            "error": gap.mean(), "se": gap.std(ddof=1) / np.sqrt(max(len(part), 1)),
        }  # fmt: skip
    return pd.DataFrame.from_dict(rows, orient="index").rename_axis("bin")


def summary(outcomes: pd.DataFrame) -> dict[str, float]:
    """Shares over all studies: coverage of the interval, true chance against what was possible, and that of means."""
    held = _held(outcomes)
    middle = outcomes["said"].between(0.40, 0.98)
    claimed = outcomes[outcomes["means_say"] == 1]
    return {
        "studies": float(len(outcomes)),
        "interval holds the true chance": float(held.mean()),
        "the same where 40 to 98 % was said": float(held[middle].mean()),
        "true chance of the formula": float(outcomes["true"].mean()),
        "of the best attainable": float(outcomes["true"].mean() / outcomes["possible"].mean()),
        "of the best within what was tried": float(outcomes["true"].mean() / outcomes["tried"].mean()),
        "means within all limits claimed in": float(outcomes["means_say"].mean()),
        "true chance where that was claimed": float(claimed["means_true"].mean()),
        "true chance of the formula of means": float(outcomes["means_true"].mean()),
    }


def families(outcomes: pd.DataFrame) -> pd.DataFrame:
    """By family of true surfaces: studies, error in points where 40 % or more was said, coverage, share of the best."""
    rows = {}
    for name, part in outcomes.groupby("family"):
        some = part[part["said"] >= 0.40]
        rows[name] = {
            "studies": len(part), "error": 100 * (some["said"] - some["true"]).mean(),
            "interval holds": _held(part).mean(), "of the best": part["true"].mean() / part["possible"].mean(),
        }  # fmt: skip
    return pd.DataFrame.from_dict(rows, orient="index").rename_axis("family")


def _held(outcomes: pd.DataFrame) -> pd.Series:
    return (outcomes["low"] <= outcomes["true"]) & (outcomes["true"] <= outcomes["high"])


def told(outcomes: pd.DataFrame, rule: str) -> str:
    """All tables in words."""
    lines = [f"limits {rule}:", table(outcomes).round(1).to_string(), families(outcomes).round(3).to_string()]
    lines += [f"  {name}: {value:.3f}" if value <= 1 else f"  {name}: {value:.0f}"
              for name, value in summary(outcomes).items()]  # fmt: skip
    return "\n".join(lines)


def main() -> None:
    """Run it from a terminal; `--into` takes every study's outcome as a JSON line, `--first` goes on from a number."""
    asked = argparse.ArgumentParser(description="what is said of chances against what is true")
    asked.add_argument("--studies", type=int, default=2000)
    asked.add_argument("--first", type=int, default=0)
    asked.add_argument("--rule", choices=("blind", "fitted"), default="blind")
    asked.add_argument("--seed", type=int, default=_SEED)
    asked.add_argument("--workers", type=int, default=1)
    asked.add_argument("--cluster")
    asked.add_argument("--into")
    args = asked.parse_args()
    parts = []
    with carried_by(args.workers, args.cluster):
        for first in range(args.first, args.first + args.studies, _CHUNK):
            numbers = range(first, min(first + _CHUNK, args.first + args.studies))
            parts.append(run(numbers, args.rule, args.seed))
            if args.into:
                with open(args.into, "a", encoding="utf-8") as file:
                    file.writelines(json.dumps(row) + "\n" for row in parts[-1].to_dict("records"))
    sys.stdout.write(told(pd.concat(parts, ignore_index=True), args.rule) + "\n")


if __name__ == "__main__":
    main()
