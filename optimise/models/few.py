"""What rests on very few batches: said where a chance is shown, as an interval alone does not tell it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from doe.problems import Problem, Unavailable, listed
from doe.study import Study
from optimise.models.aims import wanted

if TYPE_CHECKING:
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
    return out
