"""Textbook plans fitted to a study: which family fits, at which levels, and what to do when none does."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from doe.definition.parts import PlanWish
from doe.design import blocking, classical
from doe.design.composite import composite
from doe.problems import PlanError, Problem
from doe.region.region import Region
from doe.search import candidates
from doe.search.spaces import Layout

if TYPE_CHECKING:
    from doe.study import Study

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

_BLENDS = ("lattice", "centroid")
_PROCESS = (
    "factorial", "fractional", "plackett-burman", "definitive-screening", "central-composite", "box-behnken",
)  # fmt: skip
# The keys of [plan] that speak of some designs only.
_SPEAKS = {
    "fraction": ("fractional", "central-composite"),
    "centre_points": _PROCESS,
    "axial": ("central-composite",),
    "degree": ("lattice",),
}
CENTRED = ("central-composite", "box-behnken")
_TWO_LEVEL = ("factorial", "fractional", "plackett-burman")
_INSTEAD = 'use design = "optimal", which plans for any limits, or design = "vertices"'


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """A textbook plan: coded recipes U (n, d), C (n, c); `findings` to tell; `outside` when axial points may be.

    `blocks`: the block of each, from 0, where the textbook says so.
    """

    U: Array
    C: Indices
    findings: tuple[Problem, ...] = ()
    outside: bool = False
    blocks: tuple[int, ...] = ()


def unused(study: Study, wish: PlanWish) -> tuple[Problem, ...]:
    """Keys of [plan] that the design asked for has no use for."""
    out = []
    for key, families in _SPEAKS.items():
        given = getattr(wish, key)
        named = key == "centre_points" and bool(study.category_factors)
        if given is None or (wish.design in families and not named):
            continue
        of = f"{wish.design}{' with named levels' if wish.design in families else ''}"
        got = f"{key} = {given!r} is not used by the design {of}".replace("'", '"')
        do = "take it out, or choose a design that uses it"
        out.append(Problem("not-used", "warn", f"[plan], {key}", got, f"a key of {', '.join(families)}", do))
    return tuple(out)


def refuse(code: str, got: str, allowed: str, do: str, where: str = "[plan], design") -> PlanError:
    """A refusal of the plan asked for."""
    return PlanError([Problem(code, "stop", where, got, allowed, do)])


def points(study: Study, plan: Layout, wish: PlanWish, runs: int | None) -> Points:
    """The points of the textbook plan that `wish` names. Raises PlanError when the family does not fit the study."""
    family = wish.design
    region = plan.region
    if family == "space-filling":
        count = runs or max(10, 2 * len(plan.terms))
        U, C = candidates.spread(plan.pieces, region, count, wish.seed)
        return Points(U, C)
    if family == "vertices":
        return _vertices(plan, runs)
    if family in _BLENDS:
        return _blend_plan(plan, wish, runs)
    if region.blend:
        raise refuse(
            "family-needs-factors",
            f"{family} is a plan for factors, and this study blends {len(region.blend)} ingredients",
            "lattice, centroid, vertices, optimal, space-filling",
            _INSTEAD,
        )
    return _process_plan(study, plan, wish, runs)


def _vertices(plan: Layout, runs: int | None) -> Points:
    """Extreme vertices (McLean & Anderson 1966), with the overall centroid, facet centroids and edge middles.

    As many of these groups as fit into `runs`; without `runs`, all but the edge middles.
    """
    groups = [_group(plan, kind) for kind in range(4)]
    least = len(groups[0][0])
    if runs is not None and runs < least:
        combos = len(plan.combinations())
        alike = len(plan.pieces) == 1
        count = f"{least // combos if alike else least} vertices"
        count += f" at {'each of ' if alike else ''}{combos} category combinations" if combos > 1 else ""
        raise refuse(
            "fewer-runs-than-vertices",
            f"runs = {runs}, and the region has {count}",
            f"at least {least} runs for a plan of vertices",
            'use design = "optimal", which chooses the best of them and of points between',
            "[plan], runs",
        )
    U, C = groups[0]
    for more_U, more_C in groups[1 : 4 if runs is not None else 3]:
        wider = _joined(np.concatenate([U, more_U]), np.concatenate([C, more_C]))
        if runs is not None and len(wider[0]) > runs:
            break
        U, C = wider
    return Points(U, C)


def _group(plan: Layout, kind: int) -> tuple[Array, Indices]:
    """Corners (0), centroid (1), facet centroids (2) or edge middles (3) of each polytope, at its combinations."""

    def find(piece: Region, around: Region) -> Array:
        d = piece.dimension
        if kind == 0:
            return candidates.all_corners(piece, around)
        if kind == 1:
            return candidates.centroid(piece, around)
        if kind == 2:
            return around.coded(piece.face_centroids(d - 1)) if d > 1 else np.zeros((0, around.dimension))
        return candidates.edge_middles(piece, around) if d > 2 else np.zeros((0, around.dimension))

    return candidates.everywhere(plan.pieces, plan.region, find, most=10**9)


def _joined(U: Array, C: Indices) -> tuple[Array, Indices]:
    """The distinct recipes, in order of first appearance."""
    _, first = np.unique(np.round(np.column_stack([U, C]), 9) + 0.0, axis=0, return_index=True)
    keep = np.sort(first)
    return U[keep], C[keep]


def _blend_plan(plan: Layout, wish: PlanWish, runs: int | None) -> Points:
    """A lattice or centroid in the simplex above the lower limits, at every end of the factors and every category."""
    region = plan.region
    q = len(region.blend)
    if not q:
        raise refuse(
            "family-needs-blend",
            f"{wish.design} is a plan for blends, and this study has no varied ingredients",
            ", ".join((*_PROCESS, "optimal", "space-filling")),
            'for a response surface of factors use design = "central-composite" or "optimal"',
        )
    lows = np.array([region.reach[name][0] for name in region.blend])
    room = (region.blend_total or 0.0) - lows.sum()
    if wish.design == "lattice":
        shares = classical.simplex_lattice(q, wish.degree or _degree(plan))
    else:
        shares = np.concatenate([classical.simplex_centroid(q), classical.axial_blends(q)])
        if runs is not None and runs < len(shares):
            shares = shares[:-q] if runs >= len(shares) - q else shares
        if runs is None:
            shares = shares[:-q]
    blend = lows + room * shares
    numeric = [name for name in region.names if name not in region.blend]
    ends = list(product(*(region.reach[name] for name in numeric)))
    setting = np.array(ends, dtype=float).reshape(len(ends), len(numeric))
    X = np.concatenate([np.tile(blend, (len(setting), 1)), np.repeat(setting, len(blend), axis=0)], axis=1)
    U, C = candidates.with_levels(region.coded(X), plan.combinations(), most=10**9)
    if not region.contains(region.decoded(U), 1e-7, plan.chosen(C)).all():
        raise refuse(
            "not-a-simplex",
            f"a {wish.design} needs a region that is a whole simplex above the lower limits; here other limits cut it",
            "ingredients with lower limits only (an upper limit counts when it cuts)",
            _INSTEAD,
        )
    _enough(
        wish.design, len(U), runs, f"{len(blend)} blends" + (" crossed with the factors" if len(X) > len(blend) else "")
    )
    return Points(U, C)


def _degree(plan: Layout) -> int:
    return max(1, min(3, plan.terms.degree)) if plan.region.blend == plan.region.names else min(2, plan.terms.degree)


def _enough(family: str, count: int, runs: int | None, what: str) -> None:
    if runs is not None and runs < count:
        raise refuse(
            "fewer-runs-than-points",
            f"runs = {runs}, and this {family} plan has {count} points ({what})",
            f"at least {count} runs, the rest become replicate batches",
            f'give runs = {count} or more, leave runs out, or use design = "optimal"',
            "[plan], runs",
        )


def _process_plan(study: Study, plan: Layout, wish: PlanWish, runs: int | None) -> Points:
    """A plan of factors at low, high and between: coded rows first, then in the study's units, held to its limits."""
    family = wish.design
    numeric = [f.name for f in study.numeric_factors]
    categories = list(study.category_factors)
    many = [f.name for f in categories if len(f.levels) > 2]
    if categories and (family not in _TWO_LEVEL or (many and family != "factorial")):
        raise refuse(
            "family-needs-numbers",
            f"{family} sets factors to numbers, and {', '.join(f.name for f in categories)} has named levels",
            "numeric factors" + (" and categories of two levels" if family in _TWO_LEVEL else ""),
            'use design = "optimal" or "factorial"',
        )
    blocks: tuple[int, ...] | None = None
    if family == "central-composite" and not categories and len(numeric) > 1:
        cube = _fraction(numeric, wish.fraction, "all corners are taken") if wish.fraction else None
        rows, blocks, outside, findings = composite(study.numeric_factors, wish, runs, cube)
        findings = (*(_letters(numeric, wish.fraction) if wish.fraction else ()), *findings)
    else:
        rows, findings = _coded_rows(study, family, wish, runs)
        outside = False
    coded, C = rows[:, : len(numeric)], rows[:, len(numeric) :]
    level = C.astype(np.intp) if family == "factorial" else ((C + 1) / 2).astype(np.intp)
    centres = 0 if blocks is not None else _centres(family, wish, runs, len(rows), len(numeric), bool(categories))
    coded = np.concatenate([coded, np.zeros((centres, len(numeric)))])
    level = np.concatenate([level, np.zeros((centres, len(categories)), dtype=np.intp)])
    low = np.array([f.low for f in study.numeric_factors], dtype=float)
    high = np.array([f.high for f in study.numeric_factors], dtype=float)
    X = (low + high) / 2 + coded * (high - low) / 2
    U = plan.region.coded(X) if len(numeric) else np.zeros((len(X), 0))
    _check_limits(plan, family, X, level, np.abs(coded).max(axis=1, initial=0.0) <= 1 + 1e-9)
    _enough(family, len(U), runs, "with its centre points" if centres else "as tabled")
    if blocks is not None:
        return Points(U, level, findings, outside, blocks)
    if wish.n_blocks > 1 and family in ("factorial", "fractional") and not many:
        signs = np.concatenate([rows[:, : len(numeric)], 2.0 * level[: len(rows)] - 1], axis=1)
        names = [*numeric, *(f.name for f in categories)]
        blocks, told = _worded(plan, wish, signs, names, U, level)
        return Points(U, level, findings + told, outside, blocks)
    return Points(U, level, findings, outside)


