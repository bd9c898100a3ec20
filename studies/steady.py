"""Looking at a study while another command may be writing to it: as it was before, or as it is after.

Nothing is held up and nothing is written, so that this works where one may only read. A change stands in `.pending`
from before its first file moves until after its journal line is there: where neither is seen to move from the
beginning of a look to its end, no file moved in between.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from studies import journal
from studies.locking import Lock
from studies.pending import MANIFEST, PENDING, complete, recover

_TRIES = 5
T = TypeVar("T")


def steadily(folder: str | Path, look: Callable[[], T]) -> T:
    """What `look()` gives of a study that no command changed meanwhile; it is repeated until that is so.

    Where others write again and again they are made to wait. Whatever `look` raises of a study at rest is raised.
    """
    place = Path(folder)
    for _ in range(_TRIES):
        recover(place)
        before = _moment(place)
        try:
            seen = look()
        except Exception:
            if _is_still(place, before):
                raise
        else:
            if _is_still(place, before):
                return seen
    with Lock(place):
        complete(place)
        return look()


def _is_still(folder: Path, before: tuple[bool, int, int]) -> bool:
    return not before[0] and _moment(folder) == before


def _moment(folder: Path) -> tuple[bool, int, int]:
    """Whether a change is on its way, and how far the journal is; in this order, as a change goes the other way."""
    under_way = (folder / PENDING / MANIFEST).exists()
    try:
        log = os.stat(folder / journal.NAME)
    except OSError:
        return under_way, -1, -1
    return under_way, log.st_size, log.st_mtime_ns
