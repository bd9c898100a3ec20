"""`fit` at a terminal: each response with its terms and what they rest on, then all of them side by side."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from reports.numbers import NOTHING, between, counted, figure, listed, percent, precise
from reports.tables import aligned, clean, wrapped
from reports.terminal.terminal import findings
from reports.wording import fit as words
from reports.wording.prompt import typed

if TYPE_CHECKING:
    from optimise.models.look import Changed
    from optimise.models.models import Models


def fit(models: Models, todo: str) -> str:
    """Each response: its terms, how well batches repeat, how much is explained, and what to mistrust."""
    parts = [_response(models, response) for response in models]
    return "\n\n".join([*parts, _side_by_side(models), *_end(models, todo)])


def without(models: Models, changed: Mapping[str, Changed], trials: Sequence[str], name: str = "FOLDER") -> str:
    """A look without some trials: what changes in each response. Nothing was written."""
    head = f"A look without {listed(list(trials))}; nothing was written. What changes:"
    rows = [
        [response, f"{c.batches[0]} to {c.batches[1]}", _pair(c.residual_sd, figure), _pair(c.r2_predicted, percent),
         figure(c.moved, digits=2) if isinstance(c.moved, float) else NOTHING, c.moved_at]
        for response, c in changed.items()
    ]  # fmt: skip
    table = aligned(
        rows, ("response", "batches", "residual sd", "predicted R2", "predictions move by", "most at"), right=(4,)
    )
    note = "Predictions move by: the largest change of a predicted mean over the batches made, in batch sd."
    lines = [line for response, c in changed.items() for line in _terms_that_moved(response, c)]
    each = "it out for good" if len(trials) == 1 else "them out for good, one by one"
    kept = f'To leave {each}, with the reason: {typed("record", name, "--set-aside", trials[0])} --why "..."'
    told = [head, table, wrapped(note), "\n".join(lines), *_end(models, typed("fit", name), kept)]
    return "\n\n".join(part for part in told if part)


def _pair(pair: tuple[Any, Any], write: Any) -> str:
    before, after = (write(v) if isinstance(v, float) else NOTHING for v in pair)
    return before if before == after else f"{before} to {after}"


def _terms_that_moved(response: str, c: Changed) -> list[str]:
    out = []
    for batch, seen, fitted, predicted in c.left_out:
        said = f"{response}, {batch}: measured {figure(seen, digits=4)}"
        said += f", fitted with it {figure(fitted, digits=4)}" if isinstance(fitted, float) else ""
        said += f", predicted without it {figure(predicted, digits=4)}" if isinstance(predicted, float) else ""
        out.append(wrapped(f"{said}.", indent="    "))
    for verb, terms in (("comes in", c.came), ("goes", c.went)):
        if terms:
            verb = verb if len(terms) == 1 else verb.replace("comes", "come").replace("goes", "go")
            out.append(wrapped(f"{response}: {listed(list(terms))} {verb}.", indent="    "))
    return out


def _response(models: Models, response: str) -> str:
    entry, model = models.entry(response), models[response]
    share, limits = words.shares(entry), words.planned(entry)
    limits = {row["term"]: limits[row["term"]] for row in entry["terms"] if row["term"] in limits}
    own_df = len({str(row.get("df")) for row in entry["terms"]}) > 1
    head = ["term", "estimate", "se", "t", *(["df"] if own_df else []), "p", *(["chosen"] if share else [])]
    head += ["planned, 95 %"] if limits else []
    rows = []
    for row in entry["terms"]:
        cells = [clean(row["term"]), _number(row["estimate"]), _number(row["se"], 4), _number(row["t"], 4)]
        cells += [_number(row["df"], 3)] if own_df else []
        cells += [_number(row["p"], 3)]
        cells += [share.get(row["term"], "")] if share else []
        rows.append([*cells, between(*limits[row["term"]]) if row["term"] in limits else "-"] if limits else cells)
    for name, place, error in words.threshold_rows(entry):
        rows.append([clean(name), _number(place), _number(error, 4), *["-"] * (len(head) - 3)])
    unit = f" [{model.unit}]" if model.unit and model.unit != response else ""
    title = f"{clean(response)}{clean(unit)}: {counted(model.n, 'batch', 'batches')}, {model.scale.name} scale,"
    title += f" coefficients in {model.coding}"
    first = words.judged(entry) if model.core is not None else f"Terms: {entry['selection']['how']}."
    said = [first, words.blocks_line(entry), words.left_terms(entry), words.together_line(entry),
            words.scale_line(entry), words.threshold_line(entry), words.other_form_line(entry), words.law_line(entry),
            words.top_line(entry)]  # fmt: skip
    told = [wrapped(f"  {line}", indent="    ") for line in said if line]
    return "\n".join([title, aligned(rows, head, right=tuple(range(1, len(head)))), *told])


def _number(value: Any, digits: int = 6) -> str:
    """A number of a table; one that does not exist is a dash, its reason stands in --json."""
    return precise(value, digits) if isinstance(value, int | float) else "-"


def _side_by_side(models: Models) -> str:
    rows = []
    for response, model in models.items():
        sd = model.residual_sd
        rows.append(
            [
                response,
                model.n,
                len(model.terms),
                model.scale.name,
                figure(sd, digits=3) if isinstance(sd, float) else NOTHING,
                percent(model.r2_predicted) if isinstance(model.r2_predicted, float) else NOTHING,
            ]
        )
    return aligned(rows, ("response", "batches", "terms", "scale", "residual sd", "predicted R2"), right=(1, 2, 4, 5))


def _end(models: Models, todo: str, *more: str) -> list[str]:
    how = (
        "These are the terms that were chosen, for reading; predictions average over many models."
        if models.terms_choice == "select"
        else words.all_kept_line({name: model.to_dict() for name, model in models.items()})
    )
    if not any(model.core is not None for model in models.values()):
        how = ""
    entries = [models.entry(name) for name in models]
    noted = [line(entry) for line in (words.chosen_line, words.planned_line) for entry in entries]
    how = " ".join([how, *dict.fromkeys(line for line in noted if line)])
    told = [wrapped(how) if how else "", findings(models.findings), *more, f"Next: {clean(todo)}"]
    return [part for part in told if part]
