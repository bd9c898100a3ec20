"""`optimise`: the formula to make, distinct alternatives, the chance and its certificate."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from typing import Any

from doe import Study
from doe.problems import Problem, StudyError
from optimise.formula.space import hold_problems
from reports import documents
from reports.terminal import formula as terminal
from reports.wording.changes import changed_line, held_words, kept_line, kept_lines, look_line, stays_line
from studies import analysis, changes, formulas
from studies.cli import Desk, Outcome
from studies.folder import StudyFolder
from studies.levels import readable
from studies.names import formula_name
from studies.standing import next_step
from studies.wording import code_of


def run(args: argparse.Namespace, desk: Desk) -> Outcome:
    """Find the formula and keep it in analysis/optimum.json; `--keep F1` also in formulas/F1.json.

    With `--hold`, `--outside` or another objective it is a look: what it finds goes to analysis/what-if.json, and the
    formula of the study stays what it was.

    Exit code 1 when no formula within the limits meets every must.
    """
    folder = StudyFolder.at(args.folder)
    asked = analysis.Asked(args.objective, args.hold or "", args.outside, tuple(args.against or ()), args.prove)
    name = args.keep
    with folder.changing("optimise") as change:
        _check(args, folder.study)
        is_look = asked.is_look(folder.study)
        own = formulas.of_the_study(folder) if is_look else None
        desk.progress("fitting ...")
        models = analysis.fitted(folder)
        desk.progress("looking for the formula ...")
        best = formulas.found(folder, models, asked)
        document = documents.optimum_document(best, digests={**folder.study.digests, "results": folder.results.digest})
        document |= {"asked": asked.to_dict(), "is_look": is_look}
        confirmed = ""
        if not is_look:
            step, confirmed = formulas.due_after(folder, models, best)
            document["due"] = step.to_dict()
        moved = changes.told_with(folder, models, None if is_look else best, document)
        analysis.keep_fresh_models(change, folder, models)
        analysis.keep_optimum(change, folder, document, asked)
        formulas.keep_labels(change, folder, document)
        if name is not None and (text := formulas.to_keep(folder, name, _called(name, document))) is not None:
            change.write(f"formulas/{name}.json", text)
        change.commit()
        todo = next_step(StudyFolder(folder.path), args.folder)
    desk.progress("")
    code = code_of(document) or int(not document["feasible"])
    told = [
        "" if name is None else kept_line(name, str(_called(name, document)["label"]), best.label),
        look_line(best.label if best.label == own else name or best.label, own)
        if is_look
        else stays_line(best.label, document["due"]),
        changed_line(folder.study, moved.get("changed")),
        *kept_lines(moved["kept"]),
    ]
    return Outcome(
        {**document, **moved},
        terminal.optimise(folder.study, best, todo, [t for t in told if t], held_words(document["asked"]), confirmed),
        code,
    )


def _check(args: argparse.Namespace, study: Study) -> None:
    """Raises StudyError with all that is wrong with what was asked for, before anything is worked out."""
    problems: list[Problem] = []
    for asked, check in (
        (args.keep, formula_name),
        (args.hold, lambda text: _can_be_held(text, study)),
        (args.against, lambda names: _known_aims(names, study)),
    ):
        try:
            if asked is not None:
                check(asked)
        except StudyError as error:
            problems += error.problems
    if problems:
        raise StudyError(problems)


def _can_be_held(text: str, study: Study) -> None:
    levels, problems = readable(text, study, "--hold")
    if problems := [*problems, *hold_problems(study, levels)]:
        raise StudyError(problems)


def _known_aims(names: Sequence[str], study: Study) -> None:
    known = [response.name for response in study.responses if response.aim != "watch"]
    do = "name a response of which something is wanted"
    if wrong := [name for name in names if name not in known]:
        raise StudyError([Problem("unknown-aim", "stop", "--against", name, ", ".join(known), do) for name in wrong])


def _called(name: str, document: Mapping[str, Any]) -> Mapping[str, Any]:
    """What is kept under a name: the alternative that is called so, else the formula found."""
    rows = [row for row in document["alternatives"] if row["label"] == name and document["label"] != name]
    return {**rows[0], "asked": document["asked"], "digests": document["digests"]} if rows else document
