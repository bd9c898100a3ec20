"""The formula to make: the best of the joint chance, or of the published desirability, over the exact region."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.definition.parts import Response
from doe.problems import ModelError, Problem, StudyError, Unavailable, listed
from doe.study import Study
from doe.threads import one_thread
from doe.trade.rulebook import RULES
from optimise.formula import allowance, around
from optimise.formula.brief import Brief
from optimise.formula.exact import Exact, exact_form
from optimise.formula.lots import lots_told
from optimise.formula.measures import Price, Wanting, bands
from optimise.formula.middle import middle_untested
from optimise.formula.optimum import Number, Optimum, plain
from optimise.formula.peaks import Peak, Quest
from optimise.formula.space import Space
from optimise.formula.untried import Untried, never_tried
from optimise.formula.weighed import weighed_told
from optimise.formula.wholesteps import weighable
from optimise.models.aims import desirability, overall, wanted
from optimise.models.chance import joint_chance, open_ends
from optimise.models.few import few_batches
from optimise.models.predictors import split_levels
from optimise.models.recipes import level_of, off_steps
from optimise.proof.certify import Searched, certificate, searched
from optimise.proof.clash import Clash, find_clash
from optimise.proof.nearest import nearest_weighable

if TYPE_CHECKING:
    from optimise.models.models import Models

Array = npt.NDArray[np.float64]
Objective = Literal["chance", "desirability"]

_STARTS = 4
_TIE = 1e-9
_SMALL = 0.05
_ON_THE_FRONT = ("cost_per_kg", "chance_all", "desirability", "blend", "factors")


@one_thread
def find(
    study: Study, models: Models, hold: Mapping[str, Any] | None = None, objective: str = "chance", *,
    outside: bool = False, starts: int = _STARTS, lean: bool = False, against: Sequence[str] = (),
) -> Optimum:  # fmt: skip
    """The formula with the highest objective that keeps every limit, with what the manager asks about it.

    `objective`: chance (joint chance of one new batch, predictions from `models` as they stand) or desirability
    (Derringer & Suich 1980, on the least-squares centres of the planned model). `hold` fixes levels by name. The search
    stays where prediction is no worse than at some trial, unless `outside`. It runs uphill from `starts` places spread
    over the region, and from more where several tops are met; it is deterministic. Limits of exact musts (cost, linear
    sums) are limits of the search. Where there are only wishes, their desirability is searched, whatever the objective.
    The front is that of the objective against the cost, or `against` one response of which something is wanted, or
    between two of them among formulas that keep 0.9 of the objective. `lean` leaves out what lies around the formula
    (alternatives, front, tolerances, clash): for many studies at once. Raises StudyError for holds that are not
    possible, ModelError for an unknown objective.
    """
    if objective not in ("chance", "desirability"):
        got = f"objective {objective!r}"
        raise ModelError(
            [Problem("unknown-objective", "stop", "optimise", got, "chance or desirability", "choose one")]
        )
    findings: list[Problem] = []
    brief, objective = _brief(study, models, objective, findings)
    _check_against(brief, against)
    findings += off_steps(study, hold or {})
    tried = Untried() if outside else never_tried(models, brief.fence)
    space, exact_met, tried = _space(brief, hold, tried, findings)
    quest = Quest(brief, space, objective, None if outside else brief.fence)
    peaks = _peaks(quest, starts)
    best = _best(quest, peaks)
    found = Searched(None, peaks) if lean else searched(quest, peaks, best.score)
    if found.peaks is not peaks:
        best = _best(quest, found.peaks)
    findings += few_batches(study, models)
    return _described(quest, models, best, found, outside, exact_met, hold, findings, lean, against, tried)


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
    quest = Quest(brief, space, "chance", brief.fence)
    return allowance.tolerances(quest, quest.fence, X[0], combo, never_tried(models, brief.fence).names)


def _space(
    brief: Brief, hold: Mapping[str, Any] | None, tried: Untried, findings: list[Problem]
) -> tuple[Space, bool, Untried]:
    """The space with the limits of exact musts and the levels as tried, or without those that no recipe keeps."""
    for kept in (tried, Untried()) if tried.rows else (tried,):
        try:
            return Space.build(brief.study, hold, brief.exact, kept.rows), True, kept
        except StudyError as error:
            closed = error
    if not brief.exact:
        raise closed
    space = Space.build(brief.study, hold)
    findings += [replace(p, code="exact-limit", level="warn") for p in closed.problems]
    return space, False, Untried()


def _brief(study: Study, models: Models, objective: str, findings: list[Problem]) -> tuple[Brief, str]:
    """The brief and what the search goes up: the objective, or what stands in for it where nothing of the kind is.

    What stands in is searched just as if it had been asked for.
    """
    brief = Brief.of(study, models, objective)
    findings += [_no_model(name, why) for name, why in brief.missing.items()]
    if objective == "chance" and not brief.aimed and brief.properties:
        do = "mark what a batch has to meet as must = true"
        findings.append(
            _say("no-musts", "no fitted must with a limit", "the wishes' desirability was searched instead", do)
        )
        return Brief.of(study, models, "desirability"), "desirability"
    if objective == "desirability" and not brief.properties and brief.aimed:
        findings.append(_say("no-aims", "nothing with a desirability", "the chance was searched instead", "give aims"))
        return Brief.of(study, models, "chance"), "chance"
    if not brief.aimed and not brief.properties:
        asked, shown = wanted(brief.study), "the middle of what may be searched is shown"
        if asked:
            got = f"of {listed([r.name for r in asked])} nothing can be predicted, so there is nothing to search by"
            findings.append(_say("empty-brief", got, shown, "make the batches that the findings of fit ask for"))
        else:
            findings.append(_say("empty-brief", "no response has an aim", shown, "give responses an aim and limits"))
    return brief, objective


def _say(code: str, got: str, allowed: str, do: str) -> Problem:
    return Problem(code, "warn", "optimise", got, allowed, do)


def _no_model(name: str, why: Unavailable) -> Problem:
    return Problem("must-without-model", "warn", name, f"left out of the search: {why.reason}", "", why.do)


def _peaks(quest: Quest, starts: int) -> list[Peak]:
    if not quest.brief.aimed and not quest.brief.properties:
        return [Peak(quest.space.centre, quest.space.combos[0], 0.0)]
    return quest.peaks(max(1, starts))


def _best(quest: Quest, peaks: list[Peak]) -> Peak:
    """The best recipe of whole weighable steps next to any peak; among equals the likeliest to pass."""
    rounded = [weighable(quest, peak) for peak in peaks]
    top = max(peak.score for peak in rounded)
    equals = [peak for peak in rounded if peak.score >= top - _TIE]
    if quest.objective == "desirability" and quest.brief.aimed:
        likely = replace(quest, objective="chance")
        return max(equals, key=lambda p: round(float(likely.score(p.u[None], p.combo)[0]), 9))
    return equals[0]


def _with_alternatives(quest: Quest, best: Peak, peaks: list[Peak]) -> tuple[Peak, list[Peak]]:
    """The best and others apart from it; where whole steps let another come out better, that one is the best."""
    others = around.alternatives(quest, best, peaks)
    if others and others[0].score > best.score + _TIE:
        best = others[0]
        others = around.alternatives(quest, best, peaks)
    return best, others


def _described(
    quest: Quest, models: Models, best: Peak, found: Searched, outside: bool, exact_met: bool,
    hold: Mapping[str, Any] | None, findings: list[Problem], lean: bool, against: Sequence[str],
    tried: Untried,
) -> Optimum:  # fmt: skip
    objective, brief, study, peaks = quest.objective, quest.brief, quest.brief.study, found.peaks
    wide = bool(brief.aimed or brief.properties) and not lean
    best, others = _with_alternatives(quest, best, peaks) if wide else (best, [])
    entry = _entries(quest, models, [best], ["F1"], objective)[0]
    space = quest.space.at(best.combo)
    x = space.region.decoded(best.u[None])[0]
    labels = [f"F{i + 2}" for i in range(len(others))]
    met = _centres_met(entry, brief) and exact_met
    clash = Clash()
    if (brief.aimed or brief.exact) and not lean:
        low = isinstance(entry["chance_all"], float) and entry["chance_all"] < _SMALL
        if not met or low:
            clash = find_clash(brief, Space.build(study, hold, tied=tried.rows), quest.fence)
    if space.steps and not _weighed(space, x):
        findings.append(_say("not-weighable", "no recipe of whole steps is allowed here", "shown to full precision",
                             "take smaller steps or wider limits"))  # fmt: skip
    findings += [never_tried(models, None).finding(bool(tried.rows))] if brief.fence is None else []
    findings += _fence_findings(entry, outside) if brief.fence is not None else []
    findings += [*middle_untested(study, models, x), *(() if lean else models.clashes)]
    findings += [Problem.from_dict(row) for row in entry["findings"] if row["code"] in RULES]
    if isinstance(entry["chance_all"], float) and not lean:
        recipe = space.frame(x[None], best.combo)
        findings += lots_told(models, recipe, entry["chance_all"]) + weighed_told(models, recipe, entry["chance_all"])
    value = entry["chance_all"] if objective == "chance" else entry["desirability"]
    # A formula beyond the fence is not one of those the proof is about.
    proof = found.proof if exact_met and (outside or quest.fence is None or entry["inside"]) else None
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
        certificate=certificate(
            objective, value, quest, models, proof, exact_met, (*(hold or ()), *tried.names), bool(entry["inside"])
        ),
        at_limits=_at_limits(study, space, x),
        inside=bool(entry["inside"]),
        in_hull=entry.get("in_hull"),
        leverage=entry["leverage"],
        alternatives=tuple(_short(e) for e in _entries(quest, models, others, labels, objective)),
        front=tuple(_front(quest, models, best, peaks, objective, against)) if wide else (),
        front_of=(*([objective] if len(against) < 2 else []), *(against or ["cost_per_kg"])),
        cheapest=_cheapest(quest, models, best, peaks, objective) if wide else None,
        tolerances=_kept(quest, x, best, tried, findings) if wide else {},
        limited_by=tuple(around.limited_by(brief, x, best.combo)),
        clash=clash.entries,
        closest=_closest(quest, models, clash.closest, hold),
        findings=tuple(findings),
        study_digests=study.digests,
        results_digest=models.results_digest,
    )


def _entries(
    quest: Quest, models: Models, peaks: Sequence[Peak], labels: Sequence[str], objective: str
) -> list[dict[str, Any]]:
    """What the models say of formulas, one entry a peak: blend, factors, and the point as `predict` gives it."""
    if not peaks:
        return []
    study = quest.brief.study
    frames = []
    for peak in peaks:
        space = quest.space.at(peak.combo)
        frames.append(_tidy(study, space.frame(space.region.decoded(peak.u[None]), peak.combo), space))
    frame = pd.concat(frames, ignore_index=True)
    frame.index = pd.Index(list(labels))
    points = [_revived(point) for point in models.points(frame)]
    out = []
    for row, (label, point) in enumerate(zip(labels, points, strict=True)):
        recipe = frame.iloc[row]
        blend = {i.name: float(recipe[i.name]) for i in study.ingredients}
        factors = {f.name: str(recipe[f.name]) if f.is_category else float(recipe[f.name]) for f in study.factors}
        responses = {name: dict(entry) for name, entry in point["responses"].items()}
        one = frame.iloc[[row]]
        whole = _desirabilities(quest.brief, models, one, responses, objective)
        out.append({**point, "label": label, "blend": blend, "factors": factors, "responses": responses,
                    "desirability": whole})  # fmt: skip
    return out


def _revived(value: Any) -> Any:
    """A point of `predict --json` with absent numbers as values again."""
    if isinstance(value, Mapping):
        if "unavailable" in value:
            return Unavailable(str(value["unavailable"]), str(value["do"]))
        return {key: _revived(item) for key, item in value.items()}
    return value


def _kept(
    quest: Quest, x: Array, best: Peak, tried: Untried, findings: list[Problem]
) -> dict[str, tuple[float, float]]:
    """How far the levels may be off; where there is next to no chance to keep, that is said instead."""
    if allowance.worth_keeping(best.score):
        return allowance.tolerances(quest, quest.fence, x, best.combo, tried.names)
    got = (
        f"{'a chance' if quest.objective == 'chance' else 'a desirability'} under {100 * allowance.LEAST:.0f} % is left"
    )
    do = "no tolerances of the levels are given: first find a formula worth keeping"
    findings.append(Problem("no-tolerances", "inform", "optimise", got, "", do))
    return {}


def _chance_error(brief: Brief, models: Models, x: Array, combo: Mapping[str, str]) -> float:
    """Numerical error bar of the joint chance at levels x (k,)."""
    if not brief.aimed:
        return 0.0
    chosen = {name: np.array([level], dtype=object) for name, level in combo.items()}
    names = [one.response.name for one in brief.aimed]
    laws = [one.predictor.at(x[None], chosen) for one in brief.aimed]
    correlation = models.residual_correlation.loc[names, names].to_numpy(dtype=float)
    return float(joint_chance(laws, [(one.low, one.high) for one in brief.aimed], correlation).error[0])


def _tidy(study: Study, frame: pd.DataFrame, space: Space) -> pd.DataFrame:
    """Levels without the dust of coding: whole steps as written, the rest to 12 digits, the fill taking the residue."""
    out = frame.copy()
    for name in space.region.names:
        if name == space.region.fill:
            continue
        values = out[name].to_numpy(dtype=float)
        step = space.steps.get(name)
        near = None if step is None else np.round(values / step) * step
        whole = near is not None and bool(np.all(np.abs(near - values) <= 1e-6 * max(1.0, abs(step or 1.0))))
        out[name] = np.round(near if whole and near is not None else values, 12)
    tidied = study.complete(out)
    if space.region.fill is not None:
        tidied[space.region.fill] = np.round(tidied[space.region.fill].to_numpy(dtype=float), 10)
    return (
        tidied if bool(space.region.contains(tidied[list(space.region.names)].to_numpy(dtype=float)).all()) else frame
    )


def _desirabilities(
    brief: Brief, models: Models, frame: pd.DataFrame, responses: dict[str, dict[str, Any]], objective: str
) -> Number:
    """Add each response's desirability to its entry and return the geometric mean, on the objective's centres."""
    values: dict[str, Array] = {}
    read = {p.response.name: p for p in brief.properties}
    x, chosen = split_levels(frame, brief.study.region)
    counted = tuple(r for r in wanted(brief.study) if r.name in read)
    for response in counted:
        centre = read[response.name].values(x, chosen)
        values[response.name] = desirability(response, centre)[0]
        if response.name in responses:
            responses[response.name]["desirability"] = float(values[response.name][0])
    if objective == "desirability":
        _planned_centres(brief, models, frame, responses)
    for name, entry in responses.items():
        if "desirability" not in entry:
            entry["desirability"] = Unavailable(f"{name} has no aim", "give it an aim and limits")
    if not counted:
        return Unavailable("no response with an aim is predicted", "give responses an aim and limits")
    return float(overall(values, counted)[0])


def _planned_centres(brief: Brief, models: Models, frame: pd.DataFrame, responses: dict[str, dict[str, Any]]) -> None:
    """Centres and intervals of the least-squares fit that the desirability was taken from, in place of the others."""
    for name in models:
        predictor, planned = models.predictor(name, planned=True), models.planned(name)
        if name not in responses or isinstance(predictor, Unavailable):
            continue
        X, chosen = split_levels(frame, brief.study.region)
        law, scale, entry = predictor.at(X, chosen), planned.scale, responses[name]
        entry["predicted"] = float(scale.back(law.median())[0])
        entry["centre_from"] = "least squares of the planned model"
        if law.residual[0] == 0:
            continue
        for key, ends in (("confidence", law.mean_interval()), ("prediction", law.batch_interval()),
                          ("tolerance", law.tolerance())):  # fmt: skip
            entry[key] = [float(v) for v in scale.back(ends[0])]


def _centres_met(entry: Mapping[str, Any], brief: Brief) -> bool:
    """Whether every must's predicted centre lies within its limits."""
    for one in brief.aimed:
        found = entry["responses"].get(one.response.name, {}).get("predicted")
        if not isinstance(found, float):
            return False
        at = float(one.scale.forward(found))
        size = 1e-9 * max(1.0, abs(at))
        low, high = open_ends((one.low, one.high))
        if at < low - size or at > high + size:
            return False
    return True


