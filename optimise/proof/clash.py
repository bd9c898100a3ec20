"""Which musts cannot be met together: a smallest set, proven, and the recipe that comes closest to all of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
from scipy.optimize import nnls

from doe.problems import Unavailable
from optimise.formula.brief import Brief
from optimise.formula.climb import climb_smallest_miss
from optimise.formula.exact import Exact, exact_form
from optimise.formula.goals import Aimed
from optimise.formula.optimum import plain
from optimise.formula.peaks import Quest
from optimise.formula.space import Space
from optimise.models.aims import window
from optimise.models.fence import Fence
from optimise.proof.branching import prove
from optimise.proof.confines import Confines
from optimise.proof.expansion import Source
from optimise.proof.missfield import MissField
from optimise.proof.sources import source

Array = npt.NDArray[np.float64]

_MET = 1e-6
_HELD = 1e-4
_NEVER = 1e-9
_WORK, _WORK_EACH = 3e9, 1e9
_STARTS = 4


@dataclass(frozen=True, slots=True, eq=False)
class Spec:
    """One side of a must: `sign` times (limit - value) over `size` is its miss, at most 0 where it is met.

    The value is a fitted centre on the model scale, or an exact quantity of the levels.
    """

    response: str
    side: str
    asked: float
    limit: float
    sign: float
    size: float
    aimed: Aimed | None
    exact: Exact | None

    def miss(self, x: Array, chosen: Mapping[str, npt.NDArray[Any]]) -> tuple[float, Array]:
        """The miss at levels x (k,) and its slope (k,)."""
        if self.aimed is None:
            value, slope = self.limit, np.zeros(len(x))
            if self.exact is not None:
                value, slope = self.exact.at(chosen).value_and_slope(x)
            return self.sign * (self.limit - value) / self.size, -self.sign * slope / self.size
        law, by_location, _ = self.aimed.predictor.at_with_slopes(x[None], chosen)
        value, slope = float(law.mean()[0]), law.weights @ by_location[0]
        return self.sign * (self.limit - value) / self.size, -self.sign * slope / self.size

    def value_at(self, x: Array, chosen: Mapping[str, npt.NDArray[Any]]) -> float:
        """The value at levels x (k,), in the response's unit."""
        value = self.limit - self.sign * self.miss(x, chosen)[0] * self.size
        return float(self.aimed.scale.back(np.array([value]))[0]) if self.aimed is not None else float(value)


@dataclass(frozen=True, slots=True, eq=False)
class Clash:
    """A smallest set of musts that cannot be met together, one entry a side; and the recipe that comes closest to all.

    Each entry: response, side, limit; `reached`, the nearest value to the limit that was found with the others of the
    set met; `change`, the least change of this limit that was found to make the whole brief possible, all other musts
    held (None where it takes more than one); `proved`: no recipe meets the set; `minimal`: without any one of them some
    recipe meets the rest. `closest`: levels and category levels, values by response, and the largest miss in batch sds.
    """

    entries: tuple[dict[str, Any], ...] = ()
    closest: Mapping[str, Any] = field(default_factory=dict)


def find_clash(brief: Brief, space: Space, fence: Fence | None) -> Clash:
    """The musts that no recipe of the space is predicted to meet together; empty where some recipe does.

    `space` must not itself be narrowed by the exact responses. The search finds the set, by leaving out one after
    another; the proof is of that set, or else of a larger one.
    """
    every = _specs(brief, space)
    if not every:
        return Clash()
    worst, x, combo = _smallest(brief, space, fence, every)
    if worst <= _MET:
        return Clash()
    kept = _searched(brief, space, fence, every)
    court = _Court.of(brief, space, fence, every)
    verdict, minimal = court.verdict(kept, brief, space, fence), True
    if verdict == "met" and court.verdict(every, brief, space, fence) == "met":
        return Clash()
    if verdict != "never":
        # A larger set can be the easier to prove.
        proved, shorter, minimal = court.filtered(every, brief, space, fence)
        verdict, kept = ("never", shorter) if proved else (verdict, kept)
    proved = verdict == "never"
    entries = tuple(
        {**_entry(brief, space, fence, kept, every, spec), "proved": proved, "minimal": minimal} for spec in kept
    )
    return Clash(entries, _closest(brief, space, every, worst, x, combo))


def worst_miss(brief: Brief, space: Space, x: Array, combo: Mapping[str, str]) -> float:
    """The largest miss of all musts at one recipe x (k,), in batch sds (exact ones: in what their reach is)."""
    chosen = space.chosen(combo, 1)
    return max((spec.miss(x, chosen)[0] for spec in _specs(brief, space)), default=0.0)


def _searched(brief: Brief, space: Space, fence: Fence | None, every: Sequence[Spec]) -> list[Spec]:
    """A set that the search cannot meet, and of which it meets all but any one: left out one after another."""
    kept = list(every)
    for spec in every:
        rest = [s for s in kept if s is not spec]
        if rest and _smallest(brief, space, fence, rest)[0] > _MET:
            kept = rest
    return kept