def _check_limits(plan: Layout, family: str, X: Array, level: Indices, core: npt.NDArray[np.bool_]) -> None:
    """Raises PlanError where a limit forbids some of the trials X (n, k), `level` (n, c).

    Those of the `core` (n,) lie between low and high; the axial ones of a central composite may lie beyond, and are
    held to the limits alone.
    """
    if not plan.region.contains(X[core], 1e-7, plan.chosen(level[core])).all():
        raise refuse(
            "limits-cut-the-plan",
            f"a {family} plan needs every combination of low and high, and a limit forbids some",
            "factors without limits between them",
            _INSTEAD,
        )
    rules = list(plan.region.limit_rows)
    A, b = plan.region.A[rules], plan.region.b[rules]
    if (X @ A.T - b > 1e-7 * np.maximum(np.abs(b), 1.0)).any():
        raise refuse(
            "limits-cut-the-plan",
            "a limit forbids some of the axial trials, which lie beyond low and high",
            "limits that all trials obey",
            'give axial = "inscribed", which keeps them within low and high, or ' + _INSTEAD.removeprefix("use "),
            "[plan], axial",
        )


def _worded(
    plan: Layout, wish: PlanWish, signs: Array, names: list[str], U: Array, level: Indices
) -> tuple[tuple[int, ...], tuple[Problem, ...]]:  # fmt: skip
    """Blocks of a two-level plan by confounding, centre points shared out; none where the plan does not part so."""
    n = len(signs)
    found = blocking.confounded(signs, wish.n_blocks, plan.raw(U[:n], level[:n]))
    if found is None:
        return (), ()
    block, words = found
    got = "blocks cannot be told from " + "; ".join(" × ".join(names[j] for j in word) for word in words)
    told = Problem("blocks-confounded", "inform", "[plan], blocks", got, "", "take what these products show for blocks")
    middle = [k % wish.n_blocks for k in range(len(U) - n)]
    return (*block.tolist(), *middle), (told,)


