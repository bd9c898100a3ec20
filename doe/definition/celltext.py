"""The text of a cell made plain: spaces, signs and marks that look alike or are not seen."""

from __future__ import annotations

_SPACES = dict.fromkeys(map(ord, "\u00a0\u2007\u2009\u200a\u202f\u2002\u2003"), " ")
_SIGNS = {ord("\u2212"): "-", ord("\ufe63"): "-", ord("\uff0d"): "-", ord("\u2019"): "'"}
# What cannot be seen, steers a terminal or turns the direction of reading (UAX 9).
_INVISIBLE = dict.fromkeys(
    [*map(ord, "\u061c\u200b\u200e\u200f\u2060\ufeff"), *range(0x202A, 0x202F), *range(0x2066, 0x206A),
     *range(9), *range(0x0E, 0x1C), *range(0x7F, 0x85), *range(0x86, 0xA0)]
)  # fmt: skip


def tidy(text: str) -> str:
    """The text with special spaces, minus signs and invisible marks made plain, and trimmed."""
    return " ".join(text.translate(_INVISIBLE).translate(_SPACES).translate(_SIGNS).split())