def _weighed(space: Space, x: Array) -> bool:
    for name, step in space.steps.items():
        if name != space.region.fill:
            at = x[space.region.names.index(name)] / step
            if abs(at - round(at)) > 1e-6:
                return False
    return True


def _fence_findings(entry: Mapping[str, Any], outside: bool) -> list[Problem]:
    if entry["inside"]:
        return []
    allowed = "prediction no worse than at some trial"
    if outside:
        got = "the formula lies outside what was tried, as asked for"
        return [_say("outside", got, allowed, "make a batch of it before trusting any number")]
    got = "no place within what was tried was found"
    return [_say("outside", got, allowed, "make trials near it before trusting any number")]


def _at_limits(study: Study, space: Space, x: Array) -> tuple[str, ...]:
    """Labels of the bounds and limits that the formula stands on; what is held does not count."""
    region = space.region
    reach = {name: high - low for name, (low, high) in region.reach.items()}
    room = region.b - region.A @ x
    size = np.abs(region.A) @ np.array([max(reach[name], 1e-12) for name in region.names])
    moves = np.abs(region.A @ space.basis).sum(axis=1) > 1e-12 * np.maximum(np.abs(region.A).sum(axis=1), 1e-300)
    on = (room <= 1e-6 * size) & moves
    return tuple(dict.fromkeys(label for label, flag in zip(region.labels, on, strict=True) if flag))