def _coded_rows(
    study: Study, family: str, wish: PlanWish, runs: int | None
) -> tuple[Array, tuple[Problem, ...]]:  # fmt: skip
    """The coded trials of a family without its centre points, numbers first and then categories; what to tell."""
    names = [f.name for f in (*study.numeric_factors, *study.category_factors)]
    k = len(names)
    words = _generators(k, wish, runs) if family == "fractional" and k > 2 else ""
    free = None if runs is None else runs - (wish.centre_points or 0)
    makers: Mapping[str, Callable[[], Array]] = {
        "factorial": lambda: _full(len(study.numeric_factors), [len(f.levels) for f in study.category_factors]),
        "fractional": lambda: _fraction(names, words, "the tabled one is taken" if classical.fraction_sizes(k) else ""),
        "plackett-burman": lambda: classical.plackett_burman(k, free),
        "definitive-screening": lambda: classical.definitive_screening(k),
        "central-composite": lambda: classical.central_composite(k),
        "box-behnken": lambda: classical.box_behnken(k),
    }
    least = {"central-composite": 2, "fractional": 3, "plackett-burman": 2}.get(family, 1)
    if k < least:
        raise refuse("too-few-factors", f"{family} with {k} factor", f"at least {least} factors", _INSTEAD)
    try:
        rows = makers[family]()
    except PlanError:
        raise
    except ValueError as error:
        raise refuse("family-does-not-fit", f"{family}: {error}", "a tabled plan", _INSTEAD) from None
    return rows, _letters(names, words) if words else ()


