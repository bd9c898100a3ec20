"""What a historical table calls its trials: said behind the ids they have here, wherever one is spoken of."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace

from doe.problems import Problem
from doe.results.resultset import Results

_ID = re.compile(r"\bT[0-9]{2,}(?:-[0-9]+)?\b(?! \()")


def with_own_names(results: Results, problems: Iterable[Problem]) -> list[Problem]:
    """The problems, each trial or batch of a historical table followed by its name there: T05-1 (A4)."""
    own = _own(results)
    if not own:
        return list(problems)
    return [replace(one, where=_named(one.where, own), got=_named(one.got, own), do=_named(one.do, own))
            for one in problems]  # fmt: skip


def _own(results: Results) -> dict[str, str]:
    """The name each trial and batch has in its table, where that is another than here."""
    known = results.batches[["trial", "source_id"]].dropna()
    names: dict[str, str] = {}
    for batch, (trial, own) in zip(known.index, known.itertuples(index=False, name=None), strict=True):
        if str(own) != str(trial):
            names[str(batch)] = names[str(trial)] = str(own)
    return names


def _named(text: str, own: dict[str, str]) -> str:
    return _ID.sub(lambda found: f"{found[0]} ({own[found[0]]})" if found[0] in own else found[0], text)
