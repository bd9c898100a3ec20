"""The parts a study is made of, as frozen records. Built and checked by `doe.definition.definition`."""

from __future__ import annotations

import copyreg
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any, Literal

from doe.definition.categories import NONE, PRESENT


def _closed(mapping: dict[Any, Any]) -> MappingProxyType[Any, Any]:
    return MappingProxyType(mapping)


# Read-only mappings travel to worker processes as plain ones and are closed again there.
copyreg.pickle(MappingProxyType, lambda mapping: (_closed, (dict(mapping),)))
_NOTHING: Mapping[str, Any] = MappingProxyType({})

Role = Literal["varied", "fixed", "fill", "adjuster"]
Kind = Literal["number", "grade", "pass", "curve"]
Scale = Literal["linear", "log", "logit", "auto"]
Aim = Literal["target", "above", "below", "within", "watch"]

# What a response with `of` may be taken from a curve: by `doe.results.curves`, batch by batch.
CURVE_QUANTITIES = (
    "yield_value", "hold_margin", "consistency", "flow_index", "low_shear_viscosity", "settling_rate",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Balance:
    """A balance: readability `step_g` [g], repeatability `repeat_g` [g], capacity `max_g` [g]."""

    name: str
    step_g: float
    repeat_g: float
    max_g: float


@dataclass(frozen=True, slots=True)
class Material:
    """One of several materials in an ingredient's place; what it does not say itself, the ingredient said for it."""

    name: str
    low: float | None = None
    high: float | None = None
    step: float | None = None
    inci: tuple[tuple[str, float], ...] = ()
    assay: float = 1.0
    price_per_kg: float | None = None
    made_of: Mapping[str, float] = field(default_factory=lambda: _NOTHING)
    facts: Mapping[str, Any] = field(default_factory=lambda: _NOTHING)


@dataclass(frozen=True, slots=True)
class Ingredient:
    """A raw material as supplied; levels in the study's unit, price per kg as supplied.

    `role` says how its level is found: varied between `low` and `high`, fixed at `level`, the fill
    (quantum satis, takes up the rest; its limits may be absent), or an adjuster (expected at `level`,
    measured at the bench). A withdrawn ingredient is varied with `low = high = 0`. With `choice`, one of several
    materials stands in its place, whole as the ingredient would be; with `or_none` it is absent, or between its ends.
    """

    name: str
    role: Role
    low: float | None = None
    high: float | None = None
    level: float | None = None
    step: float | None = None
    phase: str = ""
    inci: tuple[tuple[str, float], ...] = ()
    assay: float = 1.0
    price_per_kg: float | None = None
    made_of: Mapping[str, float] = field(default_factory=lambda: _NOTHING)
    adjusts: str | None = None
    choice: tuple[Material, ...] = ()
    or_none: bool = False
    withdrawn: bool = False
    was: tuple[str, ...] = ()
    facts: Mapping[str, Any] = field(default_factory=lambda: _NOTHING)

    @property
    def materials(self) -> tuple[str, ...]:
        """The levels of the category of its material (`doe.definition.categories`); none where nothing is to choose."""
        if not self.choice and not self.or_none:
            return ()
        names = tuple(material.name for material in self.choice) or (PRESENT,)
        return (*names, NONE) if self.or_none or self.withdrawn else names

    def of(self, material: object) -> Ingredient:
        """The ingredient as it is with one of its materials: its INCI, price, facts and ends; itself for any other."""
        chosen = next((m for m in self.choice if m.name == material), None)
        if chosen is None:
            return self
        return replace(
            self, low=chosen.low, high=chosen.high, step=chosen.step, inci=chosen.inci, assay=chosen.assay,
            price_per_kg=chosen.price_per_kg, made_of=chosen.made_of, facts=chosen.facts,
        )  # fmt: skip

    def ends(self, material: str) -> tuple[float, float]:
        """Lowest and highest level with a material; both 0 for none."""
        if material == NONE:
            return 0.0, 0.0
        item = self.of(material)
        return item.low or 0.0, item.high or 0.0


@dataclass(frozen=True, slots=True)
class Factor:
    """A condition that is not part of the total: numeric between `low` and `high`, or one of `levels`.

    `of` names the ingredient where the levels are the materials that may stand in its place.
    """

    name: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    levels: tuple[str, ...] = ()
    step: float | None = None
    hard_to_change: bool = False
    was: tuple[str, ...] = ()
    of: str | None = None

    @property
    def is_category(self) -> bool:
        """Whether the factor takes named levels instead of numbers."""
        return bool(self.levels)


@dataclass(frozen=True, slots=True)
class Limit:
    """A linear limit: `low <= sum(weights[name] * level of name) <= high`, in the study's units.

    `rule` is the text as written. Either side may be absent (None). `when` and `on` are kept as written; `condition` is
    what `when` means: a category and the levels at which the limit holds. A limit on a choice ("Gum is not Guar") has
    no weights: `bars` is the category and the levels that may not be chosen where it holds.
    """

    rule: str
    weights: Mapping[str, float]
    low: float | None
    high: float | None
    why: str = ""
    when: str | None = None
    on: str | None = None
    condition: tuple[str, tuple[str, ...]] | None = None
    bars: tuple[str, tuple[str, ...]] | None = None


@dataclass(frozen=True, slots=True)
class Response:
    """Something measured (or computed exactly, when `source` names a quantity) and what is wanted of it.

    `low`, `target`, `high` are in `unit`. `sd` and `matters` are (number, is_relative): relative means a
    fraction of the value (0.10 for "10 %"). `reads` is what the method can read. `model` is this response's own
    model, where it differs from that of the plan. `rates` is what a curve is read at (key `at`), or the rate [1/s] of a
    low-shear viscosity; `store` the condition a jar stands in until it is read.
    """

    name: str
    unit: str = ""
    kind: Kind = "number"
    method: str = ""
    reads: tuple[float | None, float | None] = (None, None)
    after_h: float | None = None
    scale: Scale = "linear"
    aim: Aim = "watch"
    low: float | None = None
    target: float | None = None
    high: float | None = None
    must: bool = True
    weight: float = 1.0
    sd: tuple[float, bool] | None = None
    matters: tuple[float, bool] | None = None
    sample_g: float | None = None
    exponent_low: float = 1.0
    exponent_high: float = 1.0
    grades: tuple[str, ...] = ()
    against: str | None = None
    source: str | Mapping[str, float] | None = None
    of: str | None = None
    model: str | Mapping[str, str] | None = None
    rates: tuple[float, ...] = ()
    store: str = ""

    @property
    def is_exact(self) -> bool:
        """Whether it is computed from the recipe (cost, a linear sum) and never fitted."""
        return self.source is not None and not self.is_derived

    @property
    def is_derived(self) -> bool:
        """Whether it is taken from the curve of each batch, and fitted like what was measured."""
        return isinstance(self.source, str) and self.source in CURVE_QUANTITIES

    @property
    def window(self) -> tuple[float | None, float | None]:
        """The limits that one batch has to lie within to pass, in `unit`; None for a side that the aim leaves open.

        Above: from `low` up. Below: up to `high`. Target and within: `low` to `high`, where given.
        """
        low = self.low if self.aim in ("above", "within", "target") else None
        high = self.high if self.aim in ("below", "within", "target") else None
        return low, high

    @property
    def is_must(self) -> bool:
        """Whether a batch has to meet its limits: a must with at least one limit that is not only watched."""
        return self.must and self.aim != "watch"


@dataclass(frozen=True, slots=True)
class Reference:
    """Today's formula or a benchmark from the market: its levels if known, and what was measured on it."""

    name: str
    levels: Mapping[str, float]
    measured: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Step:
    """One step of making a batch, in order. `temp_c` [degrees C], `minutes`, `rpm` are (low, high) or one value."""

    does: str
    takes: tuple[str, ...] = ()
    temp_c: tuple[float, float] | None = None
    minutes: float | None = None
    rpm: float | None = None
    hold_min: float | None = None
    gate: str = ""


@dataclass(frozen=True, slots=True)
class Make:
    """What happens to a batch besides its recipe: `loss` is the expected fraction evaporated."""

    loss: float = 0.0
    make_up: bool = False
    retain_g: float = 0.0
    weigh_tolerance: float = 0.01


@dataclass(frozen=True, slots=True)
class PlanWish:
    """What `[plan]` asks for. `model` is a name, or a mapping with blend, process and cross; `terms` overrides it."""

    design: str = "optimal"
    model: str | Mapping[str, str] = "quadratic"
    terms: tuple[str, ...] = ()
    maybe: str | tuple[str, ...] | None = None
    criterion: Literal["I", "D", "A"] = "I"
    runs: int | None = None
    replicate_batches: int | None = None
    pure_error_df: int | None = None
    whole_plots: int | None = None
    whole_plot_ratio: float = 1.0
    must_make: tuple[Mapping[str, Any], ...] = ()
    standard: Mapping[str, Any] | None = None
    blocks: int | tuple[str, ...] = 0
    seed: int = 1
    fraction: str | None = None
    centre_points: int | None = None
    axial: str | None = None
    degree: int | None = None

    @property
    def n_blocks(self) -> int:
        """How many blocks are wanted."""
        return len(self.blocks) if isinstance(self.blocks, tuple) else self.blocks


@dataclass(frozen=True, slots=True)
class Done:
    """When to stop: the chance wanted for a new batch, the most batches, the most money."""

    chance: float | None = None
    max_batches: int | None = None
    budget: float | None = None


@dataclass(frozen=True, slots=True)
class Accept:
    """A stop-level finding taken on purpose: which, why, by whom."""

    finding: str
    why: str
    by: str


@dataclass(frozen=True, slots=True)
class Law:
    """A legal or house limit: at most `most` % of the product of all `names` together, counted as `as_acid` if given.

    `market` and `product` are empty where it holds for any. `edition` is the date of the text, `checked` how it was
    taken from there. `counts` are the grams counted of a gram of each name, where it is not all of it or its acid.
    """

    substance: str
    names: tuple[str, ...]
    most: float
    as_acid: str
    market: str
    product: str
    source: str
    edition: str
    checked: str = "as given in study.toml"
    counts: tuple[float, ...] = ()
