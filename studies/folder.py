"""The study folder: what stands where, read back into the house's records."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from doe import Study
from doe.design.design import Design
from doe.problems import Problem, StudyError
from doe.results.results import Results
from reports.wording.prompt import typed
from studies import journal
from studies.cli import version
from studies.inspection import links_out
from studies.names import AS_IT_STANDS, BATCHES, READINGS, STUDY, refusal
from studies.pending import recover
from studies.writing import Change, changing

_ROUND = re.compile(r"round-([1-9][0-9]*)")


@dataclass(frozen=True)
class StudyFolder:
    """One study on disk. Nothing is written except through `changing`."""

    path: Path

    @classmethod
    def at(cls, path: str | Path) -> StudyFolder:
        """The study in this folder. Raises StudyError when there is none.

        A change that a killed command left definite but unfinished is finished first.
        """
        place = Path(path)
        if not place.is_dir():
            got = "is a file" if place.exists() else "is not there"
            raise refusal("no-folder", str(path), got, "a study folder", f"start one with: {typed('new', path)}")
        if not (place / STUDY).is_file():
            raise refusal("no-study", str(path), "has no study.toml", "a study folder",
                          "write a study.toml in it, or start one with: blendwright new FOLDER")  # fmt: skip
        if out := links_out(place):
            raise StudyError(out)
        recover(place)
        return cls(place)

    @cached_property
    def study(self) -> Study:
        """The definition, checked."""
        return Study.read(self.path)

    @contextmanager
    def changing(self, command: str) -> Iterator[Change]:
        """Collect what `command` writes; it is written, with its journal line, when the block ends well."""
        with changing(self.path, command, version()) as change:
            change.note_read(STUDY, (self.path / STUDY).read_bytes())
            yield change

    def rounds(self) -> tuple[int, ...]:
        """Numbers of the rounds that have a plan."""
        plans = self.path / "plan"
        if not plans.is_dir():
            return ()
        found = (_ROUND.fullmatch(place.name) for place in plans.iterdir() if (place / "plan.json").is_file())
        return tuple(sorted(int(match[1]) for match in found if match))

    def design(self, number: int) -> Design:
        """The plan of a round, as it was issued."""
        name = f"plan/round-{number}/plan.json"
        return design_of(self._json(name), name)

    @cached_property
    def _designs(self) -> tuple[Design, ...]:
        return tuple(self.design(number) for number in self.rounds())

    def designs(self) -> tuple[Design, ...]:
        """The plans of all rounds, in order, as they stood when they were first asked for."""
        return self._designs

    def round_note(self, number: int) -> dict[str, Any]:
        """What was kept beside a round's design: its purpose, the formula to confirm, the versions."""
        kept = self._json(f"plan/round-{number}/plan.json")
        return {key: kept[key] for key in ("purpose", "formula", "versions") if key in kept}

    def withdrawn(self) -> dict[str, str]:
        """Trials retired before they were made -> the reason."""
        out: dict[str, str] = {}
        for number in self.rounds():
            name = f"plan/round-{number}/withdrawn.json"
            if (self.path / name).is_file():
                out.update({str(trial): str(why) for trial, why in self._json(name).items()})
        return out

    def has_results(self) -> bool:
        """Whether anything was recorded. Raises StudyError where the tables are no longer as they were recorded."""
        self._as_recorded()
        return (self.path / READINGS).is_file()

    @cached_property
    def results(self) -> Results:
        """What was recorded. Raises StudyError when nothing was."""
        if not self.has_results():
            record = typed("record", self.path, "FILE")
            do = record if self.rounds() else f"{typed('plan', self.path)}, or with trials made before {record}"
            raise refusal("no-results", self.path.name, "has no results yet", "results taken in by record", do)
        return self.study.results()

    def stored(self, name: str) -> dict[str, Any] | None:
        """A stored analysis document, or None where there is none."""
        return self._json(name) if (self.path / name).is_file() else None

    def formulas(self) -> dict[str, dict[str, Any]]:
        """Formulas kept by name."""
        place = self.path / "formulas"
        names = sorted(file.stem for file in place.glob("*.json")) if place.is_dir() else []
        return {name: self._json(f"formulas/{name}.json") for name in names}

    def journal(self) -> tuple[journal.Entry, ...]:
        """The journal's entries."""
        return journal.read(self.path)

    def head(self) -> str:
        """The digest of the last journal entry; zeros where there is none."""
        entries = self.journal()
        return entries[-1].digest if entries else journal.START

    def basis(self) -> dict[str, Any]:
        """What an analysis rests on: the study's digests and those of the results."""
        return {"study": dict(self.study.digests), "results": self.results.digest}

    def tables_changed(self) -> dict[str, str]:
        """The tables of results that are not as they were recorded -> the digest they have now, or "missing"."""
        written = journal.last_digests(self.journal())
        now = {name: journal.fingerprint(self.path / name) for name in (READINGS, BATCHES)}
        return {name: digest for name, digest in now.items() if digest != written.get(name, journal.MISSING)}

    def _as_recorded(self) -> None:
        """Nothing is built on tables that were changed by hand: the next record would make the change its own."""
        if changed := self.tables_changed():
            raise StudyError(
                Problem("results-changed", "stop", name,
                        "is missing" if now == journal.MISSING else "is not as this program wrote it",
                        "the table as it was recorded",
                        f"put back a copy, then mend a reading with --correct; where no copy is left: {AS_IT_STANDS}")
                for name, now in changed.items()
            )  # fmt: skip

    def _json(self, name: str) -> dict[str, Any]:
        try:
            found = json.loads((self.path / name).read_text(encoding="utf-8"))
        except (OSError, ValueError, RecursionError) as error:
            raise _unreadable(name) from error
        if not isinstance(found, dict):
            raise _unreadable(name)
        return found


def design_of(found: Mapping[str, Any], name: str) -> Design:
    """The plan that stands in a file of this name. Raises StudyError when someone changed it so that it is none."""
    try:
        return Design.from_dict(found)
    except (LookupError, TypeError, ValueError, AttributeError, ArithmeticError) as error:
        if isinstance(error, StudyError):
            raise
        raise _unreadable(name) from error


def _unreadable(name: str) -> StudyError:
    do = "blendwright verify FOLDER says what changed; put back a copy of it"
    if name.startswith("analysis/"):
        do = "delete it: fit and optimise write it anew from the results"
    return refusal("unreadable", name, "cannot be read as this program wrote it", "a file no one has edited", do)
