"""`new`: start a study from a template, a shipped example, or the table of an existing formula."""

from __future__ import annotations

import argparse
import shutil
from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path

from doe.form.form import FORM_MARK
from doe.form.reading import study_from_form
from doe.problems import Problem, StudyError
from doe.tables.tables import file_bytes, grids_from_bytes, tables_from_bytes
from reports.numbers import listed
from reports.papers.form_book import form_book
from reports.tables import clean
from reports.wording.prompt import typed
from studies.arguments import readable
from studies.cli import Desk, Outcome, version
from studies.form_toml import form_toml
from studies.formula_table import study_from_table
from studies.names import STUDY, refusal
from studies.wording import envelope
from studies.writing import changing, write_whole

EXAMPLES = {"potting-shed": "potting_shed", "tide-pool": "tide_pool"}


FORM = "form.xlsx"


def run(args: argparse.Namespace, desk: Desk) -> Outcome:
    """Write a study.toml into a folder that has none, or the form to fill instead."""
    place = Path(args.folder)
    if args.form:
        return _form(place, args)
    text, notes, source = _definition(args.source, place.name)
    create(place, text, source)
    lines = [clean(f"A study was started: {place / STUDY}"), *_told(notes), ""]
    lines.append(clean(f"Next: edit it, then  {typed('check', place)}"))
    document = envelope("new", None, notes, folder=str(args.folder), files=[STUDY], source=args.source or "template")
    return Outcome(document, "\n".join(lines))


def _form(place: Path, args: argparse.Namespace) -> Outcome:
    """The form in the folder: no study yet, so nothing is journalled."""
    if args.source:
        raise refusal("usage", "new", "both --form and --from", "one of them", f"fill the form, then --from {FORM}")
    if place.is_file() or (place / FORM).exists() or (place / STUDY).exists():
        got = "a file stands there" if place.is_file() else "holds a form or a study already"
        raise refusal("exists", str(place), got, "a new folder, or one without them", "choose another name")
    try:
        place.mkdir(parents=True, exist_ok=True)
        write_whole(place / FORM, form_book())
    except OSError as error:
        raise _not_made(place, error) from error
    lines = [
        f"A form to fill: {place / FORM}",
        "",
        f"Next: fill it, then  {typed('new', place, '--from', place / FORM)}",
    ]
    return Outcome(envelope("new", None, [], folder=str(args.folder), files=[FORM], source="form"), "\n".join(lines))


def _not_made(place: Path, error: OSError) -> StudyError:
    got = f"cannot be made: {error.strerror}"
    return refusal("not-writable", str(place), got, "a folder you may write to", "choose another place")


def _told(notes: Sequence[Problem]) -> list[str]:
    """What was understood, what was not, and what is to be decided, line by line under those words."""
    groups = {
        "Understood": [note for note in notes if note.level == "inform"],
        "Not understood, or not sure": [n for n in notes if n.level != "inform" and n.code != "to-decide"],
        "Still to decide, in study.toml": [note for note in notes if note.code == "to-decide"],
    }
    lines = []
    for heading, group in groups.items():
        lines += ["", f"{heading}:"] * bool(group)
        lines += [clean(f"  {_without_file(note)}") for note in group]
    return lines


def _without_file(note: Problem) -> str:
    """A note without what the heading says already: the file's name, or study.toml."""
    place = note.where.partition(", ")[2] if ", " in note.where else ""
    words = "; ".join(part for part in (note.got, note.allowed, note.do) if part)
    return f"{place}: {words}" if place else words


def create(place: Path, text: str, source: tuple[str, bytes] | None = None, command: str = "new") -> None:
    """Make the folder `place` with this study.toml. Raises StudyError, leaving nothing, when it cannot."""
    made = not place.exists()
    if place.is_file() or (place / STUDY).exists():
        got = "a file stands there" if place.is_file() else "holds a study already"
        raise refusal("exists", str(place), got, "a new folder, or one without study.toml", "choose another name")
    try:
        place.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise _not_made(place, error) from error
    try:
        with changing(place, command, version()) as change:
            change.write(STUDY, text)
            if source:
                change.note_read(*source)
    except BaseException:
        if made:
            shutil.rmtree(place, ignore_errors=True)
        raise


def _definition(source: str | None, name: str) -> tuple[str, list[Problem], tuple[str, bytes] | None]:
    if source is None:
        text = files("studies").joinpath("template/study.toml").read_text(encoding="utf-8")
        return text.replace("@NAME@", quoted(name)), [], None
    if source in EXAMPLES:
        return example_toml(source), [], None
    path = Path(source)
    if path.is_file():
        content = file_bytes(path)
        text, notes = _from_file(content, path.name, name)
        return text, notes, (readable(path.name), content)
    got = f"{source!r} is neither a shipped example nor a file"
    raise StudyError(
        [Problem("no-source", "stop", "--from", got, f"one of {listed(list(EXAMPLES))}, or a .csv or .xlsx file",
                 "check the name, or give the file's path")]
    )  # fmt: skip


def _from_file(content: bytes, file: str, name: str) -> tuple[str, list[Problem]]:
    """A study.toml from a filled form, or from the table of a formula."""
    if any(grid.rows[0][0] == FORM_MARK for grid in grids_from_bytes(content, file)):
        source, notes = study_from_form(tables_from_bytes(content, file), name)
        return form_toml(source, file), list(notes)
    return study_from_table(content, file, name)


def no_example(name: str) -> StudyError:
    """There is no example of that name."""
    return refusal("no-example", "--from", f"came {name!r}", f"one of {listed(list(EXAMPLES))}", "check the name")


def example_toml(name: str) -> str:
    """The study.toml of a shipped example."""
    return files("studies").joinpath(f"examples/{EXAMPLES[name]}/{STUDY}").read_text(encoding="utf-8")


def quoted(text: str) -> str:
    """Text fit to stand between the quotes of a TOML string: no quotes, backslashes or control signs."""
    clean = "".join(sign if sign.isprintable() and sign not in '"\\' else " " for sign in text)
    return " ".join(clean.split()) or "study"
