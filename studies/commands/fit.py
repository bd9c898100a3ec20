"""`fit`: models of the responses and their diagnosis."""

from __future__ import annotations

import argparse

from doe.definition.keys import nearest
from doe.problems import ModelError, Problem
from optimise import Models
from optimise.models.without import changes
from reports import documents
from reports.terminal import fit as terminal_fit
from studies.analysis import TermsChoice, fitted, keep_models, last_coding, last_terms
from studies.cli import Desk, Outcome
from studies.folder import StudyFolder
from studies.standing import next_step
from studies.steady import steadily
from studies.wording import code_of


def run(args: argparse.Namespace, desk: Desk) -> Outcome:
    """Fit every response. `--without` is a look only: nothing is written."""
    terms: TermsChoice = args.terms if args.terms else "select"
    coding = args.coding or "units"
    desk.progress("fitting ...")
    if args.without:
        return steadily(args.folder, lambda: _look(args, desk))
    folder = StudyFolder.at(args.folder)
    with folder.changing("fit") as change:
        models = fitted(folder, terms, coding)
        _known(args.of, models)
        keep_models(change, folder, models, terms, coding)
        change.commit()
        todo = next_step(StudyFolder(folder.path), args.folder)
    desk.progress("")
    document = documents.fit_document(models)
    if args.of is not None:
        return Outcome(document, terminal_fit.of(models, args.of, todo), code_of(document))
    return Outcome(document, terminal_fit.fit(models, todo, args.folder), code_of(document))


def _known(response: str | None, models: Models) -> None:
    """Raise ModelError where a response is asked for that was not fitted."""
    if response is None or response in models:
        return
    near = nearest(response, tuple(models))
    do = f"did you mean {near}?" if near else "use the name of a measured response"
    raise ModelError([Problem("unknown-response", "stop", "--of", response, ", ".join(models), do)])


def _look(args: argparse.Namespace, desk: Desk) -> Outcome:
    folder = StudyFolder.at(args.folder)
    terms, coding, trials = args.terms or last_terms(folder), args.coding or last_coding(folder), _trials(args.without)
    before = fitted(folder, terms, coding)
    _known(args.of, before)
    after = fitted(folder, terms, coding, trials)
    changed = changes(before, after, trials)
    desk.progress("")
    document = documents.fit_document(after, changed)
    told = terminal_fit.without(after, changed, trials, args.folder, of=args.of)
    return Outcome(document, told, code_of(document))


def _trials(text: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys(piece.strip() for piece in text.split(",") if piece.strip()))
