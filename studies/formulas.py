"""A formula by its name: kept under it, or one that a search, or a look, came out with."""

from __future__ import annotations

import re
from collections.abc import Mapping
from itertools import count
from typing import Any

import pandas as pd

from doe import Study
from doe.design.design import Design
from doe.design.groundwork import thawed
from doe.problems import Problem, StudyError, Unavailable
from optimise import Due, Models, Optimum, confirmation, due, find
from reports.documents import json_text
from reports.numbers import listed
from reports.wording import verdict as verdict_words
from studies import analysis
from studies.folder import StudyFolder
from studies.levels import completed
from studies.names import NAMED, OPTIMUM, WHAT_IF, refusal
from studies.renamed import formula_now, recipe_now
from studies.writing import Change

_BATCH = re.compile(r"([0-9]+(?:[.,][0-9]+)?)\s*(g|kg)", re.IGNORECASE)


def levels_of(row: Mapping[str, Any], study: Study, name: str) -> pd.DataFrame:
    """The whole recipe of a stored formula in terms of the present study, as one row under its name.

    Raises StudyError when the study has changed so that it cannot be expressed.
    """
    row = formula_now(row, study)
    stored = {**row.get("blend", {}), **row.get("factors", {})}
    unknown = [key for key, value in stored.items() if key not in study.columns and value not in (0, 0.0)]
    if unknown:
        raise StudyError(
            [Problem("old-formula", "stop", f"formula {name}", f"is made with {listed(unknown)}",
                     "ingredients and factors of the present study", "run optimise again")]
        )  # fmt: skip
    fill = study.fill.name if study.fill else None
    known = {key: value for key, value in stored.items() if key in study.columns and key != fill}
    if row.get("blend"):
        # What is new since was not in it.
        known = {**{item.name: 0.0 for item in study.varied if item.role == "varied"}, **known}
    return completed([known], [name], study, f"formula {name}")


def named(folder: StudyFolder, name: str) -> pd.DataFrame:
    """A formula that is kept (formulas/NAME.json) or that any search or look came out with, as one row."""
    known = _known(folder)
    if name in known:
        return levels_of(known[name], folder.study, name)
    last = [*folder.formulas(), *(label for label in _of_last(folder) if label not in folder.formulas())]
    raise refusal("no-formula", "--formula", f"{name!r} is not kept here", listed(last) if last else "none yet",
                  "find one and keep it: blendwright optimise FOLDER --keep F1")  # fmt: skip


def is_name(folder: StudyFolder, text: str) -> bool:
    """Whether `text` is the name of a formula that is kept or that any search or look came out with."""
    return text in _known(folder)


def _of_last(folder: StudyFolder) -> dict[str, Mapping[str, Any]]:
    """What the last search, and the last look, came out with, by its label, each with what it was asked."""
    return {**_labelled(folder.stored(WHAT_IF) or {}), **_labelled(folder.stored(OPTIMUM) or {})}


def _known(folder: StudyFolder) -> dict[str, Mapping[str, Any]]:
    """Every formula that has a name: those kept first, then those that any search or look came out with."""
    kept, rest = folder.formulas(), {**(folder.stored(NAMED) or {}), **_of_last(folder)}
    every = {**kept, **{label: row for label, row in rest.items() if label not in kept}}
    return {name: formula_now(row, folder.study) for name, row in every.items()}


def _labelled(document: Mapping[str, Any]) -> dict[str, Mapping[str, Any]]:
    """The formulas of an optimum's document, each with the digests it rests on and with what was asked."""
    also = {key: document.get(key) for key in ("digests", "asked")}
    return {name: {**row, **also} for name, row in _ranked(document).items()}


def found(folder: StudyFolder, models: Models, asked: analysis.Asked) -> Optimum:
    """The best formula and its alternatives, each under a name that means no other recipe.

    A recipe that is kept has the name it is kept by, one that came out before the label it had then; the others have
    the next numbers.
    """
    best = analysis.best(folder, models, asked)
    known = _known(folder)
    free = (name for name in (f"F{place}" for place in count(1)) if name not in known)
    names: list[str] = []
    for row in ({"blend": best.blend, "factors": best.factors}, *best.alternatives):
        same = [name for name, one in known.items() if name not in names and is_same(one, row)]
        names.append(same[0] if same else next(free))
    return best.named(names)


_OF_A_LABEL = ("blend", "factors", "chance_all", "chance_interval", "desirability", "cost_per_kg", "asked", "digests")


def keep_labels(change: Change, folder: StudyFolder, document: Mapping[str, Any]) -> None:
    """Have it noted which recipe each label of an optimum's document means, where any is new."""
    noted = folder.stored(NAMED) or {}
    new = {name: {key: row[key] for key in _OF_A_LABEL if key in row}
           for name, row in {**_of_last(folder), **_labelled(document)}.items() if name not in noted}  # fmt: skip
    if new:
        change.write(NAMED, json_text({**noted, **new}))