def _closest(
    quest: Quest, models: Models, closest: Mapping[str, Any], hold: Mapping[str, Any] | None
) -> Mapping[str, Any]:
    """The recipe closest to all musts as it can be weighed, and what is predicted of it."""
    if not closest:
        return closest
    study, levels = quest.brief.study, closest["levels"]
    wide = replace(quest, space=Space.build(study, hold))
    at = np.array([[levels[name] for name in wide.space.region.names]])
    # Whether an ingredient is there or not is told by its level, and has no column of its own.
    fitting = [c for c in wide.space.combos if all(levels.get(name, level) == level for name, level in c.items())]
    combo = next((c for c in fitting if wide.space.at(c).region.contains(at, 1e-6)[0]), fitting[0])
    space = wide.space.at(combo)
    u = space.region.coded(np.array([[levels[name] for name in space.region.names]]))[0]
    u, worst = nearest_weighable(wide, u, combo)
    X = space.region.decoded(u[None])
    frame = _tidy(study, space.frame(X, combo), space)
    said, chosen = models.predict(frame).iloc[0], space.chosen(combo, 1)
    forms = {one.name: exact_form(study, one) for one in quest.brief.exact}
    exact = {name: float(form.values(X, chosen)[0]) for name, form in forms.items() if isinstance(form, Exact)}
    values = {name: exact[name] if name in exact else float(said[name]["predicted"]) for name in closest["responses"]}
    return {
        "levels": {name: level_of(frame[name].iloc[0]) for name in study.columns},
        "responses": values,
        "worst_miss": worst,
    }


