"""The one definition of the form, a workbook to fill instead of study.toml; its writer and reader rest on it.

What each key is, what it may be and what it is for comes from the table of `doe.definition.keys`.
"""

from __future__ import annotations

from dataclasses import dataclass

from doe.definition.keys import SECTIONS, Key

FORM_MARK = "Blendwright study form"
GUIDE_SHEET, STUDY_SHEET = "How to fill", "Study"
WHAT, ANSWER, REMARK = "what", "answer", "remark"
_ROWS, _FEW_ROWS = 24, 8
YES, NO = "yes", "no"


@dataclass(frozen=True, slots=True)
class Cell:
    """One thing that is asked for: a key of a section, or one end (0 or 1) of a key that is a pair."""

    section: str
    key: str
    heading: str
    width: float = 11.0
    end: int | None = None

    @property
    def spec(self) -> Key:
        """What the key is, as `doe.definition.keys` has it."""
        return SECTIONS[self.section].keys[self.key]

    @property
    def hint(self) -> str:
        """What it is for, in words."""
        ends = ("", "") if self.end is None else (": the lower one", ": the higher one")
        several = "; several with ; between them" if {"texts", "numbers"} & set(self.spec.types) else ""
        return self.spec.doc.replace("false:", f"{NO}:") + ends[self.end or 0] + several

    @property
    def choices(self) -> tuple[str, ...]:
        """The words it may be, if they are few."""
        if "flag" in self.spec.types:
            return (YES, NO)
        return self.spec.choices


@dataclass(frozen=True, slots=True)
class Sheet:
    """A sheet with a row for each part of a section that may be repeated."""

    title: str
    section: str
    cells: tuple[Cell, ...]

    @property
    def rows(self) -> int:
        """Rows to fill; more may be added below."""
        return _FEW_ROWS if self.section in ("balance", "factor") else _ROWS


def _sheet(title: str, section: str, *cells: tuple[str, str, float] | tuple[str, str, float, int]) -> Sheet:
    return Sheet(title, section, tuple(Cell(section, *cell) for cell in cells))


SHEETS = (
    _sheet(
        "Ingredients", "ingredient",
        ("name", "name", 26), ("qs", "takes up the rest", 10), ("low", "low", 9), ("high", "high", 9),
        ("level", "fixed level", 9), ("adjusts", "adjusts", 9), ("step", "step", 9), ("phase", "phase", 8),
        ("inci", "INCI", 30), ("assay", "active part", 9), ("price_per_kg", "price per kg", 10),
        ("use_low", "use from", 9), ("use_high", "use to", 9), ("melts_c", "melts °C", 9), ("max_c", "stands °C", 9),
    ),
    _sheet(
        "Process", "factor",
        ("name", "name", 24), ("unit", "unit", 9), ("low", "low", 9), ("high", "high", 9), ("step", "step", 9),
        ("levels", "named levels", 40), ("hard_to_change", "hard to change", 11),
    ),
    _sheet("Limits", "limit", ("rule", "rule", 44), ("why", "why", 60)),
    _sheet(
        "Responses", "response",
        ("name", "name", 20), ("unit", "unit", 9), ("kind", "kind", 10), ("grades", "grades", 22),
        ("against", "curve against", 11), ("at", "read at", 18), ("from", "taken as", 26), ("of", "from curve", 14),
        ("method", "method", 36), ("reads", "reads from", 10, 0), ("reads", "reads to", 10, 1),
        ("after_h", "after h", 8), ("scale", "scale", 9), ("aim", "aim", 10), ("low", "low", 10),
        ("target", "target", 10), ("high", "high", 10), ("must", "must", 8), ("sd", "sd", 10.5),
        ("matters", "matters", 11.5), ("sample_g", "sample g", 10.5),
    ),
    _sheet(
        "Steps", "step",
        ("does", "does", 50), ("takes", "takes", 18), ("temp_c", "from °C", 9, 0), ("temp_c", "to °C", 9, 1),
        ("minutes", "minutes", 9), ("rpm", "rpm", 9), ("hold_min", "hold min", 9), ("gate", "gate", 36),
    ),
    _sheet(
        "Balances", "balance",
        ("name", "name", 20), ("step_g", "reads g", 10), ("repeat_g", "repeats g", 10), ("max_g", "carries g", 10),
    ),
)  # fmt: skip

# The sheet of single answers, by part.
ANSWERS: dict[str, tuple[Cell, ...]] = {
    "The study": (
        Cell("study", "name", "name of the study"),
        Cell("study", "product", "product"),
        Cell("study", "market", "market"),
        Cell("study", "currency", "currency"),
        Cell("study", "pack_g", "pack, g"),
    ),
    "The bench": (
        Cell("study", "batch_g", "one batch, g"),
        Cell("study", "batches_per_day", "batches a day"),
        Cell("study", "batch_cost", "cost of a batch"),
        Cell("make", "loss", "expected evaporation"),
        Cell("make", "make_up", "water made up to weight"),
        Cell("make", "retain_g", "kept sample, g"),
        Cell("make", "weigh_tolerance", "tolerance of a weighing"),
    ),
    "The plan": (
        Cell("plan", "design", "kind of plan"),
        Cell("plan", "model", "model"),
        Cell("plan", "runs", "trials"),
        Cell("plan", "replicate_batches", "of them, repeats"),
        Cell("plan", "blocks", "blocks, such as days"),
        Cell("plan", "seed", "seed"),
    ),
    "When to stop": (
        Cell("done", "chance", "chance that is enough"),
        Cell("done", "max_batches", "most batches"),
        Cell("done", "budget", "most money"),
    ),
}
# What stands in the form as it goes out.
GIVEN: dict[tuple[str, str], object] = {
    ("study", "currency"): "EUR",
    ("study", "batch_g"): 400,
    ("study", "batches_per_day"): 4,
    ("plan", "design"): "optimal",
    ("plan", "model"): "quadratic",
    ("plan", "seed"): 1,
    ("done", "chance"): "90 %",
}
FIRST_ROWS: dict[str, dict[str, object]] = {"ingredient": {"name": "Water", "qs": YES, "phase": "A", "inci": "Aqua"}}


def answers() -> tuple[Cell, ...]:
    """Every single answer, in order."""
    return tuple(cell for cells in ANSWERS.values() for cell in cells)