def is_same(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    """Whether two stored formulas are the same recipe, to the last digit a balance could tell."""
    ours, theirs = ({**row.get("blend", {}), **row.get("factors", {})} for row in (one, other))
    return all(_alike(ours.get(name, 0.0), theirs.get(name, 0.0)) for name in {*ours, *theirs})


def _alike(one: Any, other: Any) -> bool:
    if isinstance(one, str) or isinstance(other, str):
        return bool(one == other)
    return abs(float(one) - float(other)) <= 1e-9 * max(1.0, abs(float(one)))


def to_keep(folder: StudyFolder, name: str, document: Mapping[str, Any]) -> str | None:
    """The text of formulas/NAME.json, or None where that very recipe is kept there already.

    Raises StudyError where the name is that of another recipe: people may have made it, or hold its card.
    """
    every, known = folder.formulas(), _known(folder)
    kept = known[name] if name in every else None
    twin = next((other for other in every if other.casefold() == name.casefold()), None)
    if kept is not None and is_same(kept, document):
        return None
    if twin is None and (name not in known or is_same(known[name], document)):
        return json_text({**document, "name": name})
    taken = listed(list(every if twin is not None else _of_last(folder)))
    # On many drives F1 and f1 are one file.
    got = f"{name} is kept already and is another recipe" if kept is not None else f"{twin} is kept already"
    if twin is None:
        got = f"{name} is another recipe, which a search came out with before"
    raise refusal("kept", "--keep", got, f"a name not yet taken ({taken} are)",
                  f"keep it under the name it came with: --keep {document.get('label', 'NAME')}")  # fmt: skip


def keep_shown(change: Change, folder: StudyFolder, name: str, document: Mapping[str, Any] | None) -> None:
    """Keep a formula under its name because paper with that name goes out: no other recipe shall have it from now on.

    `document` is that of a formula just found; without one it is what a search or look called so.
    """
    if name in folder.formulas():
        return
    row = _known(folder)[name] if document is None else document
    text = to_keep(folder, name, row)
    if text is not None:
        change.write(f"formulas/{name}.json", text)


def _ranked(optimum: Mapping[str, Any]) -> dict[str, Mapping[str, Any]]:
    if "blend" not in optimum:
        return {}
    rows = [optimum, *optimum.get("alternatives", ())]
    return {str(row.get("label") or f"F{place}"): row for place, row in enumerate(rows, 1)}


def in_confirmation(folder: StudyFolder) -> pd.DataFrame | None:
    """The formula that was to be confirmed by the last round of which a batch came back; None where it had another aim.

    A round that was only issued, or retired, says nothing yet and takes nothing back.
    """
    found = _confirming_round(folder)
    return None if found is None else _first_recipe(*found, folder.study)


def _confirming_round(folder: StudyFolder) -> tuple[Design, str] | None:
    """That round, with the name of the formula."""
    made = set(folder.results.batches["trial"])
    for number in reversed(folder.rounds()):
        design, note = folder.design(number), folder.round_note(number)
        if made.intersection(design.table.index):
            return (design, str(note.get("formula") or "F1")) if note.get("purpose") == "confirm" else None
    return None


def _first_recipe(design: Design, name: str, study: Study) -> pd.DataFrame:
    return recipe_now(design.table.iloc[[0]].set_axis([name], axis=0), study)


def is_confirmed(folder: StudyFolder, levels: pd.DataFrame) -> bool:
    """Whether these levels are those of the formula in confirmation."""
    tried = in_confirmation(folder)
    if tried is None:
        return False
    names = list(folder.study.columns)
    ours, theirs = folder.study.complete(levels)[names].iloc[0], tried[names].iloc[0]
    return all(_alike(a, b) for a, b in zip(ours, theirs, strict=True))


def verdict(folder: StudyFolder) -> Mapping[str, Any] | None:
    """What the batches of the formula in confirmation said, with the name of that `formula`; None before any came."""
    found = _confirming_round(folder)
    if found is None:
        return None
    design, name = found
    tried = _first_recipe(design, name, folder.study)
    # By what was asked of its batches then, where that has moved on.
    moved = dict(design.study_digests) != {part: folder.study.digests[part] for part in design.study_digests}
    then = Study.from_dict(thawed(design.definition)) if moved else None
    said = confirmation(folder.study, folder.results, tried, then=then)
    return None if isinstance(said, Unavailable) else {**said, "formula": name}


def standing_of(folder: StudyFolder) -> dict[str, Any] | None:
    """Whether fresh batches have confirmed the formula the study is about: its name, `confirmed`, and in words.

    It is the one that the last round of which a batch came back was made to confirm, else that of the last search;
    None before any.
    """
    tried = in_confirmation(folder) if folder.has_results() else None
    if tried is not None:
        name = str(tried.index[0])
        try:
            said = verdict(folder)
        except StudyError as error:
            # The study has moved on so far that the batches say nothing of it.
            why = error.problems[0]
            return {"name": name, "confirmed": False, "says": f"not confirmed: {why.where} {why.got}."}
        if said is not None:
            text = verdict_words.said(said)
            return {"name": name, "confirmed": bool(said["confirmed"]), "says": text[:1].lower() + text[1:]}
    found = folder.stored(OPTIMUM) or {}
    if "blend" not in found:
        return None
    says = "predicted, not confirmed: no fresh batch of it has come back."
    return {"name": str(found.get("label") or "F1"), "confirmed": False, "says": says}


def in_question(
    folder: StudyFolder, models: Models, best: Optimum | None = None
) -> tuple[pd.DataFrame, Optimum | None, Mapping[str, Any] | None]:
    """The formula the study is about now, as one row under its name, and what confirmation batches said, if any.

    The formula that they confirmed stays the formula, though the models have learnt from them since; where they did not
    confirm it, the best formula of the present models (`best`, or it is looked for) takes its place, and is given.
    """
    try:
        tried, said = in_confirmation(folder), verdict(folder)
    except StudyError:
        # The study has moved on so far that the batches say nothing of it: `standing_of` says why.
        tried, said = None, None
    if tried is not None and said is not None and said["confirmed"]:
        return tried, None, said
    best = best_of(folder, models) if best is None else best
    before = confirmation(folder.study, folder.results, best.levels) if said is None else said
    return best.levels, best, None if isinstance(before, Unavailable) else before


def confirmed_or_best(folder: StudyFolder, models: Models) -> tuple[Optimum, Mapping[str, Any] | None]:
    """The formula in question with what lies around it, and what confirmation batches said, if any came back."""
    levels, best, said = in_question(folder, models)
    if best is not None:
        return best, said
    names = [item.name for item in folder.study.varied if item.role == "varied"]
    names += [factor.name for factor in folder.study.factors]
    best = find(folder.study, models, hold={name: levels.iloc[0][name] for name in names})
    return best.named([str(levels.index[0]), *(str(row["label"]) for row in best.alternatives)]), said


BETTER = 0.05  # from here on another formula is better enough to be told; our own choice, two or three batches in 50


def better_than_confirmed(
    folder: StudyFolder, models: Models, name: str, chance: object, said: Mapping[str, Any] | None
) -> dict[str, Any] | None:
    """Another formula that the models, which have learnt from the confirmation batches, now hold for better.

    Its name, its chance, and `name` and `chance` of the confirmed one; None where none was confirmed, or none is better
    by `BETTER`.
    """
    if said is None or not said["confirmed"]:
        return None
    if isinstance(chance, float) and chance > 1 - BETTER:
        return None  # nothing can be so much better: no search for it
    stored = folder.stored(OPTIMUM) if analysis.is_fresh(folder, OPTIMUM) else None
    return _better(best_of(folder, models).to_dict() if stored is None else stored, name, chance)


def of_the_study(folder: StudyFolder) -> str | None:
    """The name of the formula that report, `next` and `card` go on with; None before a search of today's results."""
    stored = folder.stored(OPTIMUM) if analysis.is_fresh(folder, OPTIMUM) else None
    named = ((stored or {}).get("due") or {}).get("formula")
    return None if named is None else str(named)


def better_as_found(folder: StudyFolder) -> dict[str, Any] | None:
    """The same from what the last search came out with, without a new one; None where it is of an earlier day."""
    stored = folder.stored(OPTIMUM) if analysis.is_fresh(folder, OPTIMUM) else None
    due = (stored or {}).get("due") or {}
    if stored is None or due.get("why") != "confirmed":
        return None
    return _better(stored, str(due["formula"]), due["chance"])


def _better(best: Mapping[str, Any], name: str, chance: object) -> dict[str, Any] | None:
    now = best["chance_all"]
    if best["label"] == name or not isinstance(now, float) or not isinstance(chance, float) or now - chance < BETTER:
        return None
    return {"formula": best["label"], "chance": now, "confirmed": name, "confirmed_chance": chance}


def due_after(folder: StudyFolder, models: Models, best: Optimum) -> tuple[Due, str]:
    """What is due now that `best` is the formula found: with it, or with one that batches confirmed before.

    And what those batches said, where `best` is the one that they confirmed; "" where it is not.
    """
    levels, found, said = in_question(folder, models, best)
    step = due(folder.study, models, levels, clash=() if found is None else found.clash, verdict=said)
    own = said is not None and said["confirmed"] and str(levels.index[0]) == best.label
    return step, verdict_words.said(said) if said is not None and own else ""


def best_of(folder: StudyFolder, models: Models) -> Optimum:
    """The formula the last `optimise` asked for, found again on the present models."""
    return found(folder, models, analysis.last_asked(folder))


def batch_grams(text: str | None, study: Study) -> float:
    """A batch size in grams from "20kg" or "400 g". Raises StudyError otherwise."""
    if text is None:
        return study.batch_g
    match = _BATCH.fullmatch(text.strip())
    grams = float(match[1].replace(",", ".")) * (1000.0 if match[2].lower() == "kg" else 1.0) if match else 0.0
    if not 0 < grams <= 1e8:
        raise refusal(
            "batch", "--batch", repr(text), "a weight with its unit", "for example --batch 20kg or --batch 400g"
        )
    return grams
