"""Models and optimum of a study: fitted again when results or definition moved on, under the choices last made."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, cast

from doe import Study
from optimise.formula.optimum import Optimum
from optimise.models.aims import fitted_musts
from optimise.models.models import Models, fit
from optimise.search import find
from reports.documents import json_text
from studies.folder import StudyFolder
from studies.levels import parsed
from studies.names import MODELS, OPTIMUM, WHAT_IF
from studies.writing import Change

TermsChoice = Literal["select", "all"]
Objective = Literal["chance", "desirability"]


@dataclass(frozen=True, slots=True)
class Asked:
    """What `optimise` was asked for; kept, so that the report shows the same formula.

    With levels held, outside what was tried, or by desirability where the study has musts, it is a look at what would
    be (`is_look`): the formula of the study stays what it was.
    """

    objective: Objective = "chance"
    hold: str = ""
    outside: bool = False
    against: tuple[str, ...] = ()
    prove: int | None = None

    def is_look(self, study: Study) -> bool:
        """Whether it asks what the best would be under something that the study itself does not ask for.

        Where nothing fitted is a must, desirability is what the study is searched by anyhow.
        """
        return bool(self.hold) or self.outside or (self.objective != "chance" and bool(fitted_musts(study)))

    def to_dict(self) -> dict[str, Any]:
        """As it is kept with what was found."""
        out: dict[str, Any] = {"objective": self.objective, "hold": self.hold, "outside": self.outside}
        out |= {"against": list(self.against)} if self.against else {}
        return out | ({} if self.prove is None else {"prove": self.prove})


def last_terms(folder: StudyFolder) -> TermsChoice:
    """The terms choice of the last `fit`; "select" before any."""
    stored = folder.stored(MODELS) or {}
    return "all" if stored.get("asked", {}).get("terms") == "all" else "select"


def last_coding(folder: StudyFolder) -> str:
    """The coding of the last `fit`; "units" before any."""
    stored = folder.stored(MODELS) or {}
    return str(stored.get("asked", {}).get("coding", "units"))


def last_asked(folder: StudyFolder) -> Asked:
    """What the last `optimise` for the formula of the study was asked to show; what a look asked does not count."""
    asked = (folder.stored(OPTIMUM) or {}).get("asked", {})
    # Names of responses that are gone since ask for nothing any more.
    known = {response.name for response in folder.study.responses if response.aim != "watch"}
    against = tuple(str(name) for name in asked.get("against", ()) if name in known)
    return Asked(against=against)


def is_fresh(folder: StudyFolder, name: str) -> bool:
    """Whether a stored analysis rests on the present definition and results."""
    stored = folder.stored(name)
    return stored is not None and folder.has_results() and stored.get("basis") == folder.basis()


_last: dict[tuple[Any, ...], Models] = {}


def fitted(
    folder: StudyFolder, terms: TermsChoice | None = None, coding: str | None = None, without: Sequence[str] = ()
) -> Models:
    """Models of the folder's results, under the choices given or those of the last `fit`.

    Several commands in one process (the demo) fit the same results once: the last models are remembered by digests.
    """
    terms, coding = terms or last_terms(folder), coding or last_coding(folder)
    study, results = folder.study, folder.results
    key = (tuple(sorted(study.digests.items())), results.digest, results.findings, terms, coding, tuple(without))
    if key not in _last:
        models = fit(study, results, terms=terms, coding=cast(Any, coding), without=without)
        _last.clear()
        _last[key] = models
    return _last[key]


def keep_models(change: Change, folder: StudyFolder, models: Models, terms: TermsChoice, coding: str) -> None:
    """Have models.json written: all a script needs to repeat the predictions, and what they rest on."""
    basis = {"asked": {"terms": terms, "coding": coding}, "basis": folder.basis()}
    change.write(MODELS, json_text({**models.to_dict(), **basis}))


def keep_fresh_models(change: Change, folder: StudyFolder, models: Models) -> None:
    """Have models.json written where it is absent or rests on something older."""
    if not is_fresh(folder, MODELS):
        keep_models(change, folder, models, last_terms(folder), last_coding(folder))


def best(folder: StudyFolder, models: Models, asked: Asked) -> Optimum:
    """The formula to make."""
    hold = parsed(asked.hold, folder.study, "--hold") if asked.hold else None
    return find(folder.study, models, hold=hold, objective=asked.objective, outside=asked.outside,
                against=asked.against, prove=asked.prove)  # fmt: skip


def keep_optimum(change: Change, folder: StudyFolder, document: Mapping[str, Any], asked: Asked) -> None:
    """Have optimum.json written, with what was asked and what it rests on; a look goes to what-if.json."""
    name = WHAT_IF if asked.is_look(folder.study) else OPTIMUM
    change.write(name, json_text({**document, "asked": asked.to_dict(), "basis": folder.basis()}))
