"""Small wordings and documents of the front desk itself; what is said of a study is worded in `reports`."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from doe.problems import Problem
from reports.documents import document

if TYPE_CHECKING:
    from doe import Study


def envelope(
    command: str, study: Study | None, problems: Iterable[Problem], *, results: str = "", **keys: Any
) -> dict[str, Any]:
    """A JSON document of a command that has no richer one: what every document carries, and `keys`.

    `results` is the digest of the results it rests on, if any.
    """
    rests = dict(study.digests) if study is not None else {}
    return document(command, keys, problems=problems, digests={**rests, **({"results": results} if results else {})})


def code_of(document: Mapping[str, Any]) -> int:
    """Exit code of a command that did its work: 1 when something of level stop must be looked at."""
    return int(any(row.get("level") == "stop" for row in document.get("problems", ())))
