"""What every page of ours has: one style sheet, filters that write numbers and words, a policy that allows no more."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping
from typing import Any

from markupsafe import Markup

from reports import numbers, tokens
from reports.rendered import TEMPLATES
from reports.wording import formula as wording_formula

_SHORT_CELL = 20  # signs of a cell that stays on one line

# The filters that write numbers and words on every page.
FILTERS: Mapping[str, Any] = {
    "percent": numbers.percent,
    "money": numbers.money,
    "whole_money": lambda value, currency: numbers.money(value, currency, whole=value >= 1),
    "grams": numbers.grams,
    "level": numbers.level,
    "chance_between": lambda pair: numbers.chance_between(*pair),
    "plain": lambda value: f"{value:g}",
    "g3": lambda value: numbers.figure(value),
    "room": lambda pair: numbers.room(*pair),
    "counted": lambda n: numbers.counted(n, "batch", "batches"),
    "days": lambda d: numbers.counted(max(1, -(-round(d * 100) // 100)), "day"),
    "predicted_short": wording_formula.predicted_short,
    "is_wish": wording_formula.is_wish,
    "first_upper": wording_formula.first_upper,
    "short": lambda cell: len(str(cell)) <= _SHORT_CELL,
    "barred": lambda items, bars: [(item, bars.get(item.name, "")) for item in items],
}


def stylesheet() -> str:
    """The page's one style sheet: tokens for light and dark, the page, the pictures."""
    light, dark = tokens.css_variables(tokens.LIGHT), tokens.css_variables(tokens.DARK)
    files = "".join((TEMPLATES / name).read_text(encoding="utf-8") for name in ("page.css", "pictures.css", "live.css"))
    return (
        f":root {{ {light} }} @media (prefers-color-scheme: dark) {{ @media screen {{ :root {{ {dark} }} }} }}\n{files}"
    )


def styled(script: str = "", header: str = "") -> dict[str, Any]:
    """What every page's shell asks for: the style sheet, the script if there is one, and the policy that names them.

    Nothing else is allowed: no other script or style, no request, no frame, no form. `header` stands over every
    printed page.
    """
    style = stylesheet()
    if header:
        style += f"@media print {{ @page {{ @top-left {{ content: {_css_text(header)}; }} }} }}\n"
    allowed = ["default-src 'none'", f"style-src '{_hash(style)}'"]
    allowed += [f"script-src '{_hash(script)}'"] if script else []
    policy = "; ".join([*allowed, "base-uri 'none'", "form-action 'none'"])
    return {"style": Markup(style), "script": Markup(script), "policy": Markup(policy)}


def _css_text(text: str) -> str:
    """Text as a CSS string in which every sign but letters and digits of ASCII is written as its number."""
    signs = (c if c.isascii() and c.isalnum() else f"\\{ord(c):x} " for c in text[:120] if c.isprintable())
    return f'"{"".join(signs)}"'


def _hash(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")