def _closest(
    brief: Brief, space: Space, specs: Sequence[Spec], worst: float, x: Array, combo: Mapping[str, str]
) -> dict[str, Any]:
    """The recipe with the smallest largest miss that was found, in the study's units."""
    chosen, values = space.chosen(combo, 1), {}
    for spec in specs:
        values[spec.response] = spec.value_at(x, chosen)
    whole = space.frame(x[None], combo).iloc[0]
    levels = {name: plain(whole[name]) for name in brief.study.columns}
    return {"levels": levels, "responses": values, "worst_miss": worst}


def _entry(
    brief: Brief, space: Space, fence: Fence | None, kept: Sequence[Spec], every: Sequence[Spec], spec: Spec
) -> dict[str, Any]:
    others = [s for s in kept if s is not spec]
    _, x, combo = _smallest(brief, space, fence, [spec], others)
    reached = spec.value_at(x, space.chosen(combo, 1))
    rest = [s for s in every if s is not spec]
    change: float | None = reached - spec.asked
    if len(rest) > len(others):
        _, x, combo = _smallest(brief, space, fence, [spec], rest)
        chosen = space.chosen(combo, 1)
        held = max((s.miss(x, chosen)[0] for s in rest), default=0.0)
        change = spec.value_at(x, chosen) - spec.asked if held <= _HELD else None
    return {"response": spec.response, "side": spec.side, "limit": spec.asked, "reached": reached, "change": change}


@dataclass(slots=True, eq=False)
class _Court:
    """What decides whether some musts can be met together: for each combination the limits, and what gives each value.

    `which` says by spec whose value counts; `left` is the work that is still allowed. No places where a prediction
    cannot be bounded.
    """

    places: tuple[tuple[Confines, tuple[Source, ...]], ...]
    which: Mapping[int, int]
    left: float = _WORK

    @classmethod
    def of(cls, brief: Brief, space: Space, fence: Fence | None, specs: Sequence[Spec]) -> _Court:
        """The court for all specs of a brief."""
        first = {spec.response: spec for spec in reversed(specs)}
        number = {name: i for i, name in enumerate(first)}
        places = []
        for combo in space.combos:
            part = space.at(combo)
            found = [source(s.aimed.predictor if s.aimed else None, s.exact, part, combo) for s in first.values()]
            sources = tuple(one for one in found if one is not None)
            if len(sources) < len(found) or part.dimension == 0:
                return cls((), {})
            places.append((Confines.of(part, combo, fence), sources))
        return cls(tuple(places), {id(spec): number[spec.response] for spec in specs})

    def verdict(
        self, specs: Sequence[Spec], brief: Brief, space: Space, fence: Fence | None
    ) -> Literal["met", "never", "open"]:
        """Whether some recipe meets all of `specs`, none does, or it is not decided with the work that is left."""
        sign, limit, size = (np.array([getattr(s, name) for s in specs]) for name in ("sign", "limit", "size"))
        if not np.isfinite(limit).all():
            return "never"
        if not self.places or self.left <= 0:
            return "open"
        used = sorted({self.which[id(s)] for s in specs})
        which = tuple(used.index(self.which[id(s)]) for s in specs)
        hint = _balance(brief, space, fence, specs)
        fields = [
            MissField(confines, tuple(sources[i] for i in used), which, sign, limit, size, hint)
            for confines, sources in self.places
        ]
        found = prove(fields, -_NEVER, min(self.left, _WORK_EACH), stop=-_MET)
        self.left -= found.boxes * fields[0].cost
        if found.best >= -_MET:
            return "met"
        return "never" if found.closed else "open"

    def filtered(
        self, every: Sequence[Spec], brief: Brief, space: Space, fence: Fence | None
    ) -> tuple[bool, list[Spec], bool]:
        """Whether the brief is proven impossible, a set that is, and whether nothing more can be left out of it."""
        if self.verdict(every, brief, space, fence) != "never":
            return False, list(every), False
        kept, minimal = list(every), True
        for spec in every:
            rest = [s for s in kept if s is not spec]
            if not rest or _smallest(brief, space, fence, rest)[0] <= _MET:
                continue
            found = self.verdict(rest, brief, space, fence)
            kept = rest if found == "never" else kept
            minimal &= found != "open"
        return True, kept, minimal


