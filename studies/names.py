"""Names of the files of a study folder, names a person may give, and the refusal of a wrong one."""

from __future__ import annotations

import re
from pathlib import PurePosixPath

from doe.problems import Problem, StudyError

STUDY = "study.toml"
REPORT = "report.html"
COMPARE = "plan/compare.html"
MODELS = "analysis/models.json"
OPTIMUM = "analysis/optimum.json"
WHAT_IF = "analysis/what-if.json"
"""The last look at the best under something held or beyond what was tried: never the formula of the study."""
NAMED = "analysis/named.json"
"""Every formula that a search or a look came out with, by its label: no other recipe ever has it."""
READINGS = "results/readings.csv"
BATCHES = "results/batches.csv"
TAKE_AS_IS = "record --take-as-is"
"""What the journal calls the taking of result tables as someone left them."""
AS_IT_STANDS = f'blendwright {TAKE_AS_IS.replace(" ", " FOLDER ", 1)} --why "..."'
KEPT = ("plan", "bench", "results", "analysis", "formulas")
"""Folders in which a study keeps what commands write."""
_FORMULA = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _.-]{0,39}")


def inside(name: str) -> str:
    """The name, if it is one inside the folder. Raises ValueError otherwise."""
    parts = PurePosixPath(name).parts
    if not parts or PurePosixPath(name).is_absolute() or ".." in parts or "\\" in name or "\0" in name:
        raise ValueError(f"{name!r} is not a name inside the study folder")
    return name


def refusal(code: str, where: str, got: str, allowed: str, do: str) -> StudyError:
    """A StudyError with this one problem."""
    return StudyError([Problem(code, "stop", where, got, allowed, do)])


def formula_name(text: str) -> str:
    """A name a formula may be kept under, safe as a file name on any system. Raises StudyError otherwise."""
    reserved = {"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(1, 10))}
    if not _FORMULA.fullmatch(text) or text.endswith((".", " ")) or text.split(".")[0].lower() in reserved:
        raise refusal(
            "formula-name",
            "formula name",
            repr(text),
            "up to 40 letters, digits, spaces, and . _ -, beginning with a letter or digit",
            "give it a name such as F1",
        )
    return text
