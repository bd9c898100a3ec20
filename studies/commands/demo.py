"""`demo`: the whole job on a shipped example, with a simulated bench in place of people."""

from __future__ import annotations

import argparse
import importlib
import shutil
import textwrap
from pathlib import Path
from types import ModuleType
from typing import Any

from reports.numbers import counted, likely
from reports.wording.prompt import typed
from studies import journal
from studies.arguments import parser
from studies.bench import Bench, fill_workbook
from studies.cli import Desk, Outcome
from studies.commands.new import EXAMPLES, create, example_toml, no_example
from studies.folder import StudyFolder
from studies.inspection import inspect
from studies.locking import LOCK
from studies.names import REPORT, STUDY, refusal
from studies.pending import recover
from studies.wording import code_of, envelope
from studies.writing import write_whole

CONFIRM = 3


def run(args: argparse.Namespace, desk: Desk) -> Outcome:
    """From an empty folder to a report and a card: every step is a command a person would type."""
    if args.source not in EXAMPLES:
        raise no_example(args.source)
    place = Path(args.folder)
    make_room(place)
    story = _Story(place, desk, importlib.import_module(f"studies.examples.{EXAMPLES[args.source]}.bench"))
    desk.say("An invented study, made by a simulated bench: nothing here was ever weighed or measured.\n")
    desk.say(f"  $ {typed('new', place, '--from', args.source)}")
    create(place, example_toml(args.source), command="demo")
    story.check()
    plan = story.step("plan")
    story.note(f"{counted(len(plan['runs']), 'trial')}, with a batch sheet each and a workbook to type into")
    story.bench(1)
    fitted = story.step("fit")
    story.note(f"{counted(len(fitted['responses']), 'response')} fitted")
    best = story.step("optimise", "--keep", "F1")
    story.note(f"chance that one new batch meets every must: {likely(best['chance_all'])}")
    story.step("next", "--confirm", str(CONFIRM), "--formula", "F1")
    story.bench(2)
    verdict = story.step("next")["verdict"]
    story.note(str(verdict.get("says") or verdict.get("unavailable")))
    story.step("report")
    card = story.step("card", "--formula", "F1")
    return story.end(best, card["chance_all"])


class _Story:
    """The demo as it goes: runs commands in this process and tells each in a line or two.

    `example` is the module of the example's bench: its `BENCH`, and `way_out` where the example has a conflict in it.
    """

    def __init__(self, place: Path, desk: Desk, example: ModuleType) -> None:
        self.place, self.desk, self.example = place, desk, example
        self.bench_of: Bench = example.BENCH
        self.steps: list[dict[str, Any]] = []

    def step(self, command: str, *words: str) -> dict[str, Any]:
        """Run one command; its document."""
        self.desk.say(f"  $ {typed(command, self.place, *words)}")
        self.desk.progress("...")
        args = parser().parse_args([command, str(self.place), *words])
        outcome: Outcome = importlib.import_module(f"studies.commands.{command}").run(args, Desk(as_json=True))
        self.desk.progress("")
        self.steps.append({"command": [command, *words], "exit": outcome.code})
        return dict(outcome.document)

    def note(self, text: str) -> None:
        """What came of the last step."""
        self.desk.say(textwrap.fill(text, 110, initial_indent=" " * 6, subsequent_indent=" " * 8))

    def check(self) -> None:
        """Check the study; where it says stop, take the way out that the example marks, and check again."""
        problems = self.step("check")["problems"]
        stops = [row for row in problems if row["level"] == "stop"]
        for row in stops:
            self.note(f"STOP {row['where']}: {row['got']}; {row['allowed']}")
        if not stops:
            return
        file = self.place / STUDY
        text, said = self.example.way_out(file.read_text(encoding="utf-8"), problems)
        write_whole(file, text.encode("utf-8"))
        self.desk.say("      (the way out is taken, as study.toml marks it)")
        for line in said:
            self.note(line)
        self.step("check")

    def bench(self, number: int) -> None:
        """Have the simulated bench make a round and type it into the workbook; then record that."""
        design = StudyFolder.at(self.place).design(number)
        book = self.place / f"bench/round-{number}.xlsx"
        lost = StudyFolder.at(self.place).study.make.loss
        filled = fill_workbook(book.read_bytes(), self.bench_of.readings(design.table), lost)
        write_whole(book, filled)
        self.desk.say(f"      (the simulated bench makes {counted(len(design.table), 'batch', 'batches')})")
        self.step("record", str(book))

    def end(self, best: dict[str, Any], now: object) -> Outcome:
        """What came out, beside what only the simulated bench can know; `now` is the chance of report and card."""
        folder = StudyFolder.at(self.place)
        levels = folder.designs()[-1].table.iloc[[0]]
        truth = self.bench_of.chance(folder.study, levels)
        said = [
            "",
            f"Before it was confirmed, the models expected {likely(best['chance_all'])} of new batches of F1 to pass.",
            *_since(now),
            f"The simulated bench, which knows the truth, says {likely(truth)}.",
            f"The report: {self.place / REPORT}",
        ]
        document = envelope(
            "demo",
            folder.study,
            (),
            folder=str(self.place),
            report=REPORT,
            steps=self.steps,
            chance_all=best["chance_all"],
            chance_reported=now,
            true_chance=truth,
        )
        return Outcome(document, "\n".join(said), code_of(document))


def _since(now: object) -> list[str]:
    """Why the report gives another chance than the search did."""
    if not isinstance(now, float):
        return []
    told = f"Report and card say {likely(now)}: the models have learnt from the {CONFIRM} confirmation batches since."
    return [told]


def make_room(place: Path) -> None:
    """Clear a folder that an earlier demo made and nobody touched since. Raises StudyError for any other."""
    if not place.exists() or (place.is_dir() and not any(place.iterdir())):
        return
    if place.is_dir():
        recover(place)
    entries = journal.read(place) if place.is_dir() else ()
    theirs = "is not a demo"
    if entries and entries[0].command == "demo":
        known = {*journal.last_digests(entries), journal.NAME, STUDY, LOCK}
        names = {path.relative_to(place).as_posix(): path for path in place.rglob("*") if path.is_file()}
        # What a killed demo left half written is not someone's work.
        strange = [path for name, path in names.items() if name not in known and not name.endswith(".xlsx.part")]
        own = ("typed-into", "bench-missing", "file-missing")
        touched = [problem.where for problem in inspect(place) if problem.code not in own]
        if not strange and not touched:
            _clear(place)
            return
        theirs = f"holds work of someone: {', '.join([path.name for path in strange] + touched)}"
    raise refusal("exists", str(place), theirs, "a new folder, or one an earlier demo left",
                  "choose another: blendwright demo FOLDER")  # fmt: skip


def _clear(place: Path) -> None:
    """Remove an earlier demo, its journal last: killed on the way, it is still known for a demo."""
    for path in place.iterdir():
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        elif path.name != journal.NAME:
            path.unlink()
    shutil.rmtree(place)
