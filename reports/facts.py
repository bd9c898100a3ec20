"""What a report knows, as frozen records. `reports.gathering` fills them once; page, terminal and card only render.

A level, a reading, a prediction stand in the study's units; intervals say in their field names which of the
three they are. A number that does not exist is an `Unavailable`, never a NaN.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, is_dataclass
from types import MappingProxyType
from typing import Any, Literal

from doe.definition.materials import label
from doe.design.reading import PlanReading
from doe.problems import Problem, Unavailable

Amount = float | Unavailable
Ends = tuple[float, float]
State = Literal["meets", "close", "misses", "watched", "unknown"]
Purpose = Literal["learn", "more", "confirm"]
Verdict = Literal["make", "confirm", "more", "stop", "plan"]

_NONE: Mapping[str, Any] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Spec:
    """What is wanted of a response, and how it is measured; `grades` are names in words with the number of each."""

    name: str
    unit: str
    method: str
    aim: str
    must: bool
    exact: bool
    low: float | None = None
    target: float | None = None
    high: float | None = None
    log: bool = False
    kind: str = "number"
    grades: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Strip:
    """One spec at one formula: what a batch will read. `shape` is (value, height 0..1) of one batch's density.

    `predicted` is the mean, on a log scale the median. `confidence` is for the mean, `prediction` for one new
    batch, `tolerance` for 95 % of all batches; each at 95 %. `together` are the first two for all responses at once.
    `marks` are readings of references (name, value). Of grades in words, `shares` says how often a new batch has each.
    """

    spec: Spec
    predicted: Amount
    sd: Amount
    confidence: Ends | Unavailable
    prediction: Ends | Unavailable
    tolerance: Ends | Unavailable
    chance: Amount
    state: State
    axis: Ends
    shape: tuple[tuple[float, float], ...] = ()
    marks: tuple[tuple[str, float], ...] = ()
    measured: tuple[float, ...] = ()
    together: tuple[Ends, Ends] | None = None
    shares: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Line:
    """One ingredient of a formula: its level, and how far it is allowed to go, was tried, stands now."""

    name: str
    inci: tuple[tuple[str, float], ...]
    phase: str
    role: str
    level: float
    grams: float
    step: float | None
    allowed: Ends | None
    tried: Ends | None
    tolerance: Ends | None = None
    material: str = ""
    assay: float = 1.0

    @property
    def active(self) -> float | None:
        """The level of the active part; None where all of it is active."""
        return None if self.assay == 1 else self.level * self.assay

    @property
    def label(self) -> str:
        """The name as people read it, with the material that stands in its place where there is a choice."""
        return label(self.name, self.material)


@dataclass(frozen=True, slots=True)
class Setting:
    """One process factor of a formula. `value` is a number or the name of a level, `said` as it is read."""

    name: str
    unit: str
    value: float | str
    said: str
    allowed: Ends | None
    tried: Ends | None
    levels: tuple[str, ...] = ()
    tolerance: Ends | None = None


@dataclass(frozen=True, slots=True)
class Trade:
    """What one formula declares and is as a whole, and what checks of the trade say of it.

    `names` are INCI names with their % of the product, descending, `declared` the same as one line with the `allergens`
    that are above `threshold` [%] (None where no rule of ours holds), `groups` as lists under their headings; `untold`
    says whose allergens are not given, `unnamed` whose INCI name. `laws` are the legal lines that counted, in words;
    `whole` is (what, value, unit).
    """

    names: tuple[tuple[str, float], ...]
    declared: str
    groups: tuple[tuple[str, tuple[str, ...]], ...]
    allergens: tuple[tuple[str, float], ...]
    threshold: float | None
    untold: str
    unnamed: str
    laws: tuple[str, ...]
    whole: tuple[tuple[str, Amount, str], ...]
    findings: tuple[Problem, ...]


@dataclass(frozen=True, slots=True)
class Formula:
    """A formula with what is predicted of it. `confirmed` says what confirmation batches showed, if any were made.

    `moved` says how its chance has changed since it was kept, and that fresh batches did not confirm it. `broken` names
    the limits now in force that it does not keep: it may have been kept before they were.
    """

    name: str
    unit: str
    total: float
    batch_g: float
    balance_g: float
    lines: tuple[Line, ...]
    settings: tuple[Setting, ...]
    strips: tuple[Strip, ...]
    chance: Amount
    chance_interval: Ends | Unavailable
    cost_per_kg: Amount
    currency: str
    pack_g: float | None
    inside: bool | Unavailable
    desirability: Amount
    confirmed: str | None = None
    broken: tuple[str, ...] = ()
    findings: tuple[Problem, ...] = ()
    moved: str = ""
    in_hull: bool | None = None
    trade: Trade | None = None

    @property
    def phases(self) -> tuple[tuple[str, tuple[Line, ...]], ...]:
        """Lines by phase, in the order of making."""
        names = dict.fromkeys(line.phase for line in self.lines)
        return tuple((name, tuple(line for line in self.lines if line.phase == name)) for name in names)

    @property
    def weakest(self) -> Strip | None:
        """The must with the lowest chance."""
        judged = [s for s in self.strips if s.spec.must and isinstance(s.chance, float)]
        return min(judged, key=lambda s: s.chance if isinstance(s.chance, float) else 1.0, default=None)

    def to_dict(self) -> dict[str, Any]:
        """The formula as plain data for JSON."""
        out: dict[str, Any] = _plain(self)
        return out


def _plain(value: Any) -> Any:
    if is_dataclass(value) and not isinstance(value, type) and not hasattr(value, "to_dict"):
        return {f.name: _plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Formula):
        return {f.name: _plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, tuple):
        return [_plain(inner) for inner in value]
    return value


@dataclass(frozen=True, slots=True)
class Decision:
    """The first line: what to do, because of what."""

    verdict: Verdict
    line: str
    because: str


@dataclass(frozen=True, slots=True)
class NextStep:
    """What to do next, its cost, its `days` of work at the bench, and what it would tell (`gain`)."""

    line: str
    batches: int
    cost: Amount
    days: Amount
    gain: str = ""


@dataclass(frozen=True, slots=True)
class FurtherFacts:
    """What further trials are expected to bring: sentences, a row a number of them, and what the columns mean."""

    says: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str


@dataclass(frozen=True, slots=True)
class Effect:
    """One response along one direction from the formula. Points are (level, mean, confidence low, high).

    For a category, `levels` names what stands at 0, 1, ... and the direction is its name. A `slight` one moves the mean
    less than one batch differs from the next.
    """

    direction: str
    unit: str
    points: tuple[tuple[float, float, float, float], ...]
    now: float
    span: float
    levels: tuple[str, ...] = ()
    slight: bool = False


@dataclass(frozen=True, slots=True)
class EffectRow:
    """All directions of one response, the strongest first, with the sentence that reads them.

    With `is_chance` it is the chance that every must is met, in percent.
    """

    spec: Spec
    axis: Ends
    effects: tuple[Effect, ...]
    reading: str
    is_chance: bool = False


@dataclass(frozen=True, slots=True)
class Frame:
    """The triangle of a blend of three: at its corner each stands at its `low` plus `room`, the others at theirs."""

    names: tuple[str, str, str]
    unit: str
    low: tuple[float, float, float]
    room: float


@dataclass(frozen=True, slots=True)
class Blends:
    """The trials of a blend of three in its triangle: `polygon` bounds what the limits allow, by the first two levels.

    `trials` are (id, first level, second level, round).
    """

    frame: Frame
    polygon: tuple[tuple[float, float], ...]
    trials: tuple[tuple[str, float, float, int], ...]


@dataclass(frozen=True, slots=True)
class Slice:
    """One response over two levels, all else held or giving way as `held` says. `values[j][i]` at ys[j], xs[i].

    `polygon` bounds what the limits allow; `inside[j][i]` says what was tried; `trials` are (id, x, y, near) with
    `near` 1 for a trial in this very slice, towards 0 for one far from it. Where three ingredients make the blend,
    `frame` is the triangle it is drawn in. `spec` says how values are told, where they are not plain numbers.
    """

    title: str
    unit: str
    x_name: str
    y_name: str
    x_unit: str
    y_unit: str
    xs: tuple[float, ...]
    ys: tuple[float, ...]
    values: tuple[tuple[float, ...], ...]
    inside: tuple[tuple[bool, ...], ...]
    levels: tuple[float, ...]
    limits: tuple[float, ...]
    polygon: tuple[tuple[float, float], ...]
    trials: tuple[tuple[str, float, float, float], ...]
    chosen: tuple[float, float]
    held: str
    reading: str
    is_chance: bool = False
    frame: Frame | None = None
    spec: Spec | None = None


@dataclass(frozen=True, slots=True)
class PlanFacts:
    """One round's plan: its trials (id, order, block, replicate_of, levels) and quality as `plan --json` gives it.

    `purpose` is what the round is for: "learn" what drives what, learn "more" where it counts, or "confirm" one recipe.
    `reading` is the plan in the study's own units. `extremes` are the trials to make first, each with what makes it
    extreme; `lead`: the order begins with them.
    """

    round: int
    seed: int
    columns: tuple[str, ...]
    trials: tuple[Mapping[str, Any], ...]
    quality: Mapping[str, Any]
    terms: tuple[str, ...]
    maybe: tuple[str, ...]
    digest: str
    purpose: Purpose
    reading: PlanReading
    findings: tuple[Problem, ...] = ()
    extremes: tuple[tuple[str, str], ...] = ()
    lead: bool = False


@dataclass(frozen=True, slots=True)
class TriedRange:
    """Where trials stood on one ingredient or factor: `allowed` ends, (trial, level) points, and the round of each.

    Rounds are numbered as planned; 0 is for trials that no plan holds. `weighed` is what two levels differ by at least
    when they are weighed; None where they were not.
    """

    name: str
    unit: str
    allowed: Ends
    points: tuple[tuple[str, float], ...]
    now: float | None
    rounds: tuple[int, ...] = ()
    weighed: float | None = None


@dataclass(frozen=True, slots=True)
class BatchRow:
    """One batch as made: trial, state, why, order, day, levels, and what was read (text keeps `<5` as `<5`)."""

    batch: str
    trial: str
    state: str
    why: str
    order: float | None
    day: str
    levels: Mapping[str, Any]
    readings: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class FitPoint:
    """One batch of a fit: `place` in the order of making, `seen` beside `fitted`, residual `off` where it has one.

    `bound` says of a reading that is only a bound on which side the value lies: above, below, or between it and `to`.
    """

    trial: str
    place: float
    seen: float
    fitted: float
    off: float | None
    bound: str = "none"
    to: float | None = None


@dataclass(frozen=True, slots=True)
class Question:
    """One question put to what a fit left over: (batch, place on the axis, deleted residual) each, and its answer.

    Where the points should lie on a straight line through 0, `straight` says so.
    """

    asks: str
    axis: str
    unit: str
    points: tuple[tuple[str, float, float], ...]
    answer: str
    straight: bool = False


@dataclass(frozen=True, slots=True)
class FitFacts:
    """One fitted response: the entry of `fit --json`, its batches, and the questions put to its residuals."""

    spec: Spec
    fit: Mapping[str, Any]
    points: tuple[FitPoint, ...]
    reading: str
    questions: tuple[Question, ...] = ()


@dataclass(frozen=True, slots=True)
class FrontAim:
    """One of the two aims of a front: what it is, its unit, and whether it is a share from 0 to 1."""

    name: str
    unit: str = ""
    share: bool = False

    @property
    def label(self) -> str:
        """The name with its unit."""
        return f"{self.name} [{self.unit}]" if self.unit else self.name


@dataclass(frozen=True, slots=True)
class Event:
    """One thing done, from the journal: when (ISO 8601), by whom, which command, in words."""

    when: str
    who: str
    command: str
    says: str


@dataclass(frozen=True, slots=True)
class Facts:
    """Everything a report may say. Empty tuples and None are what is not known yet.

    `standing` says whether fresh batches have confirmed the formula, `better` that the models now hold another for
    better than the confirmed one, `passes` how many fresh batches passed against their chance. `front` is
    (second aim, first aim, whether it is the formula) of formulas that are each the best of the first for what they are
    in the second; `front_of` names the two, `front_beside` is where the formula lies if it is none of them. `live` is
    what the page's live formula computes from, as plain data; empty where there is none.
    """

    study: str
    product: str
    market: str
    currency: str
    unit: str
    specs: tuple[Spec, ...]
    decision: Decision
    next_step: NextStep
    batches: int
    rests_on: str
    batch_g: float
    batches_per_day: float
    batch_cost: float
    cost_ceiling: Spec | None = None
    standing: str = ""
    formula: Formula | None = None
    alternatives: tuple[Formula, ...] = ()
    compared: tuple[Formula, ...] = ()
    references: tuple[tuple[str, Mapping[str, float]], ...] = ()
    front: tuple[tuple[float, float, bool], ...] = ()
    front_beside: tuple[float, float] | None = None
    front_of: tuple[FrontAim, FrontAim] = (FrontAim("chance", share=True), FrontAim("cost"))
    certificate: Mapping[str, Any] = field(default_factory=lambda: _NONE)
    proof: tuple[str, ...] = ()
    clash_said: tuple[str, ...] = ()
    limited_by: tuple[str, ...] = ()
    effects: tuple[EffectRow, ...] = ()
    chance_effects: EffectRow | None = None
    slices: tuple[Slice, ...] = ()
    plans: tuple[PlanFacts, ...] = ()
    tried: tuple[TriedRange, ...] = ()
    blends: Blends | None = None
    made: tuple[BatchRow, ...] = ()
    fits: tuple[FitFacts, ...] = ()
    findings: tuple[Problem, ...] = ()
    events: tuple[Event, ...] = ()
    region: Mapping[str, Any] = field(default_factory=lambda: _NONE)
    limits: tuple[tuple[str, str], ...] = ()
    categories: tuple[str, ...] = ()
    open_questions: tuple[str, ...] = ()
    kept: tuple[str, ...] = ()
    better: str = ""
    passes: str = ""
    further: FurtherFacts | None = None
    digests: Mapping[str, str] = field(default_factory=lambda: _NONE)
    version: str = ""
    steps: tuple[str, ...] = ()
    live: Mapping[str, Any] = field(default_factory=lambda: _NONE)

    @property
    def plan(self) -> PlanFacts | None:
        """The last round that was planned to learn from; one that repeats a single recipe has no plan to judge."""
        return next((plan for plan in reversed(self.plans) if plan.purpose != "confirm"), None)
