"""The way out of the conflict in the tide-pool example, as its file marks it: a limit, and a higher yield value."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from doe.trade.check import no_less

_MARKED = re.compile(r"# WAY OUT.*\n((?:# .*\n)+)")
_LOW = re.compile(r"^low = [0-9.]+(?=  # Pa, )", re.MULTILINE)


def taken(text: str, problems: Sequence[Any]) -> tuple[str, tuple[str, ...]]:
    """The study with the way out taken, and in words what was changed.

    `text` is the study.toml as shipped, `problems` are the findings of `check` as its document lists them: the yield
    value that the beads need is taken from there.
    """
    marked = _MARKED.search(text)
    low = _LOW.search(text)
    if marked is None or low is None:
        raise ValueError("the marked lines are not there")
    needed = max(row["numbers"]["yield_needed_pa"] for row in problems if row["code"] == "K22")
    limit = re.sub(r"^# ", "", marked[1], flags=re.MULTILINE)
    asked = f"low = {no_less(needed)}"
    mended = _LOW.sub(asked, text).replace(marked[1], limit, 1)
    return mended, (
        *(line for line in limit.splitlines() if line.startswith(("rule", "when"))),
        f"Yield value: {asked} Pa",
    )
