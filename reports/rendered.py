"""Templates, filled: the one place where a value becomes part of a page. All is escaped, nothing is missing."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from markupsafe import Markup, escape

TEMPLATES = Path(__file__).parent / "templates"


def rendered(template: str, values: Mapping[str, Any], filters: Mapping[str, Callable[..., Any]]) -> str:
    """A template by its file name, filled with `values`, with `filters` that write numbers and words."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        finalize=_unbroken,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= filters
    return environment.get_template(template).render(values)


_COMMAND = re.compile(r"\b(?:plan|next|verify|optimise|record|fit|card)(?: --[a-z]+)+")


def _unbroken(value: Any) -> Any:
    """Text with each command in it kept on one line: a browser would break it after the hyphens."""
    if type(value) is not str or not _COMMAND.search(value):
        return value
    return Markup(_COMMAND.sub(r'<span class="line">\g<0></span>', str(escape(value))))