def _short(entry: Mapping[str, Any]) -> dict[str, Any]:
    keys = ("label", "blend", "factors", "responses", "chance_all", "chance_interval", "desirability", "cost_per_kg")
    return {key: entry[key] for key in keys}


def _price(quest: Quest) -> Price | None:
    """The cost of a recipe, where every material has its price."""
    study = quest.brief.study
    form = exact_form(study, Response("Cost", source="cost_per_kg")) if study.ingredients else None
    return Price(quest, form) if isinstance(form, Exact) else None


def _cheapest(quest: Quest, models: Models, best: Peak, peaks: list[Peak], objective: str) -> dict[str, Any] | None:
    """The cheapest formula with practically the same chance, where it saves something."""
    price = _price(quest)
    found = None if price is None else around.cheapest(quest, best, peaks, price)
    if found is None:
        return None
    (entry,) = _entries(quest, models, [found], [""], objective)
    return {key: plain(entry[key]) for key in _ON_THE_FRONT}


def _front(
    quest: Quest, models: Models, best: Peak, peaks: list[Peak], objective: str, against: Sequence[str]
) -> list[dict[str, Any]]:
    """The best for each of a few ceilings on cost or on another aim, the least of it first."""
    if len(against) == 2:
        one, other = (_wanting(quest, name) for name in against)
        found = around.between(best, peaks, one, other)
    else:
        measure = _wanting(quest, against[0]) if against else _price(quest)
        steps = bands(quest, measure.of, around.BANDS) if isinstance(measure, Wanting) else []
        plain_front = [] if measure is None or steps else around.front(quest, best, peaks, measure)
        found = around.across(quest, best, peaks, steps) if steps else plain_front
    rows = []
    for entry in _entries(quest, models, found, ["" for _ in found], objective):
        values = {"values": {name: plain(entry["responses"][name]["predicted"]) for name in against}} if against else {}
        rows.append({**{key: plain(entry[key]) for key in _ON_THE_FRONT}, **values})
    return rows


def _wanting(quest: Quest, name: str) -> Wanting:
    """How far a response is from what is wanted of it."""
    return Wanting(quest, next(p for p in quest.brief.properties if p.response.name == name))


def _check_against(brief: Brief, against: Sequence[str]) -> None:
    """Raises ModelError with all that is wrong with the aims a front is asked for."""
    known = [p.response.name for p in brief.properties]
    allowed = ", ".join(known) or "a response with an aim and a model"
    do = "name a response of which something is wanted"
    problems = [Problem("unknown-aim", "stop", "against", name, allowed, do) for name in against if name not in known]
    if len(against) > 2 or len(set(against)) < len(against):
        got, allowed = ", ".join(against), "one or two different responses"
        problems.append(Problem("unknown-aim", "stop", "against", got, allowed, "leave some out"))
    if problems:
        raise ModelError(problems)
