"""A formula that was understood, written as a commented study.toml."""

from __future__ import annotations

from dataclasses import dataclass

from doe.definition.tomltext import written


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a formula: what it is, and its level in % (or low and high), or that it takes up the rest.

    `row` is its place in the table. `rest` says that the table calls it q.s.; `is_fill` that it takes up the rest,
    and `was` what stood there all the same. `adjusts` marks what is added until the pH is right.
    """

    row: int
    name: str
    inci: str = ""
    phase: str = ""
    supplier: str = ""
    function: str = ""
    note: str = ""
    level: float | None = None
    grams: float | None = None
    low: float | None = None
    high: float | None = None
    price: float | None = None
    rest: bool = False
    adjusts: bool = False
    is_fill: bool = False
    was: float | None = None

    @property
    def is_varied(self) -> bool:
        """Whether the table gives a range to vary it in."""
        return self.low is not None and self.high is not None and self.low < self.high and not self.is_fill

    @property
    def is_open(self) -> bool:
        """Whether nothing says how much there is of it."""
        amounts = (self.level, self.grams, self.low, self.high)
        return all(one is None for one in amounts) and not (self.rest or self.adjusts)

    @property
    def told(self) -> str:
        """The line as it was understood, in words."""
        if self.is_fill:
            how = "takes up the rest (q.s.)" + (f", {self.was:g} % in the table" if self.was is not None else "")
        elif self.adjusts:
            how = "adjusts the pH"
        elif self.is_varied:
            how = f"{self.low:g} to {self.high:g} %" + (f", {self.level:g} % now" if self.level is not None else "")
        else:
            how = f"{self.shown_level:g} %"
        more = [f"phase {self.phase}" if self.phase else "", self.inci if self.inci != self.name else "",
                "" if self.price is None else f"{self.price:g} per kg"]  # fmt: skip
        return ", ".join([f"{self.name}: {how}", *(part for part in more if part)])

    @property
    def shown_level(self) -> float:
        """The level it stands at: its own, or the one limit that is given."""
        return next((one for one in (self.level, self.high, self.low) if one is not None), 0.0)


@dataclass(frozen=True, slots=True)
class Formula:
    """The lines of a formula, the weight of its batch [g] and its currency, where the table says them."""

    lines: tuple[Line, ...]
    batch_g: float | None = None
    currency: str = ""


def formula_toml(formula: Formula, study: str, file: str) -> str:
    """The study.toml: every level as it came, what is to be decided marked so."""
    batch = formula.batch_g
    out = [
        f"# Started from {_one_line(file)}. Every level stands as it came.",
        '# Look for "to decide": what to vary, what to measure, what is wanted. Then: blendwright check FOLDER',
        "",
        "[study]",
        f"name = {written(study)}",
        "total = 100",
        'unit = "% w/w"',
        f"batch_g = {batch or 400:g}                    # "
        + (
            "as in the table; to decide: the size of one bench batch" if batch else "to decide: size of one bench batch"
        ),
    ]
    out += [f"currency = {written(formula.currency)}"] if formula.currency else []
    out.append("")
    for line in formula.lines:
        out += _ingredient(line)
    return "\n".join([*out, *_LATER])


def _ingredient(line: Line) -> list[str]:
    """The lines of one ingredient in study.toml, with what is to be decided as comments."""
    remarks = [f"{what}: {_one_line(text)}" for what, text in
               (("function", line.function), ("supplier", line.supplier), ("note", line.note)) if text]  # fmt: skip
    out = [f"# {'; '.join(remarks)}"] if remarks else []
    out += ["[[ingredient]]", f"name = {written(line.name)}"]
    if line.is_fill:
        was = "" if line.was is None else f"; {line.was:g} in the table"
        out.append(f"qs = true                        # takes up the rest{was}")
    elif line.adjusts:
        level = line.level if line.level is not None else 0.1
        out.append(f"level = {level:g}                      # to decide: how much is expected")
        out.append('adjusts = "pH"')
    elif line.is_varied:
        now = f"; {line.level:g} in the table" if line.level is not None else ""
        out += [f"low = {line.low:g}                       # as in the table{now}", f"high = {line.high:g}"]
    else:
        level = line.shown_level
        out.append(f"level = {level:g}")
        if level > 0:
            # 30 % to either side is only a place to start; our choice.
            out.append(
                f"# low = {0.7 * level:.3g}                    # to decide: vary it between these, and take `level` out"
            )
            out.append(f"# high = {1.3 * level:.3g}")
    out += [f"phase = {written(line.phase)}"] if line.phase else []
    out += [f"inci = {written(line.inci)}"] if line.inci else []
    out += [f"price_per_kg = {line.price:g}"] if line.price is not None else ["# price_per_kg ="]
    return [*out, ""]


def _one_line(text: str) -> str:
    """Text for a remark: one line, no signs that TOML does not take there."""
    return " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())


_LATER = (
    "# [[limit]]                      # to decide: what may not go together",
    '# rule = "Humectant >= 4 * Gum"',
    '# why = "..."',
    "",
    "# [[response]]                   # to decide: what is measured, and what is wanted of it",
    '# name = "Viscosity"',
    '# unit = "mPa.s"',
    '# method = "..."',
    "# after_h = 24",
    '# aim = "within"',
    "# low = 10000",
    "# high = 30000",
    "",
    "[plan]",
    'design = "optimal"',
    'model = "quadratic"',
    "# runs = 24",
    "seed = 1",
    "",
)
