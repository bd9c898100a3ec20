"""The script of the live formula, as one text, and the data it reads, as text that cannot end its own element."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from reports.documents import plain_data

SCRIPTS = Path(__file__).parent / "scripts"

# In the order in which they build on each other; `start` begins.
MODULES = (
    "special", "tolerance", "mixture", "scales", "models", "chances", "hull", "region", "weighed", "sums", "trade",
    "outlook", "search", "code", "numbers", "words", "reasons", "kinds", "elements", "sideways", "pictures", "sheet",
    "intervals", "readout", "beside", "printed", "tools", "formula", "lines", "seek", "live", "start",
)  # fmt: skip

# Signs that could end the element or the line in some browser, written as JSON's own escapes.
_ESCAPED = {"<": "\\u003c", ">": "\\u003e", "&": "\\u0026", "\u2028": "\\u2028", "\u2029": "\\u2029"}


def script() -> str:
    """All modules in one closure: nothing of them is seen outside but what `start` shows."""
    parts = [(SCRIPTS / f"{name}.js").read_text(encoding="utf-8") for name in MODULES]
    return '"use strict";\n(() => {\n' + "\n".join(parts) + "})();\n"


def embedded(data: Mapping[str, Any]) -> str:
    """Data as JSON that may stand in an HTML script element: numbers at full precision, text escaped."""
    text = json.dumps(plain_data(data), ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for sign, escape in _ESCAPED.items():
        text = text.replace(sign, escape)
    return text