def _balance(brief: Brief, space: Space, fence: Fence | None, specs: Sequence[Spec]) -> Array:
    """Weights (k,) of the misses whose slopes hold the balance with the limits, where the largest miss is smallest."""
    _, x, combo = _smallest(brief, space, fence, specs)
    part, chosen = space.at(combo), space.chosen(combo, 1)
    pairs = [spec.miss(x, chosen) for spec in specs]
    value, slope = np.array([m for m, _ in pairs]), np.array([s @ part.basis for _, s in pairs])
    u = part.region.coded(x[None])[0]
    rows = part.G[part.h - part.G @ u <= _MET]
    if fence is not None:
        leverage, steep = fence.with_slopes(x[None], chosen)
        if leverage[0] >= fence.limit * (1 - 1e-4):
            rows = np.vstack([rows, steep @ part.basis])
    scale = max(float(np.abs(slope).max()), 1e-12)
    lengths = np.maximum(np.linalg.norm(rows, axis=1, keepdims=True), 1e-12)
    # Misses below the largest have no weight there; the last line has the weights add up to 1.
    heavy = 1e3 * np.minimum(value.max() - value, 1.0)
    system = np.vstack([
        np.column_stack([slope.T / scale, (rows / lengths).T]),
        np.append(heavy, np.zeros(len(rows))),
        np.append(np.full(len(value), 10.0), np.zeros(len(rows))),
    ])  # fmt: skip
    found, _ = nnls(system, np.append(np.zeros(len(u) + 1), 10.0))
    weights = found[: len(value)]
    total = float(weights.sum())
    out: Array = weights / total if total > 0 else np.full(len(value), 1 / len(value))
    return out


def _specs(brief: Brief, space: Space) -> list[Spec]:
    out = []
    first = space.combos[0]
    middle = space.at(first)
    centre = middle.region.decoded(middle.centre[None])
    for one in brief.aimed:
        law = one.predictor.at(centre, space.chosen(first, 1))
        size = max(float(law.batch_scale[0] @ law.weights), 1e-12)
        asked = window(one.response)
        for side, sign, limit, said in (("low", 1.0, one.low, asked[0]), ("high", -1.0, one.high, asked[1])):
            if limit is not None and said is not None:
                out.append(Spec(one.response.name, side, said, limit, sign, size, one, None))
    for response in brief.exact:
        exact = exact_form(brief.study, response)
        if isinstance(exact, Unavailable):
            continue
        size = max(float(np.abs(exact.at(first).value_and_slope(centre[0])[1] @ middle.basis).sum()), 1e-12)
        for side, sign, limit in zip(("low", "high"), (1.0, -1.0), window(response), strict=True):
            if limit is not None:
                out.append(Spec(response.name, side, limit, limit, sign, size, None, exact))
    return out


def _smallest(
    brief: Brief, space: Space, fence: Fence | None, specs: Sequence[Spec], kept: Sequence[Spec] = ()
) -> tuple[float, Array, Mapping[str, str]]:
    """The smallest worst miss of `specs` found, with `kept` met, the levels (k,) and category levels it stands at."""
    quest = Quest(brief, space, "chance", fence)
    best: tuple[float, Array, Mapping[str, str]] | None = None
    for combo in space.combos:
        pool = quest.pool(combo)
        worst = _worst(specs, space, pool, combo)
        if kept:
            held = _worst(kept, space, pool, combo)
            worst = np.where(held <= _MET, worst, worst + 1e3 * (1 + held))
        order = np.argsort(worst, kind="stable")[:_STARTS]
        for i in order:
            miss, u = _run(quest, combo, specs, kept, pool[i])
            if best is None or miss < best[0] - 1e-9:
                place = space.at(combo)
                best = (miss, place.origin + place.basis @ u, combo)
            if not kept and miss <= _MET:
                return best
    return best if best is not None else (0.0, space.origin, space.combos[0])


def _run(
    quest: Quest, combo: Mapping[str, str], specs: Sequence[Spec], kept: Sequence[Spec], start: Array
) -> tuple[float, Array]:
    space, chosen = quest.space.at(combo), quest.space.chosen(combo, 1)

    def misses(of: Sequence[Spec], u: Array) -> tuple[Array, Array]:
        pairs = [spec.miss(space.origin + space.basis @ u, chosen) for spec in of]
        return np.array([m for m, _ in pairs]), np.array([s @ space.basis for _, s in pairs])

    def met(u: Array) -> tuple[Array, Array]:
        miss, slope = misses(kept, u)
        return -miss, -slope

    hill = quest.hill(combo, (met,) if kept else ())
    end, _ = climb_smallest_miss(hill, lambda u: misses(specs, u), start)
    end = space.repaired(np.clip(end, -1.0, 1.0))
    held = float(misses(kept, end)[0].max()) if kept else 0.0
    miss = float(misses(specs, end)[0].max())
    return (miss if held <= 1e-4 else miss + 1e3 * held), end


def _worst(specs: Sequence[Spec], space: Space, U: Array, combo: Mapping[str, str]) -> Array:
    """The largest miss at each of many places, (n,)."""
    X, chosen = space.at(combo).region.decoded(U), space.chosen(combo, len(U))
    values: dict[str, Array] = {}
    worst = np.full(len(U), -np.inf)
    for spec in specs:
        if spec.aimed is None:
            value = np.full(len(X), spec.limit) if spec.exact is None else spec.exact.values(X, chosen)
        else:
            if spec.response not in values:
                values[spec.response] = spec.aimed.predictor.at(X, chosen).mean()
            value = values[spec.response]
        worst = np.maximum(worst, spec.sign * (spec.limit - value) / spec.size)
    return worst
