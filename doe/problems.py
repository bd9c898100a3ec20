"""What is wrong with an input, said in the words of the trade, and values that do not exist."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, Literal

Level = Literal["stop", "warn", "inform"]
MINUS = "\u2212"
_MOST_SIGNS = 1500


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing to look at: where it is, what came, what is allowed, what to do.

    `stop` means that nothing goes on until it is mended (or, for findings of the trade, taken on purpose
    by `[[accept]]`); `warn` and `inform` travel with the results. Findings of the trade carry the `source` of what they
    hold a formula against and the `numbers` they rest on, as (name, value). `accepted` says who took it on purpose, and
    why.
    """

    code: str
    level: Level
    where: str
    got: str
    allowed: str
    do: str
    source: str = ""
    numbers: tuple[tuple[str, float], ...] = ()
    accepted: str = ""

    @property
    def stops(self) -> bool:
        """Whether nothing goes on until it is mended."""
        return self.level == "stop" and not self.accepted

    def to_dict(self) -> dict[str, Any]:
        """The problem under the keys promised for `--json`; `source`, `numbers`, `accepted` only where given."""
        out: dict[str, Any] = {
            "code": self.code,
            "level": self.level,
            "where": self.where,
            "got": self.got,
            "allowed": self.allowed,
            "do": self.do,
        }
        return (
            out
            | ({"source": self.source} if self.source else {})
            | ({"numbers": dict(self.numbers)} if self.numbers else {})
            | ({"accepted": self.accepted} if self.accepted else {})
        )

    @classmethod
    def from_dict(cls, row: Mapping[str, Any]) -> Problem:
        """The problem that `to_dict` wrote."""
        return cls(**{**row, "numbers": tuple(row.get("numbers", {}).items())})

    def __str__(self) -> str:
        parts = [_cut(part) for part in (self.got, self.allowed, self.do) if part]
        return f"{_cut(self.where)}: {'; '.join(parts)}"


def _cut(text: str) -> str:
    """A text as it is told in a line: the midst of one that fills pages, as a cell from others may, is left out."""
    return text if len(text) <= _MOST_SIGNS else f"{text[: _MOST_SIGNS - 100]} ... {text[-80:]}"


@dataclass(frozen=True, slots=True)
class Unavailable:
    """A number that does not exist, with the reason and the remedy. Stands where the number would stand."""

    reason: str
    do: str

    def to_dict(self) -> dict[str, str]:
        """The form promised for `--json`."""
        return {"unavailable": self.reason, "do": self.do}

    def __str__(self) -> str:
        return f"not available: {self.reason} ({self.do})"


class StudyError(ValueError):
    """The input is wrong. Carries every problem found, not only the first."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = tuple(problems)
        super().__init__("\n".join(str(p) for p in self.problems))


class PlanError(StudyError):
    """The plan asked for cannot be made for this study."""


class ResultsError(StudyError):
    """A table or workbook does not fit the study or its plan."""


class ModelError(StudyError):
    """The results do not carry the model or the question asked of it."""


def listed(names: Sequence[str]) -> str:
    """Names in a sentence, the first eight of them."""
    return ", ".join(names[:8]) + (f" and {len(names) - 8} more" if len(names) > 8 else "")


def rounded(value: float, digits: int = 3) -> str:
    """A finite number in a sentence: `digits` significant digits, a true minus, an exponent only far from 1.

    >>> rounded(-0.4567), rounded(29512.3, 4), rounded(1.2e-9, 2)
    ('−0.457', '29510', '1.2e−9')
    """
    if value != 0 and not 1e-4 <= abs(value) < 1e6:
        mantissa, exponent = f"{value:.{digits - 1}e}".split("e")
        mantissa = mantissa.rstrip("0").rstrip(".") if "." in mantissa else mantissa
        return f"{mantissa}e{int(exponent)}".replace("-", MINUS)
    return f"{Decimal(f'{value:.{digits}g}'):f}".replace("-", MINUS)
