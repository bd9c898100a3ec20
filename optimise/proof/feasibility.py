"""Whether some musts can be met together, decided by branch and bound on their largest miss over all of the region."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from optimise.formula.exact import Sum
from optimise.formula.space import Space
from optimise.formula.specs import Spec
from optimise.proof.branching import prove
from optimise.proof.domain import Domain
from optimise.proof.expansion import Source
from optimise.proof.missfield import MissField
from optimise.proof.misssearch import MET, MissSearch, Numbers, Place
from optimise.proof.sources import LinearSource, expander

Array = npt.NDArray[np.float64]
Verdict = Literal["met", "never", "open"]

_NEVER = 1e-9  # the least that every recipe has to miss by
# In the units of a field's `cost`: of all verdicts, and of one.
_WORK, _WORK_EACH = 6e9, 3e9


@dataclass(frozen=True, slots=True, eq=False)
class _Gain:
    """`sign` times (value - limit) over `size`, of the source of that number: not below 0 where the spec is met."""

    source: int
    sign: float
    limit: float
    size: float


@dataclass(frozen=True, slots=True, eq=False)
class _Piece:
    """One piece of the region: what gives values there, and by spec all that has to be no less than 0.

    `alone`: the misses of the piece's only recipe, where it has no more (infinite beyond the fence).
    """

    domain: Domain | None
    sources: tuple[Source, ...]
    gains: Mapping[int, tuple[_Gain, ...]]
    alone: Array | None


@dataclass(slots=True, eq=False)
class Feasibility:
    """What decides whether specs can be met together: bounds of their misses in every piece of the region.

    `left` is the work that is still allowed, over all questions. Specs that cannot be bounded in some piece are
    `left_out` there: what is proven without them is proven with them.
    """

    search: MissSearch
    pieces: tuple[_Piece, ...]
    left_out: frozenset[int]
    left: float = _WORK

    @classmethod
    def of(cls, search: MissSearch) -> Feasibility:
        """What can decide on any of the specs that `search` looks for."""
        multistart, specs = search.multistart, search.misses.specs
        pieces, unknown = [], set()
        for combo in multistart.space.combos:
            part = multistart.space.at(combo)
            if part.dimension == 0:
                spot = np.zeros((1, 0))
                there = search.misses.many(part.region.decoded(spot), multistart.space.chosen(combo, 1))[0]
                inside = bool(multistart.inside(spot, combo)[0])
                pieces.append(_Piece(None, (), {}, there if inside else np.full_like(there, np.inf)))
                continue
            sources, gains = _gains(specs, part, combo)
            unknown |= {i for i, own in gains.items() if not own}
            pieces.append(_Piece(Domain.of(part, combo, multistart.fence), sources, gains, None))
        return cls(search, tuple(pieces), frozenset(unknown))

    def decide(self, of: Numbers, near: Sequence[Place]) -> Verdict:
        """Whether some recipe meets all specs `of` ("met"), none does ("never"), or the work did not suffice ("open").

        `near` are the places that come nearest to meeting them, at most one of each piece.
        """
        if any(p.alone is not None and p.alone[list(of)].max(initial=-np.inf) <= MET for p in self.pieces):
            return "met"
        places = {place.piece: place for place in near}
        fields = []
        for number, piece in enumerate(self.pieces):
            if piece.domain is not None:
                field = self._field(piece, piece.domain, of, places.get(number))
                if field is None:
                    return "open"
                fields.append(field)
        if not fields:
            return "never"
        if self.left <= 0:
            return "open"
        found = prove(fields, -_NEVER, min(self.left, _WORK_EACH), stop=-MET)
        self.left -= found.boxes * fields[0].cost
        if found.best >= -MET:
            return "open" if self.left_out.intersection(of) else "met"
        return "never" if found.closed else "open"

    def _field(self, piece: _Piece, domain: Domain, of: Numbers, near: Place | None) -> MissField | None:
        """The field of some specs in a piece; None where nothing is known of any of them."""
        pairs = [(i, gain) for i in of for gain in piece.gains[i]]
        if not pairs:
            return None
        used = sorted({gain.source for _, gain in pairs})
        hint = None
        if near is not None:
            weights = dict(zip(of, self.search.multipliers(near, of), strict=True))
            hint = np.array([weights[i] / len(piece.gains[i]) for i, _ in pairs])
            hint = hint / hint.sum() if hint.sum() > 0 else None
        sign, limit, size = (np.array([getattr(gain, name) for _, gain in pairs]) for name in ("sign", "limit", "size"))
        which = tuple(used.index(gain.source) for _, gain in pairs)
        return MissField(domain, tuple(piece.sources[i] for i in used), which, sign, limit, size, hint)


def _gains(
    specs: Sequence[Spec], part: Space, combo: Mapping[str, str]
) -> tuple[tuple[Source, ...], dict[int, tuple[_Gain, ...]]]:
    """What gives the values of specs in one piece, and what has to be no less than 0 of each: nothing if not known."""
    sources: list[Source] = []
    fitted: dict[str, int | None] = {}
    gains: dict[int, tuple[_Gain, ...]] = {}
    for number, spec in enumerate(specs):
        if spec.aimed is not None:
            if spec.response not in fitted:
                found = expander(spec.aimed.predictor, part, combo)
                fitted[spec.response] = None if found is None else len(sources)
                sources += [] if found is None else [found]
            which = fitted[spec.response]
            gains[number] = () if which is None else (_Gain(which, spec.sign, spec.limit, spec.size),)
        elif spec.exact is not None:
            lines = _lines(spec, spec.exact.at(combo), part)
            gains[number] = tuple(_Gain(len(sources) + i, 1.0, 0.0, size) for i, (_, size) in enumerate(lines))
            sources += [line for line, _ in lines]
    return tuple(sources), gains


def _lines(spec: Spec, sums: Sum, part: Space) -> list[tuple[LinearSource, float]]:
    """Linear sums that are not below 0 where an exact spec is met, and their sizes.

    Whatever is made of a ratio lies within its limit where the ratio lies between two values, and that is linear in
    the levels. With the sizes a sum is near the limit about what the spec is missed by.
    """
    low, high = (spec.limit, None) if spec.side == "low" else (None, spec.limit)
    out = []
    for end, sign in zip((low, high) if sums.bend is None else sums.bend.ratios(low, high), (1.0, -1.0), strict=True):
        if end is None:
            continue
        weights, constant, size = sums.top, sums.constant - end, spec.size
        if sums.under is not None:
            weights, constant = sums.top - end * sums.under, sums.constant - end * sums.under_constant
            centre = part.origin + part.basis @ part.centre
            size *= max(abs(float(centre @ sums.under + sums.under_constant)), 1e-12)
        if sums.bend is not None:
            size /= max(abs(float(sums.bend.slope(np.array([end]))[0])), 1e-12)
        out.append((LinearSource.of(sign * weights, sign * constant, part), size))
    return out
