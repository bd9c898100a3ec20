"""The answers of a form, written as a commented study.toml."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from doe.definition.keys import SECTIONS
from doe.definition.tomltext import written


def form_toml(source: Mapping[str, Any], file: str) -> str:
    """The study.toml that says what the form said; each key with what it is for."""
    out = [f"# Made from the form {' '.join(file.split())}. From here on this file is the one to edit.", ""]
    for name, section in SECTIONS.items():
        if name not in source:
            continue
        for part in source[name] if section.repeated else [source[name]]:
            out.append(f"[[{name}]]" if section.repeated else f"[{name}]")
            for key, value in part.items():
                line = f"{key} = {_value(value)}"
                first = not section.repeated or part is source[name][0]
                out.append(f"{line:<40} # {section.keys[key].doc}" if first else line)
            out.append("")
    return "\n".join(out)


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return written(value)
    if isinstance(value, list):
        return f"[{', '.join(_value(one) for one in value)}]"
    if isinstance(value, float):
        if math.isinf(value):
            return "inf" if value > 0 else "-inf"
        return repr(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    return str(value)
