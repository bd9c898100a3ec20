"""How a record shows itself in a notebook: by whatever table maker is installed, else by its plain text.

This floor draws nothing and knows no floor above it. The package that installs it names a maker as an entry point, as
plug-ins do, and a notebook that asks a record for its HTML gets that maker's answer.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from importlib.metadata import entry_points

GROUP = "blendwright.tables"


class Shown:
    """A record with a small table of itself for notebooks, which look for `_repr_html_`."""

    __slots__ = ()

    def _repr_html_(self) -> str | None:
        """The table as HTML, or None: the notebook then shows the plain text. Never raises."""
        maker = _maker()
        return None if maker is None else maker(self)


@cache
def _maker() -> Callable[[object], str | None] | None:
    for point in entry_points(group=GROUP):
        try:
            made: Callable[[object], str | None] = point.load()
        except Exception:  # display must never fail, whatever is wrong with an installed maker
            continue
        return made
    return None
