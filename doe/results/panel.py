"""What to mind of readings by people: scores that are grades, who read which batches, how many in one sitting."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from doe.definition.parts import Response
from doe.problems import Problem, listed
from doe.results.resultset import UNUSED_FLAGS, Results

if TYPE_CHECKING:
    from doe.study import Study

_BY_PEOPLE = ("score", "panel", "point", "rating", "hedonic")  # words of a unit or method; common practice
_GRADES = 11  # different whole numbers at most, as of a scale of 0 to 10
_FEW = 8  # readings below which nothing is said of a scale
_SITTING = 6  # samples after which a judge tires; advice on sensory experiments (see `odd_panels`)


def odd_panels(study: Study, results: Results) -> list[Problem]:
    """What to mind of grades and scores, and of readings shared out among people.

    About six samples a sitting: advice on sensory experiments with ordinal scales, read as an abstract.
    """
    found: list[Problem] = []
    for response in study.measured_responses:
        rows = _read(results, response)
        found += _shared_out(response, rows)
        if _is_by_people(response):
            found += _whole_scores(response, rows) + _long_sittings(response, rows)
    return found


def _read(results: Results, response: Response) -> pd.DataFrame:
    rows = results.counted
    rows = rows[(rows["response"] == response.name) & rows["batch"].isin(results.usable) & rows["value"].notna()]
    return rows[~rows["flag"].isin(UNUSED_FLAGS)]


def _is_by_people(response: Response) -> bool:
    words = f"{response.unit} {response.method}".casefold()
    return response.kind == "grade" or any(word in words for word in _BY_PEOPLE)


def _shared_out(response: Response, rows: pd.DataFrame) -> list[Problem]:
    """People of whom no two read a batch in common: what they differ by cannot be told from what the batches do."""
    named = rows[rows["operator"].astype(str).str.strip().ne("") & rows["operator"].notna()]
    who = {str(name): set(map(str, group["batch"])) for name, group in named.groupby("operator", sort=False)}
    apart = {n: own for n, own in who.items() if not any(own & other for m, other in who.items() if m != n)}
    if len(who) < 2 or len(apart) < len(who) or min(map(len, who.values())) < 2:
        return []
    got = "; ".join(f"{name} read {listed(sorted(own))}" for name, own in who.items())
    do = "if they may read differently, give each a block (column block), or let both read a few batches"
    return [Problem("readers-apart", "inform", response.name, got, "batches that several people read", do)]


def _whole_scores(response: Response, rows: pd.DataFrame) -> list[Problem]:
    """Scores that are nothing but a few whole numbers: their order counts, and their distances may not."""
    values = rows.loc[rows["bound"] == "none", "value"]
    values = pd.to_numeric(values, errors="coerce").dropna()
    few = len(values) >= _FEW and values.nunique() <= _GRADES and values.between(0, 10).all()
    if response.kind != "number" or not few or (values % 1 != 0).any():
        return []
    got = f"nothing but whole scores from {values.min():g} to {values.max():g}"
    do = 'kind = "grade" with grades = [...] takes their order and not their distances; a mean of a few people is rough'
    return [Problem("whole-scores", "inform", response.name, got, "a measured number", do)]


def _long_sittings(response: Response, rows: pd.DataFrame) -> list[Problem]:
    sat = rows[rows["session"].notna() & rows["session"].astype(str).str.strip().ne("")]
    sittings: dict[tuple[str, str], set[str]] = {}
    for who, session, batch in zip(sat["operator"].fillna(""), sat["session"], sat["batch"], strict=True):
        sittings.setdefault((str(who), str(session)), set()).add(str(batch))
    long = [f"{who or 'one'} in sitting {n} {len(own)}" for (who, n), own in sittings.items() if len(own) > _SITTING]
    if not long:
        return []
    do = "fewer a sitting, each person in an order of their own"
    return [Problem("long-sitting", "inform", response.name, "samples in one sitting: " + listed(long),
                    f"about {_SITTING}, then judges tire", do)]  # fmt: skip
