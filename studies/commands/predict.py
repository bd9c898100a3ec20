"""`predict`: what the models say of given formulas."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from doe.problems import Unavailable
from optimise import Models
from optimise.formula.lots import lot_chance, lots_in_words
from optimise.formula.weighed import weighed_chance, weighed_most
from reports import documents
from reports.terminal import formula as terminal
from reports.wording.changes import kept_lines, recipe_name, weighed_line
from studies import changes, formulas
from studies.analysis import fitted
from studies.cli import Desk, Outcome
from studies.folder import StudyFolder
from studies.levels import formulas_at
from studies.standing import next_step
from studies.steady import steadily
from studies.wording import code_of

if TYPE_CHECKING:
    import pandas as pd


_FALL = ("response", "chance", "chance_weighed")


def run(args: argparse.Namespace, desk: Desk) -> Outcome:
    """Predict, with the terms of the last `fit`. Writes nothing.

    Exit code 1 where a formula breaks a limit or a check of the trade stops it.
    """
    return steadily(args.folder, lambda: _seen(args, desk))


def _seen(args: argparse.Namespace, desk: Desk) -> Outcome:
    folder = StudyFolder.at(args.folder)
    name = args.at.strip()
    kept = formulas.is_name(folder, name)
    frame = formulas.named(folder, name) if kept else formulas_at(args.at, folder.study)
    desk.progress("fitting ...")
    models = fitted(folder)
    desk.progress("predicting ...")
    moved = [entry for entry in changes.of_kept(folder, models) if kept and entry["formula"] == name]
    document = documents.predict_document(
        models, frame, lambda done: desk.progress(f"predicting: {done} of {len(frame)} ...")
    )
    said = [*_beside(args, models, frame, document), *kept_lines(moved)]
    todo = next_step(folder, args.folder)
    text = "" if desk.as_json else terminal.predict(models, frame, args.folder, said, document["points"], todo)
    desk.progress("")
    return Outcome({**document, "kept": moved}, text, code_of(document))


def _beside(
    args: argparse.Namespace, models: Models, frame: pd.DataFrame, document: dict[str, Any]
) -> list[str]:  # fmt: skip
    """The chances as a bench weighs and as lots differ, where they were asked for: into the document, and in words."""
    said, points = [], document["points"]
    if args.weighed:
        share = models.study.make.weigh_tolerance
        weighed = weighed_chance(models, frame)
        if isinstance(weighed, Unavailable):
            document["chance_weighed"] = weighed.to_dict()
            said.append(f"With every weighing off: {weighed.reason}; {weighed.do}.")
        else:
            most = weighed_most(models, frame)
            for point, chance, fall in zip(points, weighed.tolist(), most, strict=True):
                point["chance_weighed"] = chance
                point["weighed_most"] = None if fall is None else dict(zip(_FALL, fall, strict=True))
            told = {
                name: (chance, fall) for name, chance, fall in zip(map(str, frame.index), weighed, most, strict=True)
            }
            said.append(weighed_line(share, told))
    if args.lots:
        lots = lot_chance(models, frame)
        if isinstance(lots, Unavailable):
            document["chance_lots"] = lots.to_dict()
            return [*said, f"With new lots: {lots.reason}; {lots.do}."]
        both = zip(points, lots.chance.tolist(), lots.nine_of_ten.tolist(), strict=True)
        for point, chance, least in both:
            point["chance_lots"] = {"chance": chance, "nine_of_ten": least, "spread": dict(lots.spread)}
        said += [f"{recipe_name(one)}: {text}." for one, text in zip(frame.index, lots_in_words(lots), strict=True)]
    return said
