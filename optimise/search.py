"""The formula to make: the best of the joint chance, or of the published desirability, over the exact region."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.problems import ModelError, Problem, StudyError, listed
from doe.study import Study
from doe.threads import one_thread
from doe.trade.rulebook import RULES
from optimise.formula.alternatives import alternatives, limited_by
from optimise.formula.brief import Brief, searchable
from optimise.formula.curvature import curvature_untested
from optimise.formula.entries import entries
from optimise.formula.front import cheapest, check_against, front
from optimise.formula.lots import lots_findings
from optimise.formula.optimum import Optimum
from optimise.formula.peaks import Multistart, Peak
from optimise.formula.plateau import likeliest
from optimise.formula.space import Space, as_told
from optimise.formula.tolerances import joint_tolerances, worth_keeping
from optimise.formula.unvaried import Unvaried, unvaried_by_trials
from optimise.formula.weighed import weighed_findings
from optimise.formula.wholesteps import coarse_first, in_whole_steps, weighable
from optimise.models.chance import joint_chance, open_ends
from optimise.models.fewbatches import few_batches
from optimise.models.models import Models
from optimise.models.predictors import split_levels
from optimise.models.recipes import off_steps
from optimise.proof.certify import A_SECOND, Searched, certificate, searched
from optimise.proof.clash import Clash, find_clash
from optimise.proof.nearest import closest

Array = npt.NDArray[np.float64]

_STARTS = 6  # of a search, shared out among the combos of categories
_TIE = 1e-9  # scores that differ by less are equal
_SMALL = 0.05  # a joint chance below this is asked which musts stand against each other
_ON_THE_FRONT = ("cost_per_kg", "chance_all", "desirability", "blend", "factors")
_BESIDE = ("label", "blend", "factors", "responses", "chance_all", "chance_interval", "desirability", "cost_per_kg")


@one_thread
def find(
    study: Study, models: Models, hold: Mapping[str, Any] | None = None, objective: str = "chance", *,
    outside: bool = False, starts: int = _STARTS, lean: bool = False, against: Sequence[str] = (),
    prove: float | None = None,
) -> Optimum:  # fmt: skip
    """The formula with the highest objective that keeps every limit, with what the manager asks about it.

    `objective`: chance (joint chance of one new batch, predictions from `models` as they stand) or desirability
    (Derringer & Suich 1980, on the least-squares centres of the planned model; among equals the likeliest). `hold`
    fixes levels by name. The search stays where prediction is no worse than at some trial, unless `outside`. It runs
    uphill from `starts` places spread over the region, and from more where several tops are met; it is deterministic.
    Limits of exact musts (cost, linear sums) are limits of the search. Where there are only wishes, their desirability
    is searched, whatever the objective. The front is that of the objective against the cost, or `against` one response
    of which something is wanted, or between two of them among formulas that keep 0.9 of the objective. The proof that
    there is no better takes about `prove` seconds of one core at most; by itself one, five from six free dimensions on.
    `lean` leaves out what lies around the formula (alternatives, front, tolerances, clash): for many studies at once.
    Raises StudyError for holds that are not possible, ModelError for an unknown objective or no time for a proof.
    """
    if objective not in ("chance", "desirability"):
        got = f"objective {objective!r}"
        raise ModelError(
            [Problem("unknown-objective", "stop", "optimise", got, "chance or desirability", "choose one")]
        )
    if prove is not None and not 0 < prove < np.inf:
        raise ModelError(
            [Problem("no-time", "stop", "prove", f"{prove!r}", "seconds, more than 0", "give some, or none")]
        )
    brief, objective, findings = searchable(study, models, objective)
    check_against(brief, against)
    findings += off_steps(study, hold or {})
    ground, closed = _ground(brief, hold, Unvaried() if outside else unvaried_by_trials(models, brief.fence))
    multistart = Multistart(brief, ground.space, objective, None if outside else brief.fence)
    peaks = _peaks(multistart, starts)
    best = _best(multistart, peaks)
    work = None if prove is None else prove * A_SECOND
    found = Searched(None, peaks) if lean else searched(multistart, peaks, best.score, work)
    if found.peaks is not peaks:
        best = _best(multistart, found.peaks)
    findings += [*closed, *few_batches(study, models)]
    asked = _Asked(dict(hold or {}), outside, lean, tuple(against))
    return _described(multistart, models, ground, best, found, asked, findings)


@one_thread
def tolerances(study: Study, models: Models, levels: pd.DataFrame) -> dict[str, tuple[float, float]]:
    """Lowest and highest level of each ingredient and factor, all at once, that keep 0.9 of the chance of a formula.

    `levels` is a frame of one row; empty where no chance can be had. Within the limits, exact musts and the fence.
    """
    brief = Brief.of(study, models, "chance")
    whole = study.complete(levels)
    X, chosen = split_levels(whole, study.region)
    combo = {name: str(values[0]) for name, values in chosen.items()}
    if not brief.aimed or not study.region.contains(X, 1e-6, chosen)[0]:
        return {}
    space = Space.build(study)
    multistart = Multistart(brief, space, "chance", brief.fence)
    return joint_tolerances(multistart, X[0], combo, unvaried_by_trials(models, brief.fence).names)


@dataclass(frozen=True, slots=True, eq=False)
class _Ground:
    """Where the search goes.

    `exact_met`: whether the limits of exact musts are kept; `unvaried`: what it keeps at the levels as tried.
    """

    space: Space
    exact_met: bool
    unvaried: Unvaried


@dataclass(frozen=True, slots=True, eq=False)
class _Asked:
    """What was asked of the search beside its objective (see `find`)."""

    hold: Mapping[str, Any]
    outside: bool
    lean: bool
    against: tuple[str, ...]


def _ground(brief: Brief, hold: Mapping[str, Any] | None, unvaried: Unvaried) -> tuple[_Ground, list[Problem]]:
    """The space with the limits of exact musts and the levels as tried, or without those that no recipe keeps.

    And what there is to say of exact musts that none keeps.
    """
    for kept in (unvaried, Unvaried()) if unvaried.rows else (unvaried,):
        try:
            return _Ground(Space.build(brief.study, hold, brief.exact, kept.rows), True, kept), []
        except StudyError as error:
            closed = error
    if not brief.exact:
        raise closed
    return _Ground(Space.build(brief.study, hold), False, Unvaried()), as_told(closed)


def _peaks(multistart: Multistart, starts: int) -> list[Peak]:
    if not multistart.brief.aimed and not multistart.brief.properties:
        return [Peak(multistart.space.centre, multistart.space.combos[0], 0.0)]
    found = multistart.peaks(max(1, starts))
    return [*likeliest(multistart, found), *found]


def _best(multistart: Multistart, peaks: list[Peak]) -> Peak:
    """The best recipe of whole weighable steps next to any peak; among equals the likeliest to pass."""
    rounded = [weighable(multistart, peak) for peak in peaks]
    rounded += coarse_first(multistart, peaks, max(peak.score for peak in rounded))
    top = max(peak.score for peak in rounded)
    equals = [peak for peak in rounded if peak.score >= top - _TIE]
    if multistart.objective == "desirability" and multistart.brief.aimed:
        likely = replace(multistart, objective="chance")
        return max(equals, key=lambda p: round(float(likely.score(p.u[None], p.combo)[0]), 9))
    return equals[0]


def _with_alternatives(multistart: Multistart, best: Peak, peaks: list[Peak]) -> tuple[Peak, list[Peak]]:
    """The best and others apart from it; where whole steps let another come out better, that one is the best."""
    others = alternatives(multistart, best, peaks)
    if others and others[0].score > best.score + _TIE:
        best = others[0]
        others = alternatives(multistart, best, peaks)
    return best, others


def _described(
    multistart: Multistart,
    models: Models,
    ground: _Ground,
    best: Peak,
    found: Searched,
    asked: _Asked,
    findings: list[Problem],
) -> Optimum:
    """All that is said of the formula found; what there is to say of the search comes before the other findings."""
    objective, brief, study, peaks = multistart.objective, multistart.brief, multistart.brief.study, found.peaks
    wide = bool(brief.aimed or brief.properties) and not asked.lean
    best, others = _with_alternatives(multistart, best, peaks) if wide else (best, [])
    worth = worth_keeping(best.score)
    entry, beside = entries(multistart, models, [best])[0], entries(multistart, models, others)
    space = multistart.space.at(best.combo)
    x = space.region.decoded(best.u[None])[0]
    missed = _centres_missed(entry, brief)
    met = not missed and ground.exact_met
    clash = Clash() if asked.lean else _clash(multistart, ground, asked, entry, met)
    value = entry["chance_all"] if objective == "chance" else entry["desirability"]
    # A formula beyond the fence is not one of those the proof is about.
    within = asked.outside or multistart.fence is None or entry["inside"]
    proof = found.proof if ground.exact_met and within else None
    held = (*asked.hold, *ground.unvaried.names)
    on_front = entries(multistart, models, front(multistart, best, peaks, asked.against)) if wide else []
    saving = cheapest(multistart, best, peaks) if wide and worth and ground.exact_met else None
    findings = [*findings, *_findings(multistart, models, ground, best, entry, asked)]
    if missed and ground.exact_met and wide and not clash.entries and objective == "chance" and within:
        findings.append(_missed_for_the_chance(missed))
    findings += [_no_tolerances(objective)] if wide and not worth else []
    return Optimum(
        objective=objective,
        label="F1",
        blend=entry["blend"],
        factors=entry["factors"],
        feasible=met,
        responses=entry["responses"],
        chance=entry["chance_all"],
        chance_interval=entry["chance_interval"],
        chance_error=_chance_error(brief, models, x, best.combo),
        desirability=entry["desirability"],
        cost_per_kg=entry["cost_per_kg"],
        certificate=certificate(objective, value, multistart, models, proof, ground.exact_met, held, entry["inside"]),
        at_limits=_at_limits(space, x),
        inside=entry["inside"],
        in_hull=entry["in_hull"],
        leverage=entry["leverage"],
        alternatives=tuple(_part({**row, "label": f"F{i}"}, _BESIDE) for i, row in enumerate(beside, 2)),
        front=tuple(_on_front(row, asked.against) for row in on_front),
        front_of=(*([objective] if len(asked.against) < 2 else []), *(asked.against or ["cost_per_kg"])),
        cheapest=None if saving is None else _on_front(entries(multistart, models, [saving])[0], ()),
        tolerances=joint_tolerances(multistart, x, best.combo, ground.unvaried.names) if wide and worth else {},
        limited_by=tuple(limited_by(brief, x, best.combo)),
        clash=clash.entries,
        closest=closest(multistart, models, clash.closest, asked.hold),
        findings=tuple(findings),
        study_digests=study.digests,
        results_digest=models.results_digest,
    )


def _clash(multistart: Multistart, ground: _Ground, asked: _Asked, entry: Mapping[str, Any], met: bool) -> Clash:
    """Musts that cannot be met together, looked for where the formula misses one, or hardly ever passes."""
    brief, chance = multistart.brief, entry["chance_all"]
    if not (brief.aimed or brief.exact) or (met and not (isinstance(chance, float) and chance < _SMALL)):
        return Clash()
    return find_clash(brief, Space.build(brief.study, asked.hold, tied=ground.unvaried.rows), multistart.fence)


def _findings(
    multistart: Multistart, models: Models, ground: _Ground, best: Peak, entry: Mapping[str, Any], asked: _Asked
) -> list[Problem]:
    """What to look at in the formula found."""
    brief, space, chance = multistart.brief, multistart.space.at(best.combo), entry["chance_all"]
    X = space.region.decoded(best.u[None])
    out: list[Problem] = []
    if not in_whole_steps(multistart, best):
        got, do = "no recipe of whole steps is allowed here", "take smaller steps or wider limits"
        out.append(Problem("not-weighable", "warn", "optimise", got, "shown to full precision", do))
    if brief.fence is None:
        out.append(unvaried_by_trials(models, None).finding(bool(ground.unvaried.rows)))
    elif not entry["inside"]:
        out.append(_outside(asked.outside))
    out += [*curvature_untested(brief.study, models, X[0]), *(() if asked.lean else models.clashes)]
    out += [problem for problem in entry["findings"] if problem.code in RULES]
    if isinstance(chance, float) and not asked.lean:
        whole = space.frame(X, best.combo)
        out += lots_findings(models, whole, chance) + weighed_findings(models, whole, chance)
    return out


def _outside(asked_for: bool) -> Problem:
    got = "the formula lies outside what was tried, as asked for"
    do = "make a batch of it before trusting any number"
    if not asked_for:
        got = "no formula was found within what was tried: this is the best of the places nearest to that"
        do = "make trials near it before trusting any number; optimise --outside looks for the best beyond"
    return Problem("outside", "warn", "optimise", got, "prediction no worse than at some trial", do)


def _no_tolerances(objective: str) -> Problem:
    """That there is next to no chance that could be kept."""
    got = f"next to no {objective} is left"
    do = "no tolerances of the levels are given: first find a formula worth keeping"
    return Problem("no-tolerances", "inform", "optimise", got, "", do)


def _part(entry: Mapping[str, Any], names: Sequence[str]) -> dict[str, Any]:
    return {name: entry[name] for name in names}


def _on_front(entry: Mapping[str, Any], against: Sequence[str]) -> dict[str, Any]:
    """A formula of the front, with what is predicted of the aims it was asked for."""
    values = {name: entry["responses"][name]["predicted"] for name in against}
    return {**_part(entry, _ON_THE_FRONT), **({"values": values} if against else {})}


def _chance_error(brief: Brief, models: Models, x: Array, combo: Mapping[str, str]) -> float:
    """Numerical error bar of the joint chance at levels x (k,)."""
    if not brief.aimed:
        return 0.0
    chosen = {name: np.array([level], dtype=object) for name, level in combo.items()}
    names = [one.response.name for one in brief.aimed]
    laws = [one.predictor.at(x[None], chosen) for one in brief.aimed]
    correlation = models.residual_correlation.loc[names, names].to_numpy(dtype=float)
    return float(joint_chance(laws, [(one.low, one.high) for one in brief.aimed], correlation).error[0])


def _centres_missed(entry: Mapping[str, Any], brief: Brief) -> list[str]:
    """The musts whose predicted centre does not lie within its limits."""
    missed = []
    for one in brief.aimed:
        found = entry["responses"].get(one.response.name, {}).get("predicted")
        at = float(one.scale.forward(found)) if isinstance(found, float) else np.nan
        size = 1e-9 * max(1.0, abs(at))
        low, high = open_ends((one.low, one.high))
        if not low - size <= at <= high + size:
            missed.append(one.response.name)
    return missed


def _missed_for_the_chance(missed: Sequence[str]) -> Problem:
    """Musts that the likeliest formula misses in its predictions, though some recipe is predicted to meet all."""
    got = f"the likeliest formula is predicted beyond the limit of {listed(missed)}"
    allowed = "recipes predicted within all limits are there, but their batches pass less often"
    return Problem(
        "beyond-a-limit",
        "warn",
        "optimise",
        got,
        allowed,
        "make further trials (next --learn), or agree which limit may move",
    )


def _at_limits(space: Space, x: Array) -> tuple[str, ...]:
    """Labels of the bounds and limits that the formula stands on; what is held does not count."""
    region = space.region
    reach = {name: high - low for name, (low, high) in region.reach.items()}
    room = region.b - region.A @ x
    size = np.abs(region.A) @ np.array([max(reach[name], 1e-12) for name in region.names])
    moves = np.abs(region.A @ space.basis).sum(axis=1) > 1e-12 * np.maximum(np.abs(region.A).sum(axis=1), 1e-300)
    on = (room <= 1e-6 * size) & moves
    return tuple(dict.fromkeys(label for label, flag in zip(region.labels, on, strict=True) if flag))
