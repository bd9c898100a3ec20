"""Templates, filled: the one place where a value becomes part of a page. All is escaped, nothing is missing."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

TEMPLATES = Path(__file__).parent / "templates"


def rendered(template: str, values: Mapping[str, Any], filters: Mapping[str, Callable[..., Any]]) -> str:
    """A template by its file name, filled with `values`, with `filters` that write numbers and words."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= filters
    return environment.get_template(template).render(values)