def _fraction(names: Sequence[str], words: str, without: str) -> Array:
    """A two-level fraction from generators in words. Raises PlanError where they are none; `without`: what happens."""
    try:
        return classical.fractional(len(names), words, names)
    except ValueError as error:
        do = f"mend fraction, or leave it out{f': {without}' if without else ''}"
        raise refuse("no-fraction", str(error), "generators such as D = ABC", do, "[plan], fraction") from None


def _letters(names: Sequence[str], words: str) -> tuple[Problem, ...]:
    """What the letters of a fraction stand for, and what each generator does."""
    called = dict(zip(classical.LETTERS, names, strict=False))
    made = classical.generated(len(names), words)
    told = []
    for target, word in made.items():
        product = " × ".join(called[letter] for letter in word.lstrip("-"))
        told.append(f"{called[target]} = {'-' if word.startswith('-') else ''}{product}")
    got = f"a fraction of all {2 ** len(names)} combinations, in which {', '.join(told)} ({words})"
    return (Problem("fraction", "inform", "[plan], fraction", got, "", "see what is read only together"),)


def _full(numeric: int, levels: list[int]) -> Array:
    lists = [*[range(n) for n in reversed(levels)], *[(-1, 1)] * numeric]
    return np.array(list(product(*lists)), dtype=float)[:, ::-1].copy()


def _generators(k: int, wish: PlanWish, runs: int | None) -> str:
    if wish.fraction:
        return wish.fraction
    tabled = classical.fraction_sizes(k)
    fits = [size for size in tabled if runs is None or size <= runs]
    if not fits:
        raise refuse(
            "no-fraction",
            f"no tabled fraction of {k} factors" + (f" in {runs} runs" if runs else ""),
            f"runs of {', '.join(map(str, tabled))}" if tabled else "3 to 8 factors",
            'give fraction = "D = ABC" and so on, or use design = "optimal"',
        )
    found = classical.generators(k, fits[-1] if runs is not None else _half(k, fits))
    return found or ""


def _half(k: int, sizes: list[int]) -> int:
    """Where no count is given: the smallest tabled fraction that keeps main effects clear of two-factor products."""
    clear = {3: 4, 4: 8, 5: 16, 6: 16, 7: 16, 8: 16}
    return clear.get(k, sizes[-1])


def _centres(family: str, wish: PlanWish, runs: int | None, rows: int, numeric: int, mixed: bool) -> int:
    if mixed or not numeric:
        return 0
    if wish.centre_points is not None:
        return wish.centre_points
    if family == "central-composite":
        half = rows - 2 * numeric == 2 ** (numeric - 1)
        usual = (classical.CENTRES_OF_HALF if half else classical.CENTRES).get(numeric, 10)
        return max(1, runs - rows) if runs is not None else usual
    if family == "box-behnken":
        return max(1, runs - rows) if runs is not None else (3 if numeric <= 4 else 6)
    return 0
