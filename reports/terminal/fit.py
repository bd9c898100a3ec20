"""`fit` at a terminal: all responses side by side, what to mistrust, then each with its terms and what they rest on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from reports.numbers import NOTHING, between, counted, estimated, figure, listed, p_value, percent, statistic
from reports.tables import aligned, clean, wrapped
from reports.terminal.terminal import findings
from reports.wording import fit as words
from reports.wording import fitrows
from reports.wording.findings import gist, ranked
from reports.wording.fitrows import shown
from reports.wording.prompt import typed

if TYPE_CHECKING:
    from doe.problems import Problem
    from optimise.models.models import Models
    from optimise.models.without import Changed

Entry = Mapping[str, Any]

_FEW = 3  # notes that are told in full beside all responses
_OWN = ("Distance", "Predicted")


def fit(models: Models, todo: str, name: str = "FOLDER") -> str:
    """All responses side by side and what to mistrust; then each with its terms and what they rest on, in brief."""
    told = ranked(models.findings)
    looks, notes = ([p for p in told if (p.level == "inform") is quiet] for quiet in (False, True))
    entries = {response: models.entry(response) for response in models}
    first = next(iter(models))
    more = f"Of one response, all there is: {typed('fit', name, '--of', first)}"
    parts = [
        _side_by_side(entries),
        findings(looks),
        *(_response(response, entry, brief=True) for response, entry in entries.items()),
        wrapped(_legend(entries)),
        _notes(notes),
        more,
        f"Next: {clean(todo)}",
    ]
    return "\n\n".join(part for part in parts if part)


def of(models: Models, response: str, todo: str) -> str:
    """All there is of one response: terms, every sentence, the tables of its diagnosis, and its findings."""
    parts = [*_all_of(models, response), f"Next: {clean(todo)}"]
    return "\n\n".join(part for part in parts if part)


def _all_of(models: Models, response: str) -> list[str]:
    entry = models.entry(response)
    own = [finding for finding in models.findings if finding.where == response]
    legend = wrapped(_legend({response: entry}))
    return [_response(response, entry, brief=False), *_tables(entry), legend, findings(own)]


def _notes(notes: Sequence[Problem]) -> str:
    """Notes in full where they are few, else a line each with what it begins with."""
    if len(notes) <= _FEW:
        return findings(notes)
    short = [replace(note, got=gist(note.got), allowed="", do="") for note in notes]
    return f"{len(notes)} notes, in short; --of tells those of a response in full:\n{findings(short)}"


def without(
    models: Models, changed: Mapping[str, Changed], trials: Sequence[str], name: str = "FOLDER", of: str | None = None
) -> str:
    """A look without some trials: what changes in each response, and all there is of response `of` without them.
    Nothing was written.
    """
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
    todo = typed("fit", name)
    end = _end(models, todo, kept) if of is None else [*_all_of(models, of), kept, f"Next: {clean(todo)}"]
    told = [head, table, wrapped(note), "\n".join(lines), *end]
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


def _response(response: str, entry: Entry, brief: bool) -> str:
    share, limits = words.shares(entry), words.planned(entry)
    limits = {row["term"]: limits[row["term"]] for row in entry["terms"] if row["term"] in limits}
    own_df = len({str(row.get("df")) for row in entry["terms"]}) > 1
    head = ["term", "estimate", "se", "t", *(["df"] if own_df else []), "p", *(["chosen"] if share else [])]
    head += ["planned, 95 %"] if limits else []
    rows = []
    for row in entry["terms"]:
        cells = [clean(row["term"]), *_estimated(row["estimate"], row["se"]), shown(statistic, row["t"], "-")]
        cells += [shown(fitrows.to_three, row["df"], "-")] if own_df else []
        cells += [shown(p_value, row["p"], "-")]
        cells += [share.get(row["term"], "")] if share else []
        rows.append([*cells, between(*limits[row["term"]]) if row["term"] in limits else "-"] if limits else cells)
    for name, place, error in words.threshold_rows(entry):
        rows.append([clean(name), *_estimated(place, error), *["-"] * (len(head) - 3)])
    said = _brief(entry) if brief else _sentences(entry)
    told = [wrapped(f"  {line}", indent="    ") for line in said if line]
    return "\n".join([_title(response, entry), aligned(rows, head, right=tuple(range(1, len(head)))), *told])


def _title(response: str, entry: Entry) -> str:
    unit = f" [{entry['unit']}]" if entry["unit"] and entry["unit"] != response else ""
    title = f"{clean(response)}{clean(unit)}: {counted(entry['n'], 'batch', 'batches')}"
    bounds = sum(row.get("bound", "none") != "none" for row in entry["trials"])
    title += f" ({counted(bounds, 'bound')} among them)" if bounds else ""
    return f"{title}, {entry['scale']} scale, coefficients in {entry['coding']}"


def _brief(entry: Entry) -> list[str]:
    """What a fit rests on, in the fewest lines: its error, other terms that might act, scale, other form, top."""
    top = words.top_line(entry)
    return [_rests_on(entry), words.blocks_line(entry), words.left_terms(entry, brief=True), words.near_line(entry),
            words.scale_brief(entry), words.other_form_brief(entry), "" if "lies outside" in top else top]  # fmt: skip


def _sentences(entry: Entry) -> list[str]:
    return [_rests_on(entry), words.blocks_line(entry), words.left_terms(entry), words.near_line(entry),
            words.together_line(entry), words.scale_line(entry), words.threshold_line(entry),
            words.other_form_line(entry), words.law_line(entry), words.top_line(entry)]  # fmt: skip


def _rests_on(entry: Entry) -> str:
    if entry["kind"] in ("grade", "pass"):
        return f"Terms: {entry['selection']['how']}."
    return words.judged(entry)


def _tables(entry: Entry) -> list[str]:
    """Effects, the analysis of variance, models nearly as good, eigenvalues, the way up, and each batch."""
    out = []
    if fitrows.effects(entry, "-"):
        table = aligned(fitrows.effects(entry, "-"), fitrows.effect_head(entry), range(1, 8))
        out.append(f"{wrapped(words.effects_line(entry))}\n{table}")
    if entry["anova"]:
        head = ("source", "df", "error df", "sum of squares", "mean square", "F", "p")
        table = aligned(fitrows.anova(entry, "-"), head, range(1, len(head)))
        lines = [wrapped(line) for line in (words.partial_line(entry), words.anova_line(entry)) if line]
        out.append("\n".join([table, *lines]))
    if fitrows.near(entry):
        out.append(aligned(fitrows.near(entry), ("models nearly as good", "AICc above"), (1,), most=60))
    if words.eigen_rows(entry):
        out.append(aligned(words.eigen_rows(entry), ("eigenvalue", "standard error"), (0, 1)))
    if words.way_rows(entry):
        names = [one.lower() if one in _OWN else one for one in words.way_head(entry)]
        out.append(aligned(words.way_rows(entry), names, range(len(names))))
    if entry["trials"]:
        of_batches = ("batch", "measured", "fitted", "residual", "leverage", "studentised", "deleted", "Cook")
        rows = fitrows.trials(entry, "-")
        there = [j for j in range(len(of_batches)) if any(row[j] != "-" for row in rows)]
        rows = [[row[j] for j in there] for row in rows]
        table = aligned(rows, [of_batches[j] for j in there], range(1, len(there)))
        line = words.each_batch_line(entry)
        out.append(f"{table}\n{wrapped(line)}" if line else table)
    return out


def _estimated(value: Any, error: Any) -> list[str]:
    return [text if text != NOTHING else "-" for text in estimated(value, error)]


def _side_by_side(entries: Mapping[str, Entry]) -> str:
    rows = []
    for response, entry in entries.items():
        lack = entry["lack_of_fit"]
        rows.append([response, entry["n"], len(entry["terms"]), entry["scale"],
                     shown(fitrows.to_three, entry["residual_sd"], "-"), shown(percent, entry["r2_predicted"], "-"),
                     f"p {p_value(lack['p'])}" if "p" in lack else "not tested"])  # fmt: skip
    head = ("response", "batches", "terms", "scale", "residual sd", "predicted R2", "lack of fit")
    return aligned(rows, head, right=(1, 2, 4, 5, 6))


def _legend(entries: Mapping[str, Entry]) -> str:
    """What the columns mean, and what predicts."""
    lines = [words.predicts_lines(entries)]
    lines += [line(entry) for line in (words.chosen_line, words.planned_line) for entry in entries.values()]
    lines.append(next((line for line in map(words.contrast_line, entries.values()) if line), ""))
    if any(entry["terms"] for entry in entries.values()):
        lines.append("Estimates are rounded by their errors; to compute with, take those of --json.")
    return " ".join(dict.fromkeys(line for line in lines if line))


def _end(models: Models, todo: str, *more: str) -> list[str]:
    told = [wrapped(_legend({name: models.entry(name) for name in models})), findings(models.findings), *more]
    return [part for part in (*told, f"Next: {clean(todo)}") if part]
