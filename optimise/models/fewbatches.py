"""What rests on very few batches, said where a chance is shown, as an interval does not tell it."""

from __future__ import annotations

from doe.problems import Problem, Unavailable, listed
from doe.study import Study
from optimise.models.aims import wanted
from optimise.models.models import Models

_SPARE = 4  # batches beyond the terms always kept, below which it is said; our choice (t at 3 is 3.2, at 10 is 2.2)


def few_batches(study: Study, models: Models) -> list[Problem]:
    """One finding for all responses with an aim that are predicted from hardly more batches than terms always kept."""
    few: dict[tuple[int, int], list[str]] = {}
    for response in wanted(study):
        model = models.get(response.name)
        if model is None or isinstance(model.predictor, Unavailable):
            continue
        terms = study.terms(response.model)
        kept = sum(terms.sure) if any(terms.sure) and not all(terms.sure) else sum(terms.first_order)
        if model.n - kept < _SPARE:
            few.setdefault((model.n, kept), []).append(response.name)
    out = []
    for (n, kept), names in few.items():
        batches = "1 batch" if n == 1 else f"{n} batches"
        got = f"{listed(names)} {'is' if len(names) == 1 else 'are'} predicted from {batches} with {kept} terms"
        got += " always kept: the chance rests on what models of this kind usually do more than on these batches"
        out.append(Problem("few-batches", "warn", "optimise", got, "", "make further trials before relying on it"))
    return out + _few_blocks(study, models)


def _few_blocks(study: Study, models: Models) -> list[Problem]:
    """One finding for responses with an aim that were made in a few blocks: what a new one brings is hardly known."""
    few: dict[int, list[str]] = {}
    for response in wanted(study):
        count = len(models[response.name].blocks) if response.name in models else 0
        if count > 1:
            few.setdefault(count, []).append(response.name)
    out = []
    for count, names in few.items():
        got = f"{listed(names)} {'was' if len(names) == 1 else 'were'} measured on batches of {count} blocks, which say"
        got += " little of how far blocks lie apart: a new batch stands in a new one, and intervals and chance are wide"
        got += " for it"
        do = "make the next batches in blocks of their own: each new one tells more of that than more batches in one"
        out.append(Problem("few-blocks", "inform", "optimise", got, "", do))
    return out
